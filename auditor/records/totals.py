"""Rows at the foot of a table that sum up the rows above; such a row is no system and no circuit."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from auditor.records.bindings import KEYS, Binding
from auditor.records.frames import FAULT_SCHEMA, ROW_NUMBER

#: The code of their rejects. What it refuses is nobody's row, so it holds no place for a circuit.
TOTALS_ROW = "totals-row"

_SUMMED = r"(all\s+)?(systems?|sites?|projects?|jobs?|circuits?|branches|units?|inverters?)"
_TOTAL = (
    r"(?i)^\s*((grand|sub|overall)[\s-]*)?(totals?|sums?|averages?|avg\.?|mean)"
    rf"(\s+(of\s+)?{_SUMMED})?(\s*[:=]\s*[\d.,\s]*|\s*\(\s*[\d.,]+\s*\)|\s+[\d.,]+)?\s*$"
)
#: What spreadsheets write into the id of a group's sum; taken so only where the row has no other id.
_GROUP_TOTAL = (
    r"(?i)(^\s*(grand|sub)?[\s-]*totals?\b|^\s*counts?\s*[:=]\s*[\d.,]+\s*$"
    r"|\S\s+(totals?|subtotals?|sums?|counts?|averages?)\s*$)"
)
_FIGURE = r"^\s*[-+$€£]?\s*\d[\d.,' ]*\s*(%|[A-Za-z°]{1,4}|'|\")?\s*$"


def totals_rows(rejects: pl.DataFrame) -> pl.DataFrame:
    """Return where the rows of totals among rejects stand: sheet and row_number, each once, in order."""
    return rejects.filter(code=TOTALS_ROW).select("sheet", ROW_NUMBER).unique(maintain_order=True)


def drop_totals(frame: pl.DataFrame, bindings: Sequence[Binding]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the text frame without rows that sum up, and these as rejects.

    A row sums up where an id says so ("Total", "Grand total:", "Sum of circuits"), where its only id of several does in
    part ("J1 Total", "Subtotal J1"), or where it has no ids and besides nothing but figures and such words.
    """
    ids = [b for b in bindings if b.canonical in KEYS and b.header is not None]
    if not ids:
        return frame, pl.DataFrame(schema=FAULT_SCHEMA)
    # Few rows are suspects, so the other columns are looked at in those alone.
    flags = frame.select(
        *(_sums_up(b, [other for other in ids if other is not b]).alias(b.canonical) for b in ids),
        pl.all_horizontal(_empty(str(b.header)) for b in ids).alias("bare"),
    )
    told = [_told(frame.filter(flags[b.canonical]), b, _named(b)) for b in ids if flags[b.canonical].any()]
    if flags["bare"].any():
        bare = frame.filter(flags["bare"])
        told.append(_told(bare.filter(_only_figures(bare)), ids[0], _bare()))
    if not told:
        return frame, pl.DataFrame(schema=FAULT_SCHEMA)
    rejects = pl.concat(told).unique(ROW_NUMBER, keep="first", maintain_order=True)
    if not rejects.height:
        return frame, rejects
    return frame.filter(~pl.col(ROW_NUMBER).is_in(rejects[ROW_NUMBER].implode())), rejects


def _sums_up(binding: Binding, others: Sequence[Binding]) -> pl.Expr:
    cell = pl.col(str(binding.header))
    total = cell.str.contains(_TOTAL).fill_null(False)
    if not others:
        return total
    alone = pl.all_horizontal(_empty(str(other.header)) for other in others)
    return total | (alone & cell.str.contains(_GROUP_TOTAL).fill_null(False))


def _empty(header: str) -> pl.Expr:
    return pl.col(header).is_null() | (pl.col(header).str.strip_chars() == "")


def _only_figures(frame: pl.DataFrame) -> pl.Expr:
    cells = [name for name in frame.columns if name != ROW_NUMBER]
    figure = [pl.col(name).str.contains(_FIGURE).fill_null(False) for name in cells]
    word = [pl.col(name).str.contains(_TOTAL).fill_null(False) for name in cells]
    plain = pl.all_horizontal(_empty(c) | f | w for c, f, w in zip(cells, figure, word, strict=True))
    return plain & pl.any_horizontal(figure)


def _named(binding: Binding) -> pl.Expr:
    thing = binding.canonical.removesuffix("_id")
    cell = pl.col(str(binding.header)).str.strip_chars()
    return pl.format(f"'{{}}' is no {thing}'s id: the row sums up other rows, and is no record itself", cell)


def _bare() -> pl.Expr:
    return pl.lit("the row has no ids and nothing but figures: it sums up other rows, and is no record itself")


def _told(rows: pl.DataFrame, binding: Binding, sentence: pl.Expr) -> pl.DataFrame:
    return rows.select(
        ROW_NUMBER,
        pl.lit(binding.shown_header).alias("column"),
        pl.lit(binding.canonical).alias("canonical"),
        pl.col(str(binding.header)).alias("raw"),
        pl.lit(TOTALS_ROW).alias("code"),
        sentence.alias("sentence"),
    ).cast(pl.Schema(FAULT_SCHEMA))

"""From text cells to typed ones.

Whole columns are cast at once where the text is plain; each other distinct text goes through its grammar once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from auditor.records.bindings import KEYS, Binding, plan_columns
from auditor.records.cells import CellRules, Value, read_cell
from auditor.records.fault import NO_BREAK_SPACES, Fault
from auditor.records.frames import FAULT_SCHEMA, KIND_TYPES, ROW_NUMBER, SOURCE_ROW, Cast
from auditor.records.mapping import Mapping
from auditor.records.quantities import UNITS
from auditor.records.schema import Column
from auditor.records.sizes import Size
from auditor.records.totals import TOTALS_ROW, drop_totals

_FIGURES = ("number", "length", "current", "integer")
#: Control characters, and format characters that show nothing: two ids that differ by one look the same.
_INVISIBLE = r"[\p{Cc}\p{Cf}]"


@dataclass
class _Column:
    """One cast column: its typed values, the texts that were refused, and materials that size texts state."""

    values: pl.Series
    faults: dict[str, Fault] = field(default_factory=dict)
    materials: pl.Series | None = None


def cast_chunk(frame: pl.DataFrame, mapping: Mapping) -> Cast:
    """Cast a chunk of a flat file: `row_number` and the user's text columns, one row per circuit.

    Every row with a fault is left out of `rows` and told in `rejects`, all its faults at once.
    """
    headers = [name for name in frame.columns if name != ROW_NUMBER]
    return cast_rows(frame, plan_columns(headers, mapping, "the file").bindings)


def cast_rows(
    frame: pl.DataFrame,
    bindings: Sequence[Binding],
    faults: pl.DataFrame | None = None,
    required: Sequence[str] = KEYS,
) -> Cast:
    """Cast a chunk of a flat file by bindings already made; `faults` are cells that the reader found to be no text."""
    full = drop_blank(frame, bindings)
    blank = frame.height - full.height
    full, totals = drop_totals(full, bindings)
    told = None if faults is None else _cell_faults(faults, bindings)
    if told is None or not told.height:
        cast = cast_frame(full, bindings, required)
        rejects = pl.concat([cast.rejects, totals]).sort(ROW_NUMBER, maintain_order=True)
        return Cast(cast.rows, rejects, blank, cast.warnings)
    told = told.join(totals, on=ROW_NUMBER, how="anti")
    cast = cast_frame(_emptied(full, told), bindings, required)
    lenient = pl.col("canonical").is_in([b.canonical for b in bindings if b.rules.lenient])
    refused = told.filter(~lenient)
    # A faulty cell counts as empty until here; that it is empty is no second fault.
    rest = cast.rejects.join(told, on=[ROW_NUMBER, "canonical"], how="anti")
    rejects = pl.concat([rest, refused, totals]).sort(ROW_NUMBER, maintain_order=True)
    warnings = pl.concat([cast.warnings, told.filter(lenient)])
    return Cast(_without(cast.rows, refused), rejects, blank, _without(warnings, rejects).sort(ROW_NUMBER))


def _without(frame: pl.DataFrame, refused: pl.DataFrame) -> pl.DataFrame:
    """Return the frame without the refused rows."""
    return frame.filter(~pl.col(ROW_NUMBER).is_in(refused[ROW_NUMBER].unique().implode())) if refused.height else frame


def _cell_faults(faults: pl.DataFrame, bindings: Sequence[Binding]) -> pl.DataFrame:
    """Return the faults of cells that feed a canonical column, as rejects."""
    canonical = {b.header: b.canonical for b in bindings if b.header is not None}
    mine = faults.filter(pl.col("header").is_in(list(canonical)))
    return mine.with_columns(
        pl.col("header").alias("column"),
        pl.col("header").replace_strict(canonical, default=None, return_dtype=pl.String).alias("canonical"),
    ).select(list(FAULT_SCHEMA))


def _emptied(frame: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with the faulty cells empty."""
    rows = {str(name): rows for (name,), rows in told.partition_by("column", as_dict=True).items()}
    return frame.with_columns(
        pl.when(pl.col(ROW_NUMBER).is_in(some[ROW_NUMBER].implode()))
        .then(pl.lit(""))
        .otherwise(pl.col(name))
        .alias(name)
        for name, some in rows.items()
    )


def cast_frame(full: pl.DataFrame, bindings: Sequence[Binding], required: Sequence[str]) -> Cast:
    """Cast a text frame without blank rows by these bindings; the required columns may not be empty.

    A cell that cannot be read refuses its row, or counts as missing with a warning where its column is lenient.
    """
    bound = [b for b in bindings if b.header is not None]
    columns = dict(zip([b.canonical for b in bound], _cast_columns(full, bound), strict=True))
    faults = {b.canonical: _fault_rows(full, b, columns[b.canonical].faults) for b in bound}
    rejects = [faults[b.canonical] for b in bound if not b.rules.lenient]
    warnings = [pl.DataFrame(schema=FAULT_SCHEMA), *(faults[b.canonical] for b in bound if b.rules.lenient)]
    rejects += [_empty_rows(full, b, columns[b.canonical]) for b in bound if b.canonical in required]
    typed = pl.DataFrame({ROW_NUMBER: full[ROW_NUMBER]} | {name: column.values for name, column in columns.items()})
    typed = typed.with_columns(_constant(b).alias(b.canonical) for b in bindings if b.header is None)
    typed, contradictions = _add_materials(typed, full, bound, columns)
    told = pl.concat([pl.DataFrame(schema=FAULT_SCHEMA), *rejects, *contradictions])
    missing = _without(pl.concat(warnings), told).sort(ROW_NUMBER, maintain_order=True)
    return Cast(_without(typed, told), told.sort(ROW_NUMBER, maintain_order=True), 0, missing)


def keys_of_refused(frame: pl.DataFrame, rejects: pl.DataFrame, bindings: Sequence[Binding]) -> pl.DataFrame:
    """Return whose the refused rows of a text frame are, where their system's id can be read."""
    records = rejects.filter(pl.col("code") != TOTALS_ROW).select(ROW_NUMBER).unique()
    bad = frame.join(records, on=ROW_NUMBER, how="semi", maintain_order="left")
    none = pl.lit(None, pl.String)
    found = bad.select(ROW_NUMBER)
    for key in KEYS:
        bound = [b for b in bindings if b.canonical == key]
        read = cast_frame(bad, bound, ()).rows if bad.height and bound else None
        if read is not None and key in read.columns:
            found = found.join(read.select(ROW_NUMBER, key), on=ROW_NUMBER, how="left", maintain_order="left")
        else:
            found = found.with_columns(none.alias(key))
    return found.filter(pl.col("system_id").is_not_null()).select(
        "system_id", "circuit_id", pl.col(ROW_NUMBER).alias(SOURCE_ROW)
    )


def drop_blank(frame: pl.DataFrame, bindings: Sequence[Binding]) -> pl.DataFrame:
    """Return the frame without rows that hold nothing in any column, mapped or not."""
    keys = [b.header for b in bindings if b.canonical in KEYS and b.header is not None]
    cells = [name for name in frame.columns if name != ROW_NUMBER]

    def empty(names: Sequence[str]) -> pl.Expr:
        return pl.all_horizontal(pl.col(n).is_null() | (pl.col(n).str.strip_chars() == "") for n in names)

    # Few rows lack their ids, so only those are looked at cell by cell.
    suspects = frame.filter(empty(keys)) if keys else frame
    blank = suspects.filter(empty(cells)) if suspects.height else suspects
    if not blank.height:
        return frame
    return frame.filter(~pl.col(ROW_NUMBER).is_in(blank[ROW_NUMBER].implode()))


def _cast_columns(frame: pl.DataFrame, bound: Sequence[Binding]) -> list[_Column]:
    figures = [b for b in bound if b.column.kind in _FIGURES]
    plain = frame.select(_plain_figure(b).alias(b.canonical) for b in figures)
    refused = frame.select(_not_plain(b, plain[b.canonical]).alias(b.canonical) for b in figures)
    done: list[_Column] = []
    for binding in bound:
        raw = frame[str(binding.header)]
        if binding.column.kind in _FIGURES:
            done.append(_finish_figures(raw, plain[binding.canonical], refused[binding.canonical], binding))
        elif binding.column.kind in ("id", "text") and not binding.rules.values and binding.canonical != "service":
            done.append(_text(raw, binding))
        else:
            done.append(_distinct(raw, binding))
    return done


def _plain_figure(binding: Binding) -> pl.Expr:
    """Return plain figures within the column's bounds, in its unit; null where the grammar must look closer."""
    column, rules = binding.column, binding.rules
    text = pl.col(str(binding.header))
    if rules.values or len(rules.missing) > 1:
        text = pl.when(~text.is_in([*rules.values, *rules.missing])).then(text)
    if rules.decimal_mark == ",":
        text = pl.when(~text.str.contains(".", literal=True)).then(text.str.replace(",", ".", literal=True))
    if column.kind == "integer":
        value = text.cast(pl.Int64, strict=False)
    else:
        value = text.cast(pl.Float64, strict=False)
        scale, offset = _conversion(column, rules)
        value = value * scale + offset if (scale, offset) != (1.0, 0.0) else value
        value = value * 0.5 if column.kind == "length" and rules.round_trip else value
    within = value.is_finite() if column.kind != "integer" else pl.lit(True)
    if column.minimum is not None:
        within = within & (value >= column.minimum)
    if column.maximum is not None:
        within = within & (value <= column.maximum)
    return pl.when(within).then(value)


def _conversion(column: Column, rules: CellRules) -> tuple[float, float]:
    unit = rules.unit or column.unit
    return UNITS[column.unit].get(unit.lower(), (1.0, 0.0))


def _not_plain(binding: Binding, plain: pl.Series) -> pl.Expr:
    text = pl.col(str(binding.header))
    return text.is_not_null() & (text != "") & plain.is_null()


def _finish_figures(raw: pl.Series, plain: pl.Series, refused: pl.Series, binding: Binding) -> _Column:
    if not refused.any():
        return _Column(plain)
    known, faults = _read_distinct(raw.filter(refused), binding)
    read = _replaced(raw, known, KIND_TYPES[binding.column.kind])
    return _Column(plain.zip_with(plain.is_not_null(), read), faults)


def _distinct(raw: pl.Series, binding: Binding) -> _Column:
    known, faults = _read_distinct(raw, binding)
    if binding.column.kind != "size":
        return _Column(_replaced(raw, known, KIND_TYPES[binding.column.kind]), faults)
    sizes = {text: value.size for text, value in known.items() if isinstance(value, Size)}
    stated = {text: value.material for text, value in known.items() if isinstance(value, Size) and value.material}
    materials = _replaced(raw, stated, pl.String()) if stated else None
    return _Column(_replaced(raw, sizes, pl.String()), faults, materials)


def _read_distinct(raw: pl.Series, binding: Binding) -> tuple[dict[str, Value], dict[str, Fault]]:
    known: dict[str, Value] = {}
    faults: dict[str, Fault] = {}
    for text in raw.unique().drop_nulls():
        value = read_cell(text, binding.column, binding.rules)
        if isinstance(value, Fault):
            faults[text] = value
        elif value is not None:
            known[text] = value
    return known, faults


def _replaced(
    raw: pl.Series, known: dict[str, Value] | dict[str, str] | dict[str, str | None], dtype: pl.DataType
) -> pl.Series:
    if not known:
        return _nulls(raw.len(), dtype)
    old = pl.Series(list(known), dtype=pl.String())
    new = pl.Series(list(known.values()), dtype=dtype)
    return raw.replace_strict(old, new, default=None, return_dtype=dtype)


def _nulls(count: int, dtype: pl.DataType) -> pl.Series:
    return pl.repeat(None, count, dtype=dtype, eager=True)


def _text(raw: pl.Series, binding: Binding) -> _Column:
    """Return ids and free text: trimmed, in normal form C, null where missing. Nothing in them is interpreted."""
    text = raw
    if (text.str.len_bytes() != text.str.len_chars()).any():
        text = text.str.normalize("NFC").str.replace_all(f"[{NO_BREAK_SPACES}]", " ")
    trimmed = text.str.strip_chars()
    if trimmed.str.starts_with("'").any():
        # The apostrophe that our exports put before what a spreadsheet takes for a formula.
        trimmed = trimmed.str.replace(r"^'([=+\-@\t\r\n])", "$1").str.strip_chars()
    missing = trimmed.str.to_lowercase() if len(binding.rules.missing) > 1 else trimmed
    values = trimmed.set(missing.is_in(list(binding.rules.missing)), None)
    faults: dict[str, Fault] = {}
    if binding.column.kind == "id":
        hidden = raw.filter(values.str.contains(_INVISIBLE).fill_null(False)).unique()
        faults = {
            t: Fault("type-error", f"{t!r} holds a character that does not show; type the id again") for t in hidden
        }
        values = values.set(raw.is_in(list(faults)), None) if faults else values
    return _Column(values, faults)


def _fault_rows(frame: pl.DataFrame, binding: Binding, faults: dict[str, Fault]) -> pl.DataFrame:
    if not faults:
        return pl.DataFrame(schema=FAULT_SCHEMA)
    told = pl.DataFrame(
        {
            "raw": list(faults),
            "code": [fault.code for fault in faults.values()],
            "sentence": [fault.sentence for fault in faults.values()],
        },
        schema={name: FAULT_SCHEMA[name] for name in ("raw", "code", "sentence")},
    )
    rows = frame.select(ROW_NUMBER, pl.col(str(binding.header)).alias("raw")).join(told, on="raw", how="inner")
    return rows.with_columns(
        pl.lit(binding.shown_header).alias("column"), pl.lit(binding.canonical).alias("canonical")
    ).select(list(FAULT_SCHEMA))


def _empty_rows(frame: pl.DataFrame, binding: Binding, column: _Column) -> pl.DataFrame:
    """Return rejects of rows whose required cell is missing, unless the cell has a fault already."""
    raw = frame[str(binding.header)]
    empty = column.values.is_null()
    if column.faults:
        empty = empty & ~raw.is_in(list(column.faults))
    rows = frame.select(ROW_NUMBER, raw.alias("raw")).filter(empty)
    return rows.with_columns(
        pl.lit(binding.shown_header).alias("column"),
        pl.lit(binding.canonical).alias("canonical"),
        pl.lit("constraint-error").alias("code"),
        pl.lit(f"{binding.canonical} is empty; every row needs it").alias("sentence"),
    ).select(list(FAULT_SCHEMA))


def _constant(binding: Binding) -> pl.Expr:
    value = read_cell(str(binding.constant), binding.column, binding.rules)
    return pl.lit(value.size if isinstance(value, Size) else value, dtype=KIND_TYPES[binding.column.kind])


def _add_materials(
    typed: pl.DataFrame, frame: pl.DataFrame, bound: Sequence[Binding], columns: dict[str, _Column]
) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
    """Fill the material that a size text states (2/0 AL), and reject rows whose material column says otherwise."""
    contradictions: list[pl.DataFrame] = []
    for binding in bound:
        stated = columns[binding.canonical].materials
        if stated is None:
            continue
        name = binding.canonical.removesuffix("size") + "material"
        own = typed[name] if name in typed.columns else _nulls(typed.height, pl.String())
        differs = (own != stated).fill_null(False)
        if differs.any():
            rows = pl.DataFrame(
                {ROW_NUMBER: typed[ROW_NUMBER], "raw": frame[str(binding.header)], "own": own, "stated": stated}
            )
            contradictions.append(_contradicted(rows.filter(differs), binding, name))
        typed = typed.with_columns(own.zip_with(own.is_not_null(), stated).alias(name))
    return typed, contradictions


def _contradicted(rows: pl.DataFrame, binding: Binding, name: str) -> pl.DataFrame:
    return rows.select(
        ROW_NUMBER,
        pl.lit(binding.shown_header).alias("column"),
        pl.lit(binding.canonical).alias("canonical"),
        "raw",
        pl.lit("constraint-error").alias("code"),
        pl.format("the size says {} and " + name + " says {}", "stated", "own").alias("sentence"),
    )

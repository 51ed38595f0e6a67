"""Rows whose cells do not stand one to a column: ragged ones, and those that an open quote swallowed.

They are refused. Where their ids can be read, their circuits exist, and hold a place as those of other refused rows.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import polars as pl

from auditor.records.bindings import KEYS, Binding
from auditor.records.casting import cast_frame
from auditor.records.frames import REFUSED_SCHEMA, ROW_NUMBER, SOURCE_ROW

#: Whether each cell of a broken row stands under its header; else only those left of the fault do, wherever it is.
ALIGNED = "aligned"
#: The ids of broken rows, and of each whether it can be no other column's cell.
_SURE = {name: f"{name} is sure" for name in KEYS}
KEYS_SCHEMA: dict[str, pl.DataType] = REFUSED_SCHEMA | dict.fromkeys(_SURE.values(), pl.Boolean())


def broken_frame(names: Sequence[str], rows: Sequence[tuple[int, bool, Sequence[str]]] = ()) -> pl.DataFrame:
    """Return broken rows as text, from their number, whether they are aligned, and their cells from the left."""
    schema: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64(), ALIGNED: pl.Boolean()}
    cells = [
        (number, aligned, *(row[at] if at < len(row) else None for at in range(len(names))))
        for number, aligned, row in rows
    ]
    return pl.DataFrame(cells, schema=schema | dict.fromkeys(names, pl.String()), orient="row")


def ragged_rows(told: Sequence[tuple[int, int, str]], delimiter: str) -> list[tuple[int, bool, Sequence[str]]]:
    """Return rows with too few or too many cells, from their number, cells and text."""
    return [(number, False, next(csv.reader(io.StringIO(text), delimiter=delimiter), [])) for number, _, text in told]


def swallowed_rows(
    number: int, cells: Sequence[str | None], at: int, delimiter: str
) -> list[tuple[int, bool, Sequence[str]]]:
    """Return the rows in one whose cell `at` runs from the middle of a row to the same column of a later one."""
    lines = [line.rstrip("\r").split(delimiter) for line in (cells[at] or "").split("\n")]
    before, after = [cell or "" for cell in cells[:at]], [cell or "" for cell in cells[at + 1 :]]
    lines[0], lines[-1] = [*before, *lines[0]], [*lines[-1], *after]
    return [(number, True, line) for line in lines]


def keys_of_broken(broken: pl.DataFrame, bindings: Sequence[Binding]) -> pl.DataFrame:
    """Return whose broken rows may be: `KEYS_SCHEMA`, where a system's id can be read.

    An id of a row that is not aligned is sure where nothing but ids stands left of it.
    """
    if not broken.height:
        return pl.DataFrame(schema=KEYS_SCHEMA)
    rows = broken.rename({ROW_NUMBER: SOURCE_ROW}).with_row_index(ROW_NUMBER).cast({ROW_NUMBER: pl.Int64})
    headers = [name for name in broken.columns if name not in (ROW_NUMBER, ALIGNED)]
    own = {binding.header for binding in bindings if binding.canonical in KEYS}
    for key in KEYS:
        bound = [binding for binding in bindings if binding.canonical == key]
        read = cast_frame(rows.drop(SOURCE_ROW, ALIGNED), bound, ()).rows if bound else None
        found = read.select(ROW_NUMBER, key) if read is not None and key in read.columns else None
        none = rows.select(ROW_NUMBER, pl.lit(None, pl.String).alias(key))
        left = headers[: headers.index(str(bound[0].header))] if bound and bound[0].header in headers else []
        rows = rows.rename({key: f"{key} as text"}, strict=False).join(
            none if found is None else found, on=ROW_NUMBER, how="left", maintain_order="left"
        )
        rows = rows.with_columns((pl.col(ALIGNED) | pl.lit(set(left) <= own)).alias(_SURE[key]))
    return rows.filter(pl.col("system_id").is_not_null()).select(list(KEYS_SCHEMA))


def owners(keys: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Return whose broken rows are: `REFUSED_SCHEMA`, once each.

    A system's id that may be another column's cell counts where one of the `known` systems has it; a circuit's that may
    be does not.
    """
    named = pl.col("system_id").is_in(known["system_id"].unique().implode())
    mine = keys.filter(pl.col(_SURE["system_id"]) | named)
    circuit = pl.when(pl.col(_SURE["circuit_id"])).then("circuit_id").alias("circuit_id")
    return mine.with_columns(circuit).select(list(REFUSED_SCHEMA)).unique(maintain_order=True)

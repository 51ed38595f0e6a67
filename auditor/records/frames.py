"""The frames that pass between reading, casting and splitting, with their columns declared once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import polars as pl

from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Kind, Table, simple_columns

#: The type a cell has once its kind's grammar has read it.
KIND_TYPES: dict[Kind, pl.DataType] = {
    "id": pl.String(),
    "text": pl.String(),
    "size": pl.String(),
    "choice": pl.String(),
    "arms": pl.String(),
    "sections": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "length": pl.Float64(),
    "current": pl.Float64(),
    "date": pl.Date(),
    "instant": pl.Datetime("us"),
}

ROW_NUMBER = "row_number"
SOURCE_ROW = "source_row"

#: One refused row or cell as a reader or the casting tells it, which know one table of cells.
FAULT_SCHEMA: dict[str, pl.DataType] = {
    ROW_NUMBER: pl.Int64(),
    "column": pl.String(),
    "canonical": pl.String(),
    "raw": pl.String(),
    "code": pl.String(),
    "sentence": pl.String(),
}

#: One refused row or cell: where it stands in the user's file, what it says and why it was refused. `sheet` is null
#: where the file has none.
REJECT_SCHEMA: dict[str, pl.DataType] = FAULT_SCHEMA | {"sheet": pl.String()}

#: A cell that could not be read and counts as missing: as a reject, and whose it is. `circuit_id` is null where the
#: row is of no circuit, or of several.
WARNING_SCHEMA: dict[str, pl.DataType] = REJECT_SCHEMA | {"system_id": pl.String(), "circuit_id": pl.String()}

#: A cell that its reader could not make text of; `header` is the frame's name of its column.
CELL_FAULT_SCHEMA: dict[str, pl.DataType] = {
    ROW_NUMBER: pl.Int64(),
    "header": pl.String(),
    "raw": pl.String(),
    "code": pl.String(),
    "sentence": pl.String(),
}

#: A fact on which rows disagree. `values`, `rows`, `sheets` and `files` run side by side: each value as text with the
#: first row that states it, the sheet that the row is on (null where that is not known, or the file has none) and the
#: file, which is null where it is the one that was read. `circuit_id` is set for facts of a circuit, its home runs and
#: units, `combiner_id` for those of a feeder.
CONFLICT_SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "circuit_id": pl.String(),
    "combiner_id": pl.String(),
    "column": pl.String(),
    "values": pl.List(pl.String()),
    "rows": pl.List(pl.Int64()),
    "sheets": pl.List(pl.String()),
    "files": pl.List(pl.String()),
}

#: Whose a refused row is, as far as it can be read.
REFUSED_SCHEMA: dict[str, pl.DataType] = {"system_id": pl.String(), "circuit_id": pl.String(), SOURCE_ROW: pl.Int64()}

#: A row that repeats an earlier row of the file word for word.
DUPLICATE_SCHEMA: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64(), "same_as_row": pl.Int64()}


def table_schema_of(table: Table) -> dict[str, pl.DataType]:
    """Return the polars schema of a canonical table, `source_row` last."""
    schema = {column.name: KIND_TYPES[column.kind] for column in table.columns}
    schema[SOURCE_ROW] = pl.Int64()
    return schema


def simple_schema() -> dict[str, pl.DataType]:
    """Return the polars schema of typed simple rows (one per circuit), `row_number` first."""
    schema: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64()}
    return schema | {name: KIND_TYPES[column.kind] for name, column in simple_columns().items()}


def rejects_frame(records: Iterable[tuple[int, str, str | None, str | None, str, str]] = ()) -> pl.DataFrame:
    """Return faults from (row_number, column, canonical, raw, code, sentence) records."""
    return pl.DataFrame(list(records), schema=FAULT_SCHEMA, orient="row")


def on_sheet(faults: pl.DataFrame, sheet: str | None) -> pl.DataFrame:
    """Return faults as rejects: with the sheet they stand on."""
    return faults.with_columns(pl.lit(sheet, dtype=pl.String).alias("sheet"))


def whose(warnings: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Return warnings with the ids of their rows: `WARNING_SCHEMA`. `rows` has row_number, system_id, circuit_id."""
    names = ("system_id", "circuit_id")
    if not warnings.height:
        return warnings.with_columns(pl.lit(None, pl.String).alias(name) for name in names)
    mine = rows.join(warnings.select(ROW_NUMBER).unique(), on=ROW_NUMBER, how="semi")
    once = mine.group_by(ROW_NUMBER).agg(
        pl.when(pl.col(name).n_unique() == 1).then(pl.col(name).first()).alias(name) for name in names
    )
    return warnings.join(once, on=ROW_NUMBER, how="left", maintain_order="left").select(list(WARNING_SCHEMA))


@dataclass(frozen=True)
class Chunk:
    """Some rows of a file as text, in the user's own columns plus `row_number`, and what the reader itself refused.

    `blank` counts rows the reader found to hold nothing. `faults` are cells of these rows that are no text.
    `broken` has the cells of rows that the reader refused, as far as they can be told apart: the frame's columns and
    `aligned`.
    """

    frame: pl.DataFrame
    rejects: pl.DataFrame
    blank: int = 0
    faults: pl.DataFrame | None = None
    broken: pl.DataFrame | None = None


@dataclass(frozen=True)
class Cast:
    """Typed rows (columns of `simple_schema`, those the file has), and the rejects of all other rows.

    `blank` counts rows with nothing in them: they are neither accepted nor rejected. `warnings` are cells of the typed
    rows that could not be read and count as missing, in the columns of the rejects.
    """

    rows: pl.DataFrame
    rejects: pl.DataFrame
    blank: int
    warnings: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FAULT_SCHEMA))


@dataclass(frozen=True)
class Tables:
    """The canonical tables of a file, each sorted by its key with a `source_row` column, and the conflicts found."""

    system: pl.DataFrame
    circuit: pl.DataFrame
    unit: pl.DataFrame
    run: pl.DataFrame
    conflicts: pl.DataFrame


@dataclass(frozen=True)
class Reading:
    """What came out of one file. rows_in == accepted + rejected + duplicate always holds.

    `rejects` has one entry per cause, so it may be longer or shorter than `rejected`, which counts rows.
    `present` names the canonical columns the file states; those of runs read role then column, such as
    `home_run_length_m` or `feeder_insulation`, and `units` stands for the unit table. A canonical column that is not
    present must change nothing in a store. `unmapped`, `ignored` are the user's own column names; `absent` are
    canonical names of the simple file that the file lacks. `notes` are sentences about the file that a person should
    know. `row_keys` holds for every accepted row its system_id and its circuit_id (null where the row is the system's);
    it is None where the rows are the circuits one by one, and the systems that have none. `refused` holds system_id,
    circuit_id (null where it cannot be read) and source_row of refused rows whose system is known: their circuits
    exist, and nothing is known of them. `warnings` are cells that could not be read and count as missing, as the
    mapping says, in the columns of `WARNING_SCHEMA`. `keys`, of a workbook whose sheets belong together, holds sheet,
    row_number, system_id and circuit_id of every refused row as far as they can be read; elsewhere `refused` has them.
    """

    tables: Tables
    rejects: pl.DataFrame
    duplicates: pl.DataFrame
    unmapped: tuple[str, ...]
    absent: tuple[str, ...]
    ignored: tuple[str, ...]
    present: frozenset[str]
    rows_in: int
    accepted: int
    rejected: int
    duplicate: int
    notes: tuple[str, ...] = ()
    row_keys: pl.DataFrame | None = None
    refused: pl.DataFrame | None = None
    warnings: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=WARNING_SCHEMA))
    keys: pl.DataFrame | None = None


def empty_tables() -> Tables:
    """Return tables without a row."""
    return Tables(
        system=pl.DataFrame(schema=table_schema_of(SYSTEM)),
        circuit=pl.DataFrame(schema=table_schema_of(CIRCUIT)),
        unit=pl.DataFrame(schema=table_schema_of(UNIT)),
        run=pl.DataFrame(schema=table_schema_of(RUN)),
        conflicts=pl.DataFrame(schema=CONFLICT_SCHEMA),
    )

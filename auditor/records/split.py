"""From parts to the canonical tables: repeated rows, disagreeing facts, order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.records.frames import DUPLICATE_SCHEMA, ROW_NUMBER, SOURCE_ROW, Tables, table_schema_of
from auditor.records.merging import in_order, merge_circuits, merge_facts, name_by_role
from auditor.records.parts import CONTENT, PART, ROW, RUN_FACTS, SYSTEM_FACTS, Parts, concat_parts, part_rows
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Table

_KEY = ["system_id", "circuit_id"]
_SHARED_KEY = ("system_id", "combiner_id", "role", "run_order")


@dataclass(frozen=True)
class Split:
    """Tables, and the rows that repeat an earlier one.

    `row_keys` holds system_id and circuit_id (null where a row has no circuit) of every other row, or is None where
    each of these is a circuit, or a system without one, of its own.
    """

    tables: Tables
    duplicates: pl.DataFrame
    row_keys: pl.DataFrame | None


def to_tables(rows: pl.DataFrame) -> Tables:
    """Return the canonical tables of typed simple rows (columns of `simple_schema`, absent ones may lack)."""
    return split([part_rows(rows)]).tables


def split(parts: Sequence[Parts]) -> Split:
    """Gather parts into tables.

    A row that says the same as an earlier row of its (system_id, circuit_id) is a duplicate. Of rows that differ, each
    counts: a fact of the system, the circuit, its runs or units on which they disagree becomes null and is told as a
    conflict; an empty cell disagrees with nothing.
    """
    whole = concat_parts(parts)
    repeats, several = _repeats(whole.rows)
    rows = whole.rows
    if repeats.height:
        rows = rows.filter(~pl.col(ROW).is_in(repeats[ROW].implode()))
    first_rows = rows.group_by(PART).agg(pl.col(ROW_NUMBER).min().alias(SOURCE_ROW))
    systems = whole.systems.unique(PART, keep="first", maintain_order=True).join(first_rows, on=PART)
    system, system_conflicts = merge_facts(systems, SYSTEM.key, SYSTEM_FACTS)
    shared_runs = whole.shared_runs.unique(maintain_order=True).join(first_rows, on=PART)
    shared, run_conflicts = merge_facts(shared_runs, _SHARED_KEY, RUN_FACTS)
    kept = rows.filter("has_circuit").select(ROW, pl.col(ROW_NUMBER).alias(SOURCE_ROW))
    circuits = rows.filter("has_circuit").rename({ROW_NUMBER: SOURCE_ROW})
    home_runs, units = whole.home_runs.join(kept, on=ROW), whole.units.join(kept, on=ROW)
    conflicts = [system_conflicts, name_by_role(run_conflicts)]
    if several.height:
        circuits, home_runs, units, told = _with_merged(circuits, home_runs, units, several)
        conflicts.append(told)
    tables = Tables(
        system=_in_order(system, SYSTEM),
        circuit=_in_order(circuits, CIRCUIT),
        unit=_in_order(units, UNIT),
        run=_in_order(pl.concat([home_runs, _with_run_columns(shared)], how="diagonal"), RUN),
        conflicts=in_order(pl.concat(conflicts, how="diagonal")),
    )
    same = repeats.select(ROW_NUMBER, pl.col("first_row").alias("same_as_row")).cast(pl.Schema(DUPLICATE_SCHEMA))
    return Split(tables, same.sort(ROW_NUMBER), _row_keys(rows) if several.height else None)


def _in_order(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    return frame.select(list(table_schema_of(table))).sort(list(table.key))


def _with_run_columns(shared: pl.DataFrame) -> pl.DataFrame:
    return shared.with_columns(pl.lit(None, dtype=pl.String).alias("circuit_id"))


def _row_keys(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.select("system_id", pl.when("has_circuit").then("circuit_id").alias("circuit_id"))


def _repeats(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return rows that say the same as an earlier row of their key, with that row's number; and keys of several others.

    Those keys are of rows that differ, once each.
    """
    repeated = rows.select(ROW, ROW_NUMBER, CONTENT, *_KEY).filter(pl.struct(_KEY).is_duplicated())
    told = repeated.sort(ROW).with_columns(
        pl.col(ROW_NUMBER).first().over([*_KEY, CONTENT]).alias("first_row"),
        pl.col(ROW).first().over([*_KEY, CONTENT]).alias("first"),
    )
    same = pl.col(ROW) != pl.col("first")
    several = told.filter(~same).select(_KEY).filter(pl.struct(_KEY).is_duplicated()).unique()
    return told.filter(same), several


def _with_merged(
    circuits: pl.DataFrame, home_runs: pl.DataFrame, units: pl.DataFrame, several: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Put one circuit, with its runs and units, in the place of all rows of each of these keys; and the conflicts."""
    frames = (circuits, home_runs, units)
    mine = [frame.join(several, on=_KEY, how="semi") for frame in frames]
    rest = [frame.join(several, on=_KEY, how="anti") for frame in frames]
    *merged, told = merge_circuits(*mine)
    circuits, home_runs, units = (pl.concat(pair, how="diagonal") for pair in zip(rest, merged, strict=True))
    return circuits, home_runs, units, told

"""From parts to the canonical tables: repeated rows, disagreeing facts, order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.records.frames import (
    CONFLICT_SCHEMA,
    DUPLICATE_SCHEMA,
    FAULT_SCHEMA,
    ROW_NUMBER,
    SOURCE_ROW,
    Tables,
    table_schema_of,
)
from auditor.records.parts import CONTENT, PART, ROW, RUN_FACTS, SYSTEM_FACTS, Parts, concat_parts, part_rows
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Table

_SHARED_KEY = ("system_id", "combiner_id", "role", "run_order")


@dataclass(frozen=True)
class Split:
    """Tables, the rows refused because their key is taken, and the rows that repeat an earlier one."""

    tables: Tables
    rejects: pl.DataFrame
    duplicates: pl.DataFrame


def to_tables(rows: pl.DataFrame) -> Tables:
    """Return the canonical tables of typed simple rows (columns of `simple_schema`, absent ones may lack)."""
    return split([part_rows(rows)]).tables


def split(parts: Sequence[Parts], key_header: str = "circuit_id") -> Split:
    """Gather parts into tables.

    The first row of a (system_id, circuit_id) stands. A later one that says the same is a duplicate, one that differs
    is rejected (primary-key) and none of its facts count. A system fact on which rows disagree becomes null and is
    told as a conflict; an empty cell disagrees with nothing.
    """
    whole = concat_parts(parts)
    repeats = _repeats(whole.rows)
    same = repeats.filter(pl.col(CONTENT) == pl.col("first_content"))
    other = repeats.filter(pl.col(CONTENT) != pl.col("first_content"))
    rows = whole.rows
    if repeats.height:
        rows = rows.filter(~pl.col(ROW).is_in(repeats[ROW].implode()))
    first_rows = rows.group_by(PART).agg(pl.col(ROW_NUMBER).min().alias(SOURCE_ROW))
    systems = whole.systems.unique(PART, keep="first", maintain_order=True).join(first_rows, on=PART)
    system, system_conflicts = merge_facts(systems, SYSTEM.key, SYSTEM_FACTS)
    shared_runs = whole.shared_runs.unique(maintain_order=True).join(first_rows, on=PART)
    shared, run_conflicts = merge_facts(shared_runs, _SHARED_KEY, RUN_FACTS)
    kept = rows.filter("has_circuit").select(ROW, pl.col(ROW_NUMBER).alias(SOURCE_ROW))
    home_runs = whole.home_runs.join(kept, on=ROW)
    conflicts = pl.concat([system_conflicts, _named_by_role(run_conflicts)], how="diagonal")
    tables = Tables(
        system=_in_order(system, SYSTEM),
        circuit=_in_order(rows.filter("has_circuit").rename({ROW_NUMBER: SOURCE_ROW}), CIRCUIT),
        unit=_in_order(whole.units.join(kept, on=ROW), UNIT),
        run=_in_order(pl.concat([home_runs, _with_run_columns(shared)], how="diagonal"), RUN),
        conflicts=conflicts.select(list(CONFLICT_SCHEMA)).sort(["system_id", "combiner_id", "column"]),
    )
    duplicates = same.select(ROW_NUMBER, pl.col("first_row").alias("same_as_row")).cast(pl.Schema(DUPLICATE_SCHEMA))
    return Split(tables, _taken_keys(other, key_header), duplicates.sort(ROW_NUMBER))


def _in_order(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    return frame.select(list(table_schema_of(table))).sort(list(table.key))


def _with_run_columns(shared: pl.DataFrame) -> pl.DataFrame:
    return shared.with_columns(pl.lit(None, dtype=pl.String).alias("circuit_id"))


def _repeats(rows: pl.DataFrame) -> pl.DataFrame:
    """Return rows whose key stands on an earlier row, with that row's number and content."""
    key = ["system_id", "circuit_id"]
    repeated = rows.select(ROW, ROW_NUMBER, CONTENT, *key).filter(pl.struct(key).is_duplicated())
    ordered = repeated.sort(ROW)
    told = ordered.with_columns(
        pl.col(ROW_NUMBER).first().over(key).alias("first_row"),
        pl.col(CONTENT).first().over(key).alias("first_content"),
        pl.col(ROW).first().over(key).alias("first"),
    )
    return told.filter(pl.col(ROW) != pl.col("first"))


def _taken_keys(rows: pl.DataFrame, key_header: str) -> pl.DataFrame:
    circuit = pl.coalesce("circuit_id", pl.lit("(none)"))
    return rows.select(
        ROW_NUMBER,
        pl.lit(key_header).alias("column"),
        pl.lit("circuit_id").alias("canonical"),
        pl.col("circuit_id").alias("raw"),
        pl.lit("primary-key").alias("code"),
        pl.format(
            "system {} circuit {} already stands on row {} with other values", "system_id", circuit, "first_row"
        ).alias("sentence"),
    ).cast(pl.Schema(FAULT_SCHEMA))


def merge_facts(frame: pl.DataFrame, key: Sequence[str], facts: Sequence[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return one row for each key, with its least `source_row`, and the conflicts among its rows.

    A fact is the one value its rows state, or null where they state several. Conflicts have the key's columns,
    `column`, `values` and `rows`.
    """
    columns = [*key, *facts, SOURCE_ROW]
    repeated = pl.struct(key).is_duplicated() if len(key) > 1 else pl.col(key[0]).is_duplicated()
    several = frame.filter(repeated)
    none = pl.DataFrame(schema={name: frame.schema[name] for name in key} | _conflict_tail())
    if not several.height:
        return frame.select(columns), none
    # Least and greatest agree exactly when all stated values do; both skip nulls.
    ends = several.group_by(key).agg(
        pl.col(SOURCE_ROW).min(),
        *(pl.col(fact).min().alias(fact) for fact in facts),
        *(pl.col(fact).max().alias(f"{fact}|greatest") for fact in facts),
    )
    disagree = [fact for fact in facts if ends.select((pl.col(fact) != pl.col(f"{fact}|greatest")).any()).item()]
    merged = ends.with_columns(
        pl.when(pl.col(fact) == pl.col(f"{fact}|greatest")).then(pl.col(fact)) for fact in disagree
    )
    conflicts = [_conflicts_of(several, ends, key, fact) for fact in disagree]
    once = frame.filter(~repeated)
    return pl.concat([once.select(columns), merged.select(columns)]), pl.concat([none, *conflicts])


def _conflict_tail() -> dict[str, pl.DataType]:
    return {name: CONFLICT_SCHEMA[name] for name in ("column", "values", "rows")}


def _conflicts_of(several: pl.DataFrame, ends: pl.DataFrame, key: Sequence[str], fact: str) -> pl.DataFrame:
    keys = ends.filter(pl.col(fact) != pl.col(f"{fact}|greatest")).select(key)
    stated = several.join(keys, on=key, nulls_equal=True).filter(pl.col(fact).is_not_null())
    values = stated.group_by([*key, fact]).agg(pl.col(SOURCE_ROW).min()).sort([*key, SOURCE_ROW, fact])
    told = values.group_by(key, maintain_order=True).agg(
        pl.col(fact).cast(pl.String).alias("values"), pl.col(SOURCE_ROW).alias("rows")
    )
    return told.select(*key, pl.lit(fact).alias("column"), "values", "rows")


def _named_by_role(conflicts: pl.DataFrame) -> pl.DataFrame:
    """Return conflicts of shared runs with their simple column name, such as feeder_length_m."""
    return conflicts.select(
        "system_id",
        "combiner_id",
        pl.concat_str(pl.col("role").str.replace_all(" ", "_"), pl.lit("_"), "column").alias("column"),
        "values",
        "rows",
    )

"""Rows that say different things of one system, circuit, run or unit: what stands, what is missing, what is told.

A fact is the one value that its rows state. Where they state several it is missing, and each value is kept with the
first row that states it. An empty cell disagrees with nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from auditor.records.frames import CONFLICT_SCHEMA, SOURCE_ROW
from auditor.records.parts import ROW, RUN_FACTS
from auditor.records.schema import CIRCUIT, RUN, UNIT

_OWNER = ("system_id", "circuit_id")
#: Rows of several sheets or files are merged with so much added to the `source_row` of those of the second, twice as
#: much to the third, and so on: `tell_places` says which is which.
APART = 1 << 32
_CIRCUIT_FACTS = tuple(c.name for c in CIRCUIT.columns if c.name not in CIRCUIT.key)
_UNIT_FACTS = tuple(c.name for c in UNIT.columns if c.name not in UNIT.key)
#: What a missing fact would be worked out from: where rows disagree on the first, the second settles nothing.
_WORKED_OUT = (("inverter_count", "arm_counts"), ("arm_counts", "feed"))


def merge_facts(frame: pl.DataFrame, key: Sequence[str], facts: Sequence[str]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return one row for each key, with its least `source_row`, and the conflicts among its rows.

    Conflicts have the key's columns, `column`, `values` and `rows`.
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
    return _told(stated.select(*key, _text(stated, fact).alias("values"), SOURCE_ROW), key, fact)


def _text(frame: pl.DataFrame, fact: str) -> pl.Expr:
    """A fact as people write it: 20, not 20.0."""
    text = pl.col(fact).cast(pl.String)
    return text.str.strip_suffix(".0") if frame.schema[fact].is_float() else text


def _told(stated: pl.DataFrame, key: Sequence[str], column: str) -> pl.DataFrame:
    """Return one conflict for each key of the key's columns, `values` (texts) and `source_row`."""
    values = stated.group_by([*key, "values"]).agg(pl.col(SOURCE_ROW).min()).sort([*key, SOURCE_ROW, "values"])
    told = values.group_by(key, maintain_order=True).agg("values", pl.col(SOURCE_ROW).alias("rows"))
    return told.select(*key, pl.lit(column).alias("column"), "values", "rows")


def merge_circuits(
    circuits: pl.DataFrame, home_runs: pl.DataFrame, units: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return circuits, home runs and units with one row for each key, and all conflicts among them.

    Each frame has `row`, `source_row` and the columns of its table.
    """
    circuits, told = merge_facts(circuits, CIRCUIT.key, _CIRCUIT_FACTS)
    for fact, other in _WORKED_OUT:
        lost = told.filter(column=fact).select(*_OWNER, pl.lit(True).alias("lost"))
        circuits = circuits.join(lost, on=_OWNER, how="left")
        circuits = circuits.with_columns(pl.when(pl.col("lost").is_null()).then(other).alias(other)).drop("lost")
    runs, of_runs = _merge_lists(home_runs, RUN.key, RUN_FACTS, "length_m")
    listed, of_units = _merge_lists(units, UNIT.key, _UNIT_FACTS, "inverter_count")
    unit_column = pl.format("unit_{}_{}", "unit_order", "column").alias("column")
    conflicts = [told, name_by_role(of_runs), of_units.with_columns(unit_column).drop("unit_order")]
    return circuits, runs, listed, pl.concat(conflicts, how="diagonal")


def _merge_lists(
    frame: pl.DataFrame, key: Sequence[str], facts: Sequence[str], decisive: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Merge the runs or units that several rows list for one circuit.

    Of an item that one of the rows does not list, the decisive fact (how long, how many) is missing.
    """
    merged, conflicts = merge_facts(frame, key, facts)
    stating = frame.select(*_OWNER, ROW, SOURCE_ROW).unique()
    lacking = (
        frame.select(key)
        .unique()
        .join(stating, on=_OWNER)
        .join(frame.select(*key, ROW), on=[*key, ROW], how="anti", nulls_equal=True)
    )
    if not lacking.height:
        return merged, conflicts
    gone = lacking.select(key).unique().with_columns(pl.lit(True).alias("gone"))
    merged = merged.join(gone, on=key, how="left", nulls_equal=True)
    merged = merged.with_columns(pl.when(pl.col("gone").is_null()).then(decisive).alias(decisive)).drop("gone")
    value = pl.coalesce(_text(frame, decisive), pl.lit("listed")).alias("values")
    listed = frame.join(gone, on=key, nulls_equal=True).select(*key, value, SOURCE_ROW)
    unlisted = lacking.select(*key, pl.lit("not listed").alias("values"), SOURCE_ROW)
    rest = conflicts.join(
        gone.with_columns(pl.lit(decisive).alias("column")), [*key, "column"], "anti", nulls_equal=True
    )
    return merged, pl.concat([rest, _told(pl.concat([listed, unlisted]), key, decisive)])


def name_by_role(conflicts: pl.DataFrame) -> pl.DataFrame:
    """Return conflicts of runs with a column as the simple file names it, such as feeder_length_m.

    The second of runs in series reads home_run_2_length_m.
    """
    return conflicts.with_columns((role_prefix() + pl.col("column")).alias("column")).drop("role", "run_order")


def role_prefix() -> pl.Expr:
    """Return what stands before the column of a run of this `role` and `run_order`, such as feeder_."""
    order = pl.when(pl.col("run_order") > 1).then(pl.format("{}_", "run_order")).otherwise(pl.lit(""))
    return pl.concat_str(pl.col("role").str.replace_all(" ", "_"), pl.lit("_"), order)


def tell_places(conflicts: pl.DataFrame, places: Mapping[int, tuple[str | None, str | None]]) -> pl.DataFrame:
    """Return conflicts with the file and sheet of each row; `places` has them by how often `APART` was added to it."""
    which, row = pl.element() // APART, pl.element() % APART

    def named(at: int) -> pl.Expr:
        names = [place[at] for place in places.values()]
        name = which.replace_strict(list(places), names, default=None, return_dtype=pl.String)
        return pl.col("rows").list.eval(name)

    return conflicts.with_columns(
        pl.col("rows").list.eval(row),
        named(1).alias("sheets"),
        named(0).alias("files"),
    )


def in_order(conflicts: pl.DataFrame) -> pl.DataFrame:
    """Return conflicts with the columns of their schema, sorted."""
    whole = pl.concat([pl.DataFrame(schema=CONFLICT_SCHEMA), conflicts], how="diagonal")
    return whole.sort(["system_id", "circuit_id", "combiner_id", "column"])

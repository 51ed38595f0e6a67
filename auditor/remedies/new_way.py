"""The way that a home run grows by where a branch is fed elsewhere: told by the user, or else along the cable.

No record holds it. From the point where a branch is fed now to one k units further on, the way along the cable has k
sections and the extra cable between. That is an assumption, named where a figure rests on it; a straighter way is
shorter. Of a home run in several pieces the one with the most resistance a metre is taken to grow.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Records
from auditor.prepare.layout import extra_pieces
from auditor.prepare.runs import prepare_runs
from auditor.remedies.base import Situation, altered, told

_KEYS = ["system_id", "circuit_id"]

#: Ways that were told: metres of the home run's way to the new point, by circuit.
WAY: dict[str, pl.DataType] = {"system_id": pl.String(), "circuit_id": pl.String(), "way_m": pl.Float64()}


def with_ways(frame: pl.DataFrame, situation: Situation) -> pl.DataFrame:
    """Add `way_m` [m] and `way_given` to circuits that are fed after `k` units, and after `now` of them before.

    `frame` has `section_m` and `extra_trunk`; an extra piece after a unit lies behind the point after that unit.
    """
    low, high = pl.min_horizontal("k", "now"), pl.max_horizontal("k", "now")
    keys = [*_KEYS, "k"]
    between = extra_pieces(frame).filter((pl.col("after") >= low) & (pl.col("after") < high))
    between = between.group_by(keys).agg(pl.col("extra_m").sum().alias("_extra_m"))
    given = pl.DataFrame(schema=WAY) if situation.ways is None else situation.ways
    frame = frame.join(between, on=keys, how="left", maintain_order="left")
    frame = frame.join(given.rename({"way_m": "_told_m"}), on=_KEYS, how="left", maintain_order="left")
    along = (high - low) * pl.col("section_m") + pl.col("_extra_m").fill_null(0.0)
    return frame.with_columns(
        pl.coalesce("_told_m", along).alias("way_m"), pl.col("_told_m").is_not_null().alias("way_given")
    ).drop("_extra_m", "_told_m")


def growing_pieces(situation: Situation) -> pl.DataFrame:
    """The piece of each home run that grows: keys, `run_order`, `size`, `material`; the worst that is no mere number.

    Pieces without a length stand back behind those with one.
    """
    rows = situation.records.run.filter(pl.col("role") == "home run")
    known = prepare_runs(rows.with_columns(pl.lit(1.0).alias("length_m")), situation.catalog, situation.policy)
    rows = rows.with_columns(known["material"], known["r_ohm"])
    short = (pl.col("length_m") == 0).fill_null(False)
    rows = rows.sort(
        *_KEYS, short, "r_ohm", "run_order", descending=[False, False, False, True, False], nulls_last=True
    )
    return rows.unique(_KEYS, keep="first", maintain_order=True).select(*_KEYS, "run_order", "size", "material")


def lengthened(records: Records, change: pl.DataFrame) -> pl.DataFrame:
    """The runs with `way_m` more of the piece `run_order` of each circuit's home run that `change` names."""
    rows = change.drop_nulls("run_order").with_columns(pl.lit("home run").alias("role"))
    keys = [*_KEYS, "role", "run_order"]
    held = records.run.select(*keys, "length_m")
    rows = rows.join(held, on=keys, how="inner", maintain_order="left")
    longer = rows.with_columns(longer=pl.col("length_m") + pl.col("way_m"))
    return altered(records.run, longer, keys, {"length_m": "longer"})


def added_wire(change: pl.DataFrame, run_of: str) -> pl.DataFrame:
    """WIRE rows for what home runs grow by, of the conductor of the piece that grows."""
    rows = change.filter(pl.col("way_m") > 0)
    return rows.with_columns(
        pl.lit("home run").alias("place"), pl.col(run_of).alias("run_of"), pl.col("way_m").alias("length_m")
    )


def told_ways(rows: pl.DataFrame) -> pl.DataFrame:
    """By system, what is said of the ways: `new_way`, and `home_run_may_grow_m`, the least over its circuits.

    `rows` has a circuit each with `way_m`, `way_given`, `may_grow_m` (null where it is unknown) and the rise after.
    """
    may, way = pl.col("may_grow_m"), pl.col("way_m").round(1)
    enough = (
        pl.when(may.is_null())
        .then(pl.lit("how long it may be at most is not known"))
        .when(may < 0)
        .then(pl.lit("not enough however short it is"))
        .otherwise(pl.format("enough only if it is under {} m", may.round(1)))
    )
    taken = (
        pl.when("way_given")
        .then(pl.format("it is {} m as told", way))
        .otherwise(pl.format("along the cable, as is assumed here, it is {} m", way))
    )
    words = pl.format("new way of circuit {}: {}; {}", "circuit_id", enough, taken)
    known = may.is_not_null().all() & (may.min() >= 0)
    return rows.group_by("system_id", maintain_order=True).agg(
        told(words, ". ").alias("new_way"),
        pl.when(known).then(may.min()).alias("home_run_may_grow_m"),
        pl.col("way_given").all().alias("ways_given"),
    )

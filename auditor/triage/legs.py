"""Which conductors a reading lies between, and how far the neutral has moved off the middle of the legs.

A meter reads magnitudes. With legs of equal size E at angles θᵢ and the neutral shifted by d at an angle φ, each leg
reads E − d·cos(φ − θᵢ) to first order, so that what they differ from their mean gives the shift back:
Σ(vᵢ − v̄)² = d²·Σcos²(φ − θᵢ), which is 2·d² on the two legs of a split winding and 3/2·d² on three phases ([1]_: the
voltage between neutral and star point). Of three phases two tell no more than that it is at least so much.

References
----------
.. [1] J. D. Glover, M. S. Sarma and T. J. Overbye, Power System Analysis and Design, 5th ed. (2012), 2.5, balanced
   three-phase circuits: line-to-neutral voltages and the neutral as their common point.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import polars as pl

#: A conductor as people and standards name it: L1, 1, A, and S1 or X1 of a split winding.
_LINE = "(?:L[123]?|[123ABC]|[SX][12])"
TO_NEUTRAL, BETWEEN_LINES = f"^{_LINE}-?N$", f"^{_LINE}-?{_LINE}$"
_NUMBER = {"A": "1", "B": "2", "C": "3"}
LINES = (1, 2, 3)
#: Σcos² of the legs' angles against any shift of the neutral that they can tell, by the number of legs of a service.
_SUM_OF_SQUARES = {2: 2.0, 3: 1.5}
#: A voltage whose conductors are not named belongs to the nominal one that it lies so near to [share of it].
NEAR = (0.8, 1.2)
#: Legs that one meter reads one after the other, so near each other, are one reading of the neutral [s].
TOGETHER_S = 300.0
#: Where a leg was read.
POINT = ("place", "circuit_id", "unit")


def to_neutral() -> pl.Expr:
    """Whether a reading is of a leg to neutral."""
    return pl.col("leg").str.contains(TO_NEUTRAL).fill_null(False)


def nominal_v(unit_v: float | None, leg_v: float | None, line_v: float | None) -> pl.Expr:
    """The nominal voltage of a reading [V]: of the conductors that it names, else across the unit's terminals.

    Where the name says nothing, the one that the reading lies near to; null where there is none.
    """
    unit, leg, line = (pl.lit(volts, pl.Float64) for volts in (unit_v, leg_v, line_v))
    near = [pl.when((pl.col("mean_v") / volts).is_between(*NEAR)).then(volts) for volts in (unit, leg, line)]
    return (
        pl.when(to_neutral()).then(leg)
        .when(pl.col("leg").str.contains(BETWEEN_LINES)).then(line)
        .when(pl.col("leg").is_null()).then(unit)
        .otherwise(pl.coalesce(near))
    )  # fmt: skip


def neutral_shifts(legs: pl.DataFrame, lines: int, drift_pct: Callable[[pl.Expr], pl.Expr]) -> pl.DataFrame:
    """How far the neutral stands off the middle at each point and time, and has moved since the reading before.

    legs are rows of `contrasts.in_percent` to neutral, `lines` the legs of the service. Legs that one meter read one
    after the other belong together within TOGETHER_S and with the solar alike; `drift_pct` is what the supply may move
    by in so many seconds [%], and counts as error, as does what a leg was seen to move by meanwhile. Readings of other
    instruments are not compared: what they differ by is theirs. Returns POINT, start, apart_s, moved_v, opposite (some
    legs rose while others fell), off_v (how far it stands off), error_v, and error_moved_v of both readings.
    """
    series = [*POINT, "instruments"]
    wide = _together(legs, drift_pct).sort(*series, "start")
    moves = [(pl.col(f"v{line}") - pl.col(f"v{line}").shift().over(series)).alias(f"d{line}") for line in LINES]
    return wide.with_columns(
        *moves,
        (pl.col("start") - pl.col("start").shift().over(series)).dt.total_seconds().alias("apart_s"),
        _shift("v", lines).alias("off_v"),
    ).select(
        *POINT, "start", "apart_s",
        _shift("d", lines).alias("moved_v"),
        ((pl.max_horizontal("d1", "d2", "d3") > 0) & (pl.min_horizontal("d1", "d2", "d3") < 0)).alias("opposite"),
        "off_v",
        "error_v",
        pl.max_horizontal("error_v", pl.col("error_v").shift().over(series)).alias("error_moved_v"),
    )  # fmt: skip


def _together(legs: pl.DataFrame, drift_pct: Callable[[pl.Expr], pl.Expr]) -> pl.DataFrame:
    """Legs side by side, v1 to v3 [V], with POINT, instruments, start and error_v; at least two of them in each row."""
    number = pl.col("leg").str.head(-1).str.replace("-", "").str.tail(1).replace(_NUMBER)
    by = [*POINT, "instruments", "state"]
    moments = (
        legs.with_columns(number.alias("line"), pl.col("solar").fill_null("").alias("state"))
        .group_by(*POINT, "start", "state")
        .agg(
            *(pl.col("mean_v").filter(pl.col("line") == str(line)).mean().alias(f"v{line}") for line in LINES),
            pl.col("nominal_v").max(),
            (pl.col("bound_pct").max() / 100 * pl.col("nominal_v").max()).alias("error_v"),
            pl.col("instrument").fill_null("").unique().sort().alias("instruments"),
        )
        .with_columns(pl.col("instruments").list.join("\n"), *(pl.col(name).fill_null("") for name in POINT))
        .sort("start")
    )
    own = moments.with_columns(pl.lit(0.0).alias("apart_s"), pl.lit(0.0).alias("seen_v"))
    count = pl.sum_horizontal(pl.col(f"v{line}").is_not_null() for line in LINES)
    first = pl.coalesce(pl.when(pl.col(f"v{line}").is_not_null()).then(line) for line in LINES)
    # One row a round: legs that were read by themselves are gathered around the first of them.
    rounds = own.with_columns(first.alias("first"), count.alias("count")).filter(
        (pl.col("count") > 1) | (pl.col("first") == pl.col("first").min().over(by))
    )
    for line in LINES:
        rounds = _nearest(rounds, own, line, by)
    error = pl.col("error_v") + drift_pct(pl.col("apart_s")) / 100 * pl.col("nominal_v") + pl.col("seen_v")
    return (
        rounds.filter(count >= 2)
        .with_columns(error.alias("error_v"), *(pl.when(pl.col(n) != "").then(pl.col(n)).alias(n) for n in POINT))
        .select(*POINT, "instruments", "start", "v1", "v2", "v3", "error_v")
    )


def _nearest(rounds: pl.DataFrame, moments: pl.DataFrame, line: int, by: list[str]) -> pl.DataFrame:
    """A leg that a round lacks, from its reading nearest in time; how far that lies off, and what it moved by since."""
    name = f"v{line}"
    read = moments.filter(pl.col(name).is_not_null()).select(
        *by, "start", pl.col("start").alias("at"), pl.col(name).alias("near_v"),
        pl.col("error_v").alias("near_error_v"),
    ).sort("start")  # fmt: skip
    within = timedelta(seconds=TOGETHER_S)
    again = [
        pl.when((pl.col("at").shift(step) - pl.col("at")).abs().over(by) <= within).then(
            (pl.col("near_v").shift(step) - pl.col("near_v")).abs().over(by)
        )
        for step in (1, -1)
    ]
    read = read.with_columns(pl.max_horizontal(again).fill_null(0.0).alias("moved_v"))
    found = rounds.join_asof(read, on="start", by=by, strategy="nearest", tolerance=within, check_sortedness=False)
    lacks = pl.col(name).is_null() & pl.col("near_v").is_not_null()
    apart_s = (pl.col("at") - pl.col("start")).dt.total_seconds().abs()
    return found.with_columns(
        pl.when(lacks).then("near_v").otherwise(name).alias(name),
        *(
            pl.when(lacks).then(pl.max_horizontal(old, new)).otherwise(old).alias(old)
            for old, new in (("apart_s", apart_s), ("seen_v", pl.col("moved_v")), ("error_v", pl.col("near_error_v")))
        ),
    ).drop("at", "near_v", "near_error_v", "moved_v")


def _shift(name: str, lines: int) -> pl.Expr:
    """The neutral's shift from what the legs differ from their mean."""
    values = [pl.col(f"{name}{line}") for line in LINES]
    mean = pl.mean_horizontal(values)
    return (pl.sum_horizontal((value - mean) ** 2 for value in values) / _SUM_OF_SQUARES[lines]).sqrt()

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


def neutral_shifts(legs: pl.DataFrame, lines: int) -> pl.DataFrame:
    """How far the neutral moved between readings of at least two legs at one point and time, the next such ones.

    legs are rows of `contrasts.in_percent` to neutral, `lines` the legs of the service. Readings of other instruments
    are not compared: what they differ by is theirs. Returns POINT, start, apart_s, moved_v, opposite (some legs rose
    while others fell), off_v (how far it stands off), error_v.
    """
    series = [*POINT, "instruments"]
    number = pl.col("leg").str.head(-1).str.replace("-", "").str.tail(1).replace(_NUMBER)
    wide = (
        legs.with_columns(number.alias("line"))
        .group_by(*POINT, "start")
        .agg(
            *(pl.col("mean_v").filter(pl.col("line") == str(line)).mean().alias(f"v{line}") for line in LINES),
            (pl.col("bound_pct").max() / 100 * pl.col("nominal_v").max()).alias("error_v"),
            pl.col("instrument").fill_null("").unique().sort().alias("instruments"),
        )
        .filter(pl.sum_horizontal(pl.col(f"v{line}").is_not_null() for line in LINES) >= 2)
        .with_columns(pl.col("instruments").list.join("\n"))
        .sort(*series, "start")
    )
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
        pl.max_horizontal("error_v", pl.col("error_v").shift().over(series)).alias("error_v"),
    )  # fmt: skip


def _shift(name: str, lines: int) -> pl.Expr:
    """The neutral's shift from what the legs differ from their mean."""
    values = [pl.col(f"{name}{line}") for line in LINES]
    mean = pl.mean_horizontal(values)
    return (pl.sum_horizontal((value - mean) ** 2 for value in values) / _SUM_OF_SQUARES[lines]).sqrt()

"""Feed a branch from its centre, or from the point where the worst unit has it best.

What
    Cuts the trunk cable of the circuits that miss the target and feeds both arms from a junction box between them: at
    the middle of the cable, and at the best point where extra cable between roofs makes that another one.

Formula
    An arm has a rise that goes with its moment: the sum over its sections of length times current beyond, which is the
    sum over its units of current times way. With f the first section, s a section and E extra cable, an arm of m units
    that are alike has m f + s m(m-1)/2 + the sum of E (units beyond). Of all points the one is best whose larger moment
    is least; units that differ count with the currents that the circuit lists. Where a connector has a resistance of
    its own, it counts as the length of cable that has as much. 16 units on one arm have 136 sections of unit current,
    two arms of eight 36.

Reference
    The sum of 1 to n; centre feeding is common practice.

What to verify first
    That the cable can be cut and fed there (parts listed for it), and how far the way to the new point is.

What cannot be checked
    The home run grows by the way to the new point, which no record holds. It is judged with its recorded length, and
    the length by which it may grow until the target is missed is told.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.terms import number
from auditor.prepare import Records
from auditor.prepare.layout import extra_pieces, listed_units
from auditor.remedies.base import MEETS, Proposal, Remedy, Situation, altered, listed, proposal

_KEYS = ["system_id", "circuit_id"]

#: How far a trunk's rise on three phases may be from going with its moment, as a share of the rise, to be tried.
SLACK = 0.1


def circuits(situation: Situation) -> pl.DataFrame:
    """The circuits that could be fed elsewhere: touched, laid out in one arm or two; with `n` units and `now`.

    `now` is the number of units before the point where they are fed now; `s` and `f` are a section and the first one
    as lengths [m] with the connector's resistance in them.
    """
    arms = pl.col("arms").list
    connector = number("connector_r_ohm") / number("trunk_r_ohm_per_m")
    first = pl.coalesce("first_section_m", "_first_m").cast(pl.Float64)
    usable = pl.col("touched") & pl.col("laid_out") & (arms.len() <= 2) & (pl.col("inverter_count") > 1)
    return situation.circuit.filter(usable.fill_null(False)).select(
        *_KEYS, "extra_trunk", "over", "wiring", "units_listed",
        number("trunk_rise_pct").alias("trunk_pct"),
        (number("rise_target_pct") - number("total_rise_pct")).alias("room_pct"),
        pl.col("inverter_count").alias("n"),
        pl.when(arms.len() == 2).then(arms.first()).otherwise(0).alias("now"),
        (number("section_m") + connector).alias("s"),
        (first + connector).alias("f"),
    )  # fmt: skip


def _with_currents(frame: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Every place to feed each circuit: `k` units before it; `amps` and `all_amps`, the current of those and of all
    units, and `lever` and `all_levers`, the sums of current times number along the cable.

    A circuit's units count as one each where it lists none; `listed` has `place` from 0 and `unit_current_a`.
    """
    units = listed.select(*_KEYS, pl.col("place").cast(pl.Int64).alias("k"), "unit_current_a")
    places = frame.with_columns(pl.int_ranges(0, pl.col("n")).alias("k")).explode("k")
    places = places.join(units, on=[*_KEYS, "k"], how="left", maintain_order="left")
    own = pl.when("units_listed").then("unit_current_a").otherwise(1.0)
    known = own.is_not_null().all().over(_KEYS)
    amps = pl.when(known).then(own)
    lever = amps * (pl.col("k") + 1)
    return places.with_columns(
        (amps.cum_sum().over(_KEYS) - amps).alias("amps"), amps.sum().over(_KEYS).alias("all_amps"),
        (lever.cum_sum().over(_KEYS) - lever).alias("lever"), lever.sum().over(_KEYS).alias("all_levers"),
    )  # fmt: skip


def _extras(places: pl.DataFrame) -> pl.DataFrame:
    """What extra cable adds to the moments of each place: `before` and `behind`."""
    extra = extra_pieces(places).filter(pl.col("after") < pl.col("n"))
    at = places.select(*_KEYS, pl.col("k").alias("after"), pl.col("amps").alias("_until"))
    extra = extra.join(at, on=[*_KEYS, "after"], how="left", maintain_order="left")
    before, metres, until = pl.col("after") < pl.col("k"), pl.col("extra_m"), pl.col("_until")
    return extra.group_by(*_KEYS, "k").agg(
        pl.when(before).then(metres * until).otherwise(0.0).sum().alias("before"),
        pl.when(before).then(0.0).otherwise(metres * (pl.col("all_amps") - until)).sum().alias("behind"),
    )


def moments(frame: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Every place to feed each circuit: `k` units before it, and `moment`, the larger of its arms' moments.

    `listed` holds the circuits' units where they list them, as `listed_units` returns them.
    """
    places = _with_currents(frame, listed)
    places = places.join(_extras(places), on=[*_KEYS, "k"], how="left", maintain_order="left")
    k, f, s = pl.col("k"), pl.col("f"), pl.col("s")
    amps, rest = pl.col("amps"), pl.col("all_amps") - pl.col("amps")
    behind = pl.col("all_levers") - pl.col("lever")
    first = amps * f + s * (k * amps - pl.col("lever")) + pl.col("before").fill_null(0.0)
    second = rest * f + s * (behind - (k + 1) * rest) + pl.col("behind").fill_null(0.0)
    larger = pl.max_horizontal(pl.when(k > 0).then(first).otherwise(0.0), second)
    return places.with_columns(pl.when(second.is_not_null()).then(larger).alias("moment"))


def propose(situation: Situation) -> Proposal:
    """The centre, and the best point where it is another one."""
    units = listed_units(situation.prepared.circuit, situation.records.unit, situation.catalog)
    places = moments(circuits(situation), units)
    moment, k, n = pl.col("moment"), pl.col("k"), pl.col("n")
    chosen = places.filter(moment.is_not_null()).with_columns(
        moment.filter(k == pl.col("now")).first().over(_KEYS).alias("_now"),
        moment.filter(k == (n + 1) // 2).first().over(_KEYS).alias("_centre"),
    )
    centre = chosen.filter((k == (n + 1) // 2) & (moment * MEETS < pl.col("_now")))
    best = chosen.filter((moment * MEETS < pl.col("_now")) & (k > 0)).sort(
        *_KEYS, "moment", (2 * k - n).abs(), k, descending=[False, False, False, False, True]
    )
    best = best.unique(_KEYS, keep="first", maintain_order=True)
    other = best.filter(moment * MEETS < pl.col("_centre")).select("system_id").unique()
    best = best.join(other, on="system_id", how="semi", maintain_order="left")
    change = pl.concat(
        [
            centre.with_columns(pl.lit("centre").alias("variant"), pl.lit("centre").alias("new_feed"),
                                pl.lit(None, pl.String).alias("new_arms")),
            best.with_columns(pl.lit("best point").alias("variant"), pl.lit("arms").alias("new_feed"),
                              pl.format("{}+{}", k, n - k).alias("new_arms")),
        ]
    )  # fmt: skip
    # A trunk's rise goes with its moment: exactly on two conductors, about so on three phases.
    saved = pl.col("trunk_pct") * (1 - moment / pl.col("_now"))
    slack = pl.when(pl.col("wiring") == "single").then(0.0).otherwise(SLACK * pl.col("trunk_pct"))
    enough = pl.col("over").not_() | (saved + slack + MEETS - 1 >= -pl.col("room_pct"))
    change = change.with_columns(enough.fill_null(True).alias("enough"))
    words = pl.format("circuit {}: fed between units {} and {} of {}", "circuit_id", k, k + 1, n)
    return proposal(listed(change, words), change.select(*_KEYS, "variant", "new_feed", "new_arms"), grows=change)


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the new feed; the home runs keep their length."""
    circuit = altered(records.circuit, change, _KEYS, {"feed": "new_feed", "arm_counts": "new_arms"})
    return Records(records.system, circuit, records.unit, records.run)


REMEDY = Remedy(
    name="feed-point",
    title="Feed the branch from its centre or best point",
    effort="roof work",
    verify="That the trunk cable can be cut and fed there with listed parts; the way of the home run to that point.",
    unchecked="By how much the home run grows; it is judged with its recorded length.",
    propose=propose,
    apply=apply,
    then=("home-run-size", "feeder-size", "panel-connection"),
)

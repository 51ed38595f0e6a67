"""Two circuits in place of one.

What
    Parts the circuits that miss the target, or have too many inverters, into two: a circuit fed at its end in the
    middle of its cable, one fed between two arms at that point. Each half gets a home run and a breaker of its own, of
    the recorded sizes.

Formula
    The halves have the larger half of n units, rounded up, and the rest. Current-carrying conductors in a raceway grow
    by those of the new circuit (two, or three on three phases), for the parted circuit and for every circuit of the
    system that shares a raceway with others, since the records do not say with which. The sum of breakers on the busbar
    grows by the new breaker where the circuit does not go through a combiner. The audit then judges ampacity, breaker
    and busbar anew.

Reference
    NEC 310.15(C)(1) (conductors in a raceway), 705.12 (busbar).

What to verify first
    A free breaker position, on which side of the busbar; room in the raceway for another circuit.

What cannot be checked
    The second home run is judged with the length of the first; where a circuit was fed at its end it grows by the way
    to the middle, which no record holds. The length by which it may grow until the target is missed is told. On three
    phases both halves are taken to start on the same pair, which loads a shared feeder less evenly than the whole did.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.terms import number
from auditor.prepare import Records
from auditor.prepare.layout import extra_pieces
from auditor.remedies.base import Proposal, Remedy, Situation, altered, listed, proposal
from auditor.remedies.sizes import pieces

_KEYS = ["system_id", "circuit_id"]


def listed_apart(records: Records) -> pl.DataFrame:
    """The keys of circuits that list different units, or places of units."""
    several = (pl.len() > 1) | pl.col("position").is_not_null().any()
    return records.unit.group_by(_KEYS).agg(several.alias("_several")).filter("_several").select(_KEYS)


def _circuits(situation: Situation) -> pl.DataFrame:
    """The circuits that can be parted: `k` units in the first half of `n`, `turned` where its units run backwards.

    A circuit that lists different units, or places of units, is left out: which half has which is for a person to say.
    """
    arms = pl.col("arms").list
    crowded = pl.any_horizontal(
        (pl.col(f"{check}_verdict") == "fail").fill_null(False) for check in ("branch_unit_limit", "trunk_current")
    )
    usable = (pl.col("touched") | crowded) & pl.col("laid_out") & (arms.len() <= 2) & (pl.col("inverter_count") > 1)
    three = pl.col("three_phase_service") & pl.col("wiring").is_in(["pairs", "neutral"]).fill_null(False)
    n, two = pl.col("inverter_count"), arms.len() == 2
    frame = situation.circuit.join(listed_apart(situation.records), on=_KEYS, how="anti", maintain_order="left")
    return frame.filter(usable.fill_null(False)).select(
        *_KEYS, "extra_trunk", "breaker_a", "module_count", "combiner_id", "feeder_length_m",
        n.alias("n"),
        pl.when(two).then(arms.first()).otherwise((n + 1) // 2).alias("k"),
        two.alias("turned"),
        pl.when(three).then(3).otherwise(2).alias("conductors"),
    )  # fmt: skip


def _halves_of_extra(frame: pl.DataFrame) -> pl.DataFrame:
    """Extra cable of each half, counted from where that half is fed; a piece at the cut is in the second's first."""
    a, k, n = pl.col("after"), pl.col("k"), pl.col("n")
    rows = extra_pieces(frame)
    text = pl.format("{}@{}", "at", "extra_m")
    first = rows.with_columns(pl.when("turned").then(k - a).otherwise(a).alias("at")).filter(a < k)
    second = rows.with_columns((a - k).alias("at")).filter((a >= k) & (a < n))
    found = frame.select(_KEYS)
    for name, half in (("extra_first", first), ("extra_second", second)):
        joined = half.sort(*_KEYS, "at").group_by(_KEYS).agg(text.str.join(" + ").alias(name))
        found = found.join(joined, on=_KEYS, how="left", maintain_order="left")
    return frame.join(found, on=_KEYS, how="left", maintain_order="left")


def propose(situation: Situation) -> Proposal:
    """One candidate a system: every circuit that calls for it is parted."""
    frame = _halves_of_extra(_circuits(situation)).with_columns(
        pl.lit("two circuits").alias("variant"),
        pl.lit(True).alias("enough"),
        (pl.col("circuit_id") + " (2)").alias("new_id"),
    )
    taken = situation.records.circuit.select("system_id", pl.col("circuit_id").alias("new_id"))
    frame = frame.join(taken, on=["system_id", "new_id"], how="anti", maintain_order="left")
    direct = pl.col("combiner_id").is_null() & (number("feeder_length_m").fill_null(0.0) == 0)
    first = (pl.col("module_count") * pl.col("k") / pl.col("n")).round().cast(pl.Int64)
    change = frame.with_columns(
        pl.when(direct).then("breaker_a").otherwise(0.0).alias("on_busbar_a"),
        first.alias("modules_first"),
        (pl.col("module_count") - first).alias("modules_second"),
    )
    words = pl.format(
        "circuit {} of {} units parted into {} and {}, each with a home run and a breaker of its own",
        "circuit_id", "n", "k", pl.col("n") - pl.col("k"),
    )  # fmt: skip
    wire = change.select(*_KEYS, "variant", pl.col("new_id").alias("run_of")).join(
        pieces(situation, "home run", _KEYS), on=_KEYS, how="left", maintain_order="left"
    )
    wire = wire.with_columns(pl.lit("home run").alias("place"))
    parent = change.select("system_id", "variant", pl.col("new_id").alias("circuit_id"), parent_id="circuit_id")
    grows = change.filter(pl.col("turned").not_()).select("system_id", "variant", pl.col("new_id").alias("circuit_id"))
    return proposal(listed(change, words), change, wire, parent, grows)


def _parted(circuit: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """The circuits with the first halves in place of the whole, and the second halves behind them."""
    halves = change.with_columns(
        pl.lit("end").alias("feed"), pl.lit(None, pl.String).alias("arms"), (pl.col("n") - pl.col("k")).alias("rest"),
        pl.lit(None, pl.Float64).alias("stated"),
    )  # fmt: skip
    shared = {"feed": "feed", "arm_counts": "arms", "stated_rise_pct": "stated"}
    first = {"inverter_count": "k", "extra_trunk": "extra_first", "module_count": "modules_first"}
    second = {"inverter_count": "rest", "extra_trunk": "extra_second", "module_count": "modules_second"}
    own = circuit.join(change.select(*_KEYS, "new_id"), on=_KEYS)
    new = altered(own.drop("new_id"), halves, _KEYS, {**shared, **second})
    new = new.with_columns(own["new_id"].alias("circuit_id")).select(circuit.columns)
    return pl.concat([altered(circuit, halves, _KEYS, {**shared, **first}), new])


def _counted_again(circuit: pl.DataFrame, change: pl.DataFrame) -> pl.DataFrame:
    """Raceway conductors with those of the new circuits, wherever a raceway is shared."""
    more = change.group_by("system_id").agg(
        pl.col("conductors").sum().alias("_more"), pl.col("conductors").min().alias("_own")
    )
    halves = pl.concat([change.select(_KEYS), change.select("system_id", pl.col("new_id").alias("circuit_id"))])
    frame = circuit.join(more, on="system_id", how="left", maintain_order="left")
    frame = frame.join(halves.with_columns(pl.lit(True).alias("_half")), on=_KEYS, how="left", maintain_order="left")
    shares = pl.col("_half").fill_null(False) | (pl.col("raceway_conductors") > pl.col("_own")).fill_null(False)
    count = pl.when(shares).then(pl.col("raceway_conductors") + pl.col("_more")).otherwise("raceway_conductors")
    return frame.with_columns(count.alias("raceway_conductors")).select(circuit.columns)


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with both halves, their home runs and units, and what they add to the raceways and the busbar."""
    circuit = _counted_again(_parted(records.circuit, change), change)
    ids = change.select(*_KEYS, "new_id", (pl.col("n") - pl.col("k")).alias("rest"))

    def also(frame: pl.DataFrame) -> pl.DataFrame:
        new = frame.join(ids, on=_KEYS).with_columns(pl.col("new_id").alias("circuit_id"))
        return new.with_columns(pl.col("rest").alias("inverter_count")) if "inverter_count" in new.columns else new

    units = altered(records.unit, change, _KEYS, {"inverter_count": "k"})
    unit = pl.concat([units, also(records.unit).select(units.columns)])
    run = pl.concat([records.run, also(records.run).select(records.run.columns)])
    added = change.group_by("system_id").agg(pl.col("on_busbar_a").sum().alias("_added"))
    system = records.system.join(added, on="system_id", how="left", maintain_order="left")
    system = system.with_columns(
        (pl.col("busbar_breakers_a") + pl.col("_added").fill_null(0.0)).alias("busbar_breakers_a")
    ).select(records.system.columns)
    return Records(system, circuit, unit, run)


REMEDY = Remedy(
    name="split-branch",
    title="Two circuits in place of one",
    effort="new conductors",
    verify="A free breaker position, and on which side of the busbar; room in the raceway for another circuit; on three"
    " phases, that the second circuit starts on another pair.",
    unchecked="By how much the second home run is longer; raceway fill; whether units can be told apart by circuit.",
    propose=propose,
    apply=apply,
    then=("home-run-size", "feeder-size", "panel-connection"),
)

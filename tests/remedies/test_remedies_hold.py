"""What holds of remedies whatever the system: more copper never raises a rise, and no breaker grows."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from remedy_cases import AS_OF, catalog, circuit, records, run, system

from auditor.policy import load_policy
from auditor.prepare import Records
from auditor.remedies import REMEDIES
from auditor.remedies.candidates import first_laid
from auditor.remedies.judging import situated
from auditor.remedies.mending import work_out

WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}
SINGLE = {"service": "120/240"}, {"inverter_model": "Unit 240", "trunk_model": "Trunk 2"}
PAIRS = {"service": "208Y/120"}, {"inverter_model": "Unit 240", "trunk_model": "Trunk 4", "circuit_phases": "ABC"}
SIZES = ("12 AWG", "10 AWG", "8 AWG", "6 AWG")
#: A failing portfolio takes minutes to shrink, and says enough as it is.
GENERATE = (Phase.explicit, Phase.generate)
#: Rounding of the sums.
ROUNDING = 1e-9


@st.composite
def branches(draw: st.DrawFn) -> dict:
    """The facts of one circuit and its home run."""
    units = draw(st.integers(2, 25))
    extra = draw(st.sampled_from([None, None, f"{units // 2}@7", f"1@4 + {units - 1}@6"]))
    feed = draw(st.sampled_from(["end", "end", "arms"]))
    arms = f"{units - 1}+1" if feed == "arms" else None
    facts = {"inverter_count": units, "module_count": units, "feed": feed, "arm_counts": arms, "extra_trunk": extra}
    facts |= {
        "raceway_conductors": draw(st.sampled_from([None, 2, 6])),
        "ambient_c": draw(st.sampled_from([30.0, 44.0])),
    }
    sizes = draw(st.lists(st.sampled_from(SIZES), min_size=1, max_size=2))
    listed = [("Unit 225", units // 2), ("Unit 240", units - units // 2)] if draw(st.booleans()) else []
    return {"facts": facts, "length_m": draw(st.floats(20, 150)), "sizes": sizes, "listed": listed}


@st.composite
def portfolios(draw: st.DrawFn) -> Records:
    """Six systems of one to three circuits."""
    systems, circuits, runs, units = [], [], [], []
    for number in range(6):
        whose = {"system_id": f"S{number}"}
        of_system, of_circuit = draw(st.sampled_from([SINGLE, SINGLE, PAIRS]))
        factor = draw(st.sampled_from([{}, {}, {"power_factor": 0.95, "power_factor_mode": "injects"}]))
        systems.append(system(**{**whose, **of_system, **factor, "grid_profile": None}))
        for place, branch in enumerate(draw(st.lists(branches(), min_size=1, max_size=3)), 1):
            circuits.append(circuit(place, **{**branch["facts"], **of_circuit, **whose}))
            for order, size in enumerate(branch["sizes"], 1):
                length = branch["length_m"] / len(branch["sizes"])
                runs.append(
                    run("home run", place, **{"length_m": length, "size": size, "run_order": order}, **WIRES, **whose)
                )
            units += [
                {
                    **whose,
                    "circuit_id": str(place),
                    "unit_order": order,
                    "inverter_model": model,
                    "inverter_count": count,
                }
                for order, (model, count) in enumerate(branch["listed"], 1)
            ]
        runs.append(run("feeder", length_m=draw(st.sampled_from([0.0, 12.0, 60.0])), size="6 AWG", **WIRES, **whose))
    return records(systems, circuits, runs, units)


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    return catalog(tmp_path_factory.mktemp("catalog")).frames()


def never_raises_the_rise(frames, held):
    """Larger conductors, a centre feed to which the home run leads anyway, and two halves are never worse than before.

    On three phases both halves start on the same pair, so that what they share with others may carry more on it: there
    a split is held by its own parts alone, in the systems whose feeder has no length.
    """
    ways = held.circuit.select("system_id", "circuit_id", way_m=pl.lit(0.0))
    table = work_out(held, frames, load_policy(), AS_OF, ways=ways).table.filter(pl.col("rise_after_pct").is_not_null())
    feeders = held.run.filter((pl.col("role") == "feeder") & (pl.col("length_m") > 0))["system_id"].implode()
    pairs = held.system.filter(pl.col("service") == "208Y/120")["system_id"].implode()
    shared = pl.col("system_id").is_in(feeders) & pl.col("system_id").is_in(pairs)
    table = table.filter((pl.col("remedy").str.starts_with("split-branch") & shared).not_())
    worse = table.filter(pl.col("rise_after_pct") > pl.col("rise_before_pct") * (1 + ROUNDING))
    assert worse.height == 0, worse.select("system_id", "remedy", "done", "rise_before_pct", "rise_after_pct")
    loss = table.filter(pl.col("wire_loss_after_kwh") > pl.col("wire_loss_before_kwh") * (1 + ROUNDING))
    assert loss.height == 0
    met = table.filter(pl.col("meets_target"))
    assert (met["rise_after_pct"] <= met["rise_target_pct"] * (1 + ROUNDING)).all()
    assert not table.filter(pl.col("proposed") & pl.col("why_not").is_not_null()).height


@settings(max_examples=3, deadline=None, phases=GENERATE)
@given(portfolios())
def test_a_remedy_never_raises_the_rise(frames, held):
    never_raises_the_rise(frames, held)


@pytest.mark.long
@settings(max_examples=30, deadline=None, phases=GENERATE)
@given(portfolios())
def test_a_remedy_never_raises_the_rise_of_many_portfolios(frames, held):
    never_raises_the_rise(frames, held)


@settings(max_examples=3, deadline=None, phases=GENERATE)
@given(portfolios())
def test_what_is_laid_out_keeps_breakers_and_units(frames, held):
    """Candidates have the breakers and, over all their circuits, the units and modules of the recorded system."""
    root = situated(held, frames, load_policy(), AS_OF)
    laid = first_laid(held, [(remedy, remedy.propose(root)) for remedy in REMEDIES])
    parent = laid.parent.rename({"clone": "system_id"})
    rows = laid.records.circuit.join(laid.candidate.select(pl.col("clone").alias("system_id"), "root"), on="system_id")
    rows = rows.join(parent, on=["system_id", "circuit_id"], how="left")
    rows = rows.with_columns(pl.coalesce("parent_id", "circuit_id").alias("parent_id"))
    was = held.circuit.select(pl.col("system_id").alias("root"), pl.col("circuit_id").alias("parent_id"),
                              was_a="breaker_a")  # fmt: skip
    rows = rows.join(was, on=["root", "parent_id"], how="left")
    assert rows.filter(pl.col("breaker_a").ne_missing(pl.col("was_a"))).height == 0
    counts = [pl.col("inverter_count").sum(), pl.col("module_count").sum()]
    now = rows.group_by("system_id", "root").agg(counts).drop("system_id").unique()
    recorded = held.circuit.group_by(pl.col("system_id").alias("root")).agg(counts)
    assert now.join(recorded, on=["root", "inverter_count", "module_count"], how="anti").height == 0


@settings(max_examples=1, deadline=None, phases=GENERATE)
@given(portfolios())
def test_candidates_of_a_system_depend_on_its_own_records(frames, held):
    """One system by itself has the candidates that it has among others, to the last bit."""
    together = work_out(held, frames, load_policy(), AS_OF).table.drop("clone")
    only = held.system["system_id"][0]
    tables = (held.system, held.circuit, held.unit, held.run)
    alone = Records(*(table.filter(pl.col("system_id") == only) for table in tables))
    found = work_out(alone, frames, load_policy(), AS_OF).table.drop("clone")
    assert found.equals(together.filter(pl.col("system_id") == only))

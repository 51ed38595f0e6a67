"""Runs in several pieces, units that differ, the profile that a utility requires, and a safety call; by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from remedy_cases import candidates, circuit, home_run_m, of, run, system

from auditor.policy import Policy, load_policy
from auditor.policy.triage import RequiredProfile
from auditor.remedies import mending
from auditor.remedies.mending import CALLED, DOUBTFUL

WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}
#: Resistance of 8, 6 and 4 AWG stranded copper over that of 10 AWG, NEC Chapter 9 Table 8 [ohm per 1000 ft].
EIGHT, SIX, FOUR = 0.778 / 1.24, 0.491 / 1.24, 0.308 / 1.24


def test_a_home_run_in_two_pieces_is_enlarged_as_a_whole(tmp_path: Path) -> None:
    """By hand: 1.33 % in the trunk, 1.0 % in a piece of 10 AWG and 0.5 % in one of 8 AWG; the target leaves 0.67 %.

    One size up, 8 and 6 AWG: 1.0 x 0.778/1.24 + 0.5 x 0.491/0.778 = 0.627 + 0.316 = 0.943 %: too much. Two sizes up,
    6 and 4 AWG: 1.0 x 0.491/1.24 + 0.5 x 0.308/0.778 = 0.396 + 0.198 = 0.594 %: enough. A piece of no length is none.
    """
    pieces = [
        run("home run", 1, length_m=home_run_m(1.0), **WIRES),
        run("home run", 1, length_m=home_run_m(0.5) / EIGHT, size="8 AWG", **WIRES | {"run_order": 2}),
        run("home run", 1, length_m=0.0, size=None, material=None, **WIRES | {"run_order": 3}),
    ]
    found = candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], [*pieces, run("feeder", **WIRES)])
    row = of(found, "home-run-size")
    assert row["rise_before_pct"] == pytest.approx(1.33 + 1.5, rel=1e-6)
    assert row["rise_after_pct"] == pytest.approx(1.33 + SIX + 0.5 * FOUR / EIGHT, rel=1e-6)
    assert row["meets_target"] and row["helps"]
    assert "6 AWG in place of 10 AWG" in row["done"] and "4 AWG in place of 8 AWG" in row["done"]
    wire = found.wire.filter(clone=row["clone"])
    assert wire["size"].to_list() == ["6 AWG", "4 AWG"]
    assert wire["length_m"].to_list() == pytest.approx([home_run_m(1.0), home_run_m(0.5) / EIGHT])
    # A second circuit needs both pieces again, and nobody can say which of them grows by the way to the middle.
    split = of(found, "split-branch")
    assert found.wire.filter(clone=split["clone"])["size"].to_list() == ["10 AWG", "8 AWG"]
    assert split["home_run_may_grow_m"] is None


def test_each_piece_counts_with_its_own_part_of_the_rise(tmp_path: Path) -> None:
    """By hand: 0.25 % in 10 AWG and 0.75 % in 4 AWG, of which 0.67 % may stay.

    One size up, 8 and 3 AWG: 0.25 x 0.778/1.24 + 0.75 x 0.245/0.308 = 0.157 + 0.597 = 0.753 %: too much. Two sizes up,
    6 and 2 AWG: 0.25 x 0.491/1.24 + 0.75 x 0.194/0.308 = 0.099 + 0.472 = 0.571 %: enough.
    """
    pieces = [
        run("home run", 1, length_m=home_run_m(0.25), **WIRES),
        run("home run", 1, length_m=home_run_m(0.75) / FOUR, size="4 AWG", **WIRES | {"run_order": 2}),
    ]
    found = candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], [*pieces, run("feeder", **WIRES)])
    row = of(found, "home-run-size")
    assert row["rise_after_pct"] == pytest.approx(1.33 + 0.25 * SIX + 0.75 * 0.194 / 0.308, rel=1e-6)
    assert "2 AWG in place of 4 AWG" in row["done"]


def test_a_piece_of_unknown_size_leaves_the_run_as_it_is(tmp_path: Path) -> None:
    pieces = [
        run("home run", 1, length_m=home_run_m(1.0), **WIRES),
        run("home run", 1, length_m=30.0, size=None, **WIRES | {"run_order": 2}),
    ]
    found = candidates(tmp_path, [system()], [circuit(inverter_count=25, first_section_m=1.0)], pieces)
    row = of(found, "home-run-size")
    assert row["why_not"] == "circuit 1: size or material of its home run is not known"
    assert not row["proposed"] and not row["helps"] and row["effort"] is None and row["rise_after_pct"] is None
    assert found.table["candidate"].to_list() == [1, 2, 3, 4]  # what is not laid out comes last
    assert found.table["remedy"].to_list()[-1] == "home-run-size"


def test_what_none_of_them_mends_is_said(tmp_path: Path) -> None:
    """A string that is too high at the lowest temperature is nothing for wires, panel or settings."""
    runs = [run("home run", 1, length_m=1.0, **WIRES), run("feeder", **WIRES)]
    cold = candidates(tmp_path, [system(low_design_temp_c=-60.0)], [circuit(first_section_m=1.0)], runs)
    (row,) = cold.table.rows(named=True)
    assert row["remedy"] == "none" and row["why_not"].startswith("none of them mends module-cold-voltage")


def test_a_feeder_in_two_pieces_is_enlarged_as_a_whole(tmp_path: Path) -> None:
    """By hand: 1.33 + 0.2 in the circuit and 0.3 + 0.3 % in two pieces of 10 AWG; 0.47 of the 0.6 % may stay.

    One size up 0.6 x 0.778/1.24 = 0.376 %: enough.
    """
    runs = [
        run("home run", 1, length_m=home_run_m(0.2), **WIRES),
        *(run("feeder", length_m=home_run_m(0.3), **WIRES | {"run_order": order}) for order in (1, 2)),
    ]
    found = candidates(tmp_path, [system()], [circuit(first_section_m=1.0)], runs)
    row = of(found, "feeder-size")
    assert row["rise_after_pct"] == pytest.approx(1.53 + 0.6 * EIGHT, rel=1e-6) and row["meets_target"]
    assert row["done"].count("8 AWG in place of 10 AWG") == 2


def test_a_feeder_that_carries_too_little_though_the_rise_is_small(tmp_path: Path) -> None:
    """By hand: two circuits of 16 A, 1.25 x 32 = 40 A, on 10 AWG copper of 35 A at 75 °C; 8 AWG carries 50 A.

    NEC Table 310.16. Where there is no combiner the feeder is the system's, and has no name.
    """
    runs = [
        *(run("home run", number, length_m=1.0, **WIRES) for number in (1, 2)),
        run("feeder", length_m=1.0, **WIRES),
    ]
    circuits = [circuit(number, first_section_m=1.0, inverter_count=16) for number in (1, 2)]
    found = candidates(tmp_path, [system()], circuits, runs)
    row = of(found, "feeder-size")
    assert "8 AWG in place of 10 AWG" in row["done"] and row["mends"] == "feeder-ampacity" and row["helps"]


def test_two_feeders_that_carry_too_little_are_both_enlarged(tmp_path: Path) -> None:
    """By hand, as above: each combiner's 32 A need 40 A. 10 AWG carries 35 A, 8 AWG 50 A; 12 AWG 25 A, 10 AWG 35 A."""
    runs = [
        *(run("home run", number, length_m=1.0, **WIRES) for number in (1, 2, 3, 4)),
        *(run("feeder", length_m=1.0, size=size, **WIRES | {"combiner_id": name})
          for name, size in (("A", "10 AWG"), ("B", "12 AWG"))),
    ]  # fmt: skip
    circuits = [
        circuit(number, first_section_m=1.0, inverter_count=16, combiner_id="AB"[number > 2]) for number in range(1, 5)
    ]
    row = of(candidates(tmp_path, [system()], circuits, runs), "feeder-size")
    assert "feeder of combiner A: 8 AWG in place of 10 AWG" in row["done"]
    assert "feeder of combiner B: 8 AWG in place of 12 AWG" in row["done"]
    assert row["mends"] == "feeder-ampacity" and row["helps"]


def test_a_small_conductor_is_enlarged_until_its_breaker_may_protect_it(tmp_path: Path) -> None:
    """NEC 240.4(D): 15 A on 14 AWG copper, 20 A on 12, 30 A on 10. Under 25 A the next size is not enough."""
    home = run("home run", 1, length_m=1.0, size="14 AWG", **WIRES)
    facts = {"first_section_m": 1.0, "inverter_count": 4, "module_count": 4}
    for breaker_a, size in ((20.0, "12 AWG"), (25.0, "10 AWG")):
        found = candidates(tmp_path, [system()], [circuit(breaker_a=breaker_a, **facts)], [home, run("feeder")])
        assert f"{size} in place of 14 AWG" in of(found, "home-run-size")["done"]


def test_fewer_trips_count_though_another_check_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What mends the trips and leaves a cold string as it is helps; one trip-day a year is the bound."""
    was, judged = mending.before, mending.judged_candidates

    def after(*given: Any, **named: Any) -> Any:
        lot = judged(*given, **named)
        return replace(lot, table=lot.table.with_columns(trip_days=pl.lit(0.5)))

    monkeypatch.setattr(mending, "before", lambda root: was(root).with_columns(trip_days=pl.lit(5.0)))
    monkeypatch.setattr(mending, "judged_candidates", after)
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 1,
         "grid_profile": "AS/NZS 4777.2:2015"},
    ]  # fmt: skip
    runs = [run("home run", 1, length_m=1.0, **WIRES), run("feeder", **WIRES)]
    facts = {"first_section_m": 1.0, "inverter_count": 1, "module_count": 1}
    given = [system(low_design_temp_c=-60.0)], [circuit(**facts)], runs, units
    row = of(candidates(tmp_path, *given, cleared=["S"]), "grid-profile")
    assert "module-cold-voltage" in row["still_fails"] and row["mends"] == ""
    assert row["proposed"] and row["helps"]


def test_units_that_differ_count_with_their_own_currents(tmp_path: Path) -> None:
    """By hand: three units of 1.00 A, then two of 0.94 A, sections of 1 m.

    Fed at the centre (3|2) the first arm has 1 + 2 + 3 = 6 A m. Fed between units 2 and 3 (2|3) the arms have
    1 + 2 = 3 and 1.00 x 1 + 0.94 x 2 + 0.94 x 3 = 5.70 A m: that is the best point, though alike units tie there.
    """
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 3},
        {"system_id": "S", "circuit_id": "1", "unit_order": 2, "inverter_model": "Unit 225", "inverter_count": 2},
    ]
    facts = {"inverter_count": 5, "module_count": 5, "first_section_m": 1.0}
    home = [run("home run", 1, length_m=home_run_m(1.9, 4.88), **WIRES), run("feeder", **WIRES)]
    found = candidates(tmp_path, [system()], [circuit(**facts)], home, units)
    centre, best = found.table.filter(remedy="feed-point").rows(named=True)
    assert "between units 3 and 4" in centre["done"] and "between units 2 and 3" in best["done"]
    per_am = 2 * (0.0133 * 240 / (2 * 136)) / 240 * 100
    assert centre["rise_after_pct"] == pytest.approx(1.9 + 6.0 * per_am, rel=1e-6)
    assert best["rise_after_pct"] == pytest.approx(1.9 + 5.7 * per_am, rel=1e-6)
    # Larger conductors are sized by the circuit's own solution: 4.88 A over the home run.
    size = of(found, "home-run-size")
    end_fed = 1 + 2 + 3 + 0.94 * (4 + 5)
    assert size["rise_before_pct"] == pytest.approx(1.9 + end_fed * per_am, rel=1e-6)
    assert size["rise_after_pct"] == pytest.approx(1.9 * EIGHT + end_fed * per_am, rel=1e-6)


def requiring(profile: str) -> Policy:
    rules = load_policy()
    named = (RequiredProfile(utility="Vale Electric", grid_profile=profile),)
    return rules.model_copy(update={"triage": rules.triage.model_copy(update={"required_profile": named})})


FAILING = [run("home run", 1, length_m=home_run_m(0.8), **WIRES), run("feeder", **WIRES)]


@pytest.mark.parametrize(
    ("utility", "required", "expected"),
    [
        ("Vale Electric", "IEEE 1547-2018 Category III", "in place of"),
        ("Vale Electric", "ieee 1547-2018 category ii", None),
        ("Vale Electric", "No Such Profile", None),
        ("Hill Power", "IEEE 1547-2018 Category III", None),
        (None, "IEEE 1547-2018 Category III", None),
    ],
)
def test_the_required_profile_where_another_one_is_set(
    tmp_path: Path, utility: str | None, required: str, expected: str | None
) -> None:
    """Unknown stays unknown: no utility, none that the policy names, or a profile that the catalog lacks."""
    given = [system(utility=utility)], [circuit(first_section_m=1.0)], FAILING
    rows = candidates(tmp_path, *given, policy=requiring(required)).table.filter(remedy="grid-profile")
    assert rows.height == (expected is not None)
    if expected:
        row = rows.row(0, named=True)
        assert row["done"] == (
            "all units set to IEEE 1547-2018 Category III, which Vale Electric requires, in place of IEEE 1547-2018"
            " Category II"
        )
        assert not row["proposed"] and row["why_not"].startswith("neutral and connections first")
        cleared = candidates(tmp_path, *given, policy=requiring(required), cleared=["S"])
        assert of(cleared, "grid-profile")["proposed"]


def test_units_are_set_to_the_required_profile_and_not_to_the_recorded_one(tmp_path: Path) -> None:
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 15},
        {"system_id": "S", "circuit_id": "1", "unit_order": 2, "inverter_model": "Unit 240", "inverter_count": 1,
         "position": 16, "grid_profile": "AS/NZS 4777.2:2015"},
    ]  # fmt: skip
    given = [system(utility="Vale Electric")], [circuit(first_section_m=1.0)], FAILING, units
    found = candidates(tmp_path, *given, policy=requiring("IEEE 1547-2018 Category II"))
    assert of(found, "grid-profile")["done"] == (
        "the units that are set otherwise set to IEEE 1547-2018 Category II, which Vale Electric requires"
    )
    clone = of(found, "grid-profile")["clone"]
    assert found.records_of(clone, "S").unit["grid_profile"].null_count() == 2


@pytest.mark.parametrize(
    ("of_system", "of_unit", "odd"),
    [
        ("IEEE 1547-2018 Category II", "ieee 1547-2018  category ii", False),
        ("House Rules 7", "HOUSE RULES 7 ", False),
        ("House Rules 7", "House Rules 8", True),
    ],
)
def test_another_spelling_of_a_profile_is_no_other_profile(
    tmp_path: Path, of_system: str, of_unit: str, odd: bool
) -> None:
    """So it is with profiles that the catalog lacks."""
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 16,
         "grid_profile": of_unit},
    ]  # fmt: skip
    given = [system(grid_profile=of_system)], [circuit(first_section_m=1.0)], FAILING, units
    assert candidates(tmp_path, *given).table.filter(remedy="grid-profile").height == odd


def test_nothing_is_proposed_while_a_safety_call_stands(tmp_path: Path) -> None:
    given = [system()], [circuit(first_section_m=1.0)], FAILING
    table = candidates(tmp_path, *given, cleared=["S"], called=["S"]).table
    assert table.height and table["why_not"].unique().to_list() == [CALLED] and not table["helps"].any()
    assert candidates(tmp_path, *given, called=["T"]).table["proposed"].any()


def test_a_doubtful_record_is_verified_before_all(tmp_path: Path) -> None:
    given = [system()], [circuit(first_section_m=1.0)], FAILING
    sure, doubtful = (candidates(tmp_path, *given, doubtful=ids).table for ids in ((), ["S"]))
    assert doubtful["verify_first"].to_list() == [f"{DOUBTFUL} {text}" for text in sure["verify_first"]]
    assert doubtful.drop("verify_first").equals(sure.drop("verify_first"))

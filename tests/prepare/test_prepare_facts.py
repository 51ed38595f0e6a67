"""What is missing, derived or assumed, and what depends on it; figures by hand arithmetic."""

from __future__ import annotations

from pathlib import Path

import pytest
from prepare_cases import SECTION_OHM, circuit, judge, one, run, system

from auditor.checks.facts import BIT
from auditor.policy import load_policy

PER_M = 1.24 / 304.8  # ohm of 10 AWG copper, NEC Chapter 9 Table 8


def standard(length_m: float | None = 10.0) -> list[dict[str, object]]:
    return [run("home run", 1, length_m=length_m), run("feeder", length_m=5.0)]


def test_a_missing_home_run_length_is_unknown_and_says_where_it_fails(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit()], standard(None)))
    assert found["voltage_rise_verdict"] == "unknown"
    assert found["voltage_rise_missing"] == BIT["home_run_length_m"]
    assert found["home_run_rise_pct"] is None
    # 1.33 % in the trunk, the feeder's 5 m, and the rest for the home run; 16 A, two conductors, 240 V.
    per_m = 2 * 16 * PER_M / 240 * 100
    assert found["voltage_rise_fails_at"] == pytest.approx((2 - 1.33 - 5 * per_m) / per_m, rel=1e-9)
    assert found["terminal_v"] is None
    assert found["terminal_voltage_verdict"] == "unknown"


def test_the_length_at_which_it_fails_is_where_it_starts_to_fail(tmp_path: Path) -> None:
    unknown = one(judge(tmp_path, [system()], [circuit()], standard(None)))
    limit = unknown["voltage_rise_fails_at"]
    for length, verdict in ((limit * (1 - 1e-6), "pass"), (limit * (1 + 1e-6), "fail")):
        assert one(judge(tmp_path, [system()], [circuit()], standard(length)))["voltage_rise_verdict"] == verdict


def test_known_parts_over_the_target_fail_whatever_is_missing(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(inverter_count=20)], standard(None)))
    # 20 units: 210 section currents against 136, 1.33 % x 210/136 = 2.05 %.
    assert found["voltage_rise_verdict"] == "fail"
    absorbing = system(power_factor=0.95, power_factor_mode="absorbs")
    assert (
        one(judge(tmp_path, [absorbing], [circuit(inverter_count=20)], standard(None)))["voltage_rise_verdict"]
        == "unknown"
    )


def test_a_missing_fact_of_another_circuit_leaves_the_feeder_unknown_and_the_trunk_known(tmp_path: Path) -> None:
    circuits = [circuit(), circuit(2, inverter_model="Never heard of")]
    runs = [*standard(), run("home run", 2, length_m=4.0)]
    found = one(judge(tmp_path, [system()], circuits, runs))
    assert found["trunk_rise_pct"] == pytest.approx(1.33, rel=1e-9)
    assert found["feeder_rise_pct"] is None
    assert found["voltage_rise_verdict"] == "unknown"
    assert found["voltage_rise_missing"] == BIT["feeder_load"]
    assert found["branch_unit_limit_verdict"] == "pass"


def test_no_feeder_is_unknown_and_a_feeder_of_no_length_is_none(tmp_path: Path) -> None:
    home = run("home run", 1, length_m=10.0)
    assert one(judge(tmp_path, [system()], [circuit()], [home]))["voltage_rise_verdict"] == "unknown"
    bare = {"system_id": "S", "role": "feeder", "run_order": 1, "length_m": 0.0}
    found = one(judge(tmp_path, [system()], [circuit()], [home, bare]))
    assert found["feeder_rise_pct"] == 0.0
    assert found["voltage_rise_verdict"] == "pass"


def test_a_count_is_derived_from_arms_and_arms_that_disagree_are_missing(tmp_path: Path) -> None:
    arms = circuit(inverter_count=None, feed="arms", arm_counts="9 + 7")
    found = one(judge(tmp_path, [system()], [arms], standard()))
    assert found["inverter_count"] == 16
    assert found["trunk_rise_pct"] == pytest.approx(2 * SECTION_OHM * 45 / 240 * 100, rel=1e-9)
    clash = one(judge(tmp_path, [system()], [circuit(feed="arms", arm_counts="9+9")], standard()))
    assert clash["voltage_rise_verdict"] == "unknown"
    assert clash["voltage_rise_missing"] & BIT["arm_counts"]


def test_extra_trunk_counts_for_the_units_beyond_it(tmp_path: Path) -> None:
    plain = one(judge(tmp_path, [system()], [circuit()], standard()))
    longer = one(judge(tmp_path, [system()], [circuit(extra_trunk="10@4")], standard()))
    # Four metres more, four sections of resistance, under the current of six units.
    more = 2 * 6 * 4 * SECTION_OHM / 240 * 100
    assert longer["trunk_rise_pct"] - plain["trunk_rise_pct"] == pytest.approx(more, rel=1e-9)


def test_extra_trunk_in_an_arm_laid_backwards(tmp_path: Path) -> None:
    # Arms of 8: unit 1 is the outermost of the first. Between units 3 and 4, three units lie beyond.
    found = one(judge(tmp_path, [system()], [circuit(feed="centre", extra_trunk="3@4")], standard()))
    assert found["trunk_rise_pct"] == pytest.approx(2 * SECTION_OHM * (36 + 4 * 3) / 240 * 100, rel=1e-9)


def test_a_first_section_of_no_length(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(first_section_m=0.0)], standard()))
    assert found["trunk_rise_pct"] == pytest.approx(1.33 * 120 / 136, rel=1e-9)


def test_a_swapped_unit_counts_with_its_own_current_at_its_own_place(tmp_path: Path) -> None:
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 15},
        {
            "system_id": "S",
            "circuit_id": "1",
            "unit_order": 2,
            "inverter_model": "Unit 225",
            "inverter_count": 1,
            "position": 5,
        },
    ]
    found = one(judge(tmp_path, [system()], [circuit(inverter_model=None, inverter_count=None)], standard(), units))
    assert found["inverter_count"] == 16
    assert found["line_current_a"] == pytest.approx(15 + 0.94, rel=1e-12)
    # The unit at place 5 loads five sections with 0.06 A less.
    assert found["trunk_rise_pct"] == pytest.approx(2 * SECTION_OHM * (136 - 5 * 0.06) / 240 * 100, rel=1e-9)


def test_a_bare_power_factor_leaves_the_sign_missing(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system(power_factor=0.95)], [circuit()], standard()))
    assert found["voltage_rise_verdict"] == "unknown"
    assert found["voltage_rise_missing"] == BIT["power_factor_mode"]


def test_a_service_that_is_not_known_is_never_taken_for_the_nearest(tmp_path: Path) -> None:
    results = judge(tmp_path, [system(service="240/415")], [circuit()], standard())
    found = one(results)
    assert found["voltage_rise_verdict"] == "unknown"
    assert found["branch_unit_limit_verdict"] == "unknown"
    assert results.system["verdict"].to_list() == ["unknown"]


def test_a_count_above_the_ceiling_is_unknown_and_no_array_size(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(inverter_count=90_000)], standard()))
    assert found["branch_unit_limit_verdict"] == "unknown"
    assert found["voltage_rise_verdict"] == "unknown"


def test_a_system_without_circuits_is_unknown(tmp_path: Path) -> None:
    alone = judge(tmp_path, [system()], [], [])
    assert alone.system["verdict"].to_list() == ["unknown"]
    assert alone.circuit.height == 0


def test_parallel_sets_halve_the_rise(tmp_path: Path) -> None:
    one_set = one(judge(tmp_path, [system()], [circuit()], standard()))
    runs = [run("home run", 1, length_m=10.0, parallel_sets=2), run("feeder", length_m=5.0)]
    two_sets = one(judge(tmp_path, [system()], [circuit()], runs))
    assert two_sets["home_run_rise_pct"] == pytest.approx(one_set["home_run_rise_pct"] / 2, rel=1e-12)


def test_without_a_default_the_fact_is_missing_and_with_one_it_is_assumed(tmp_path: Path) -> None:
    policy = load_policy()
    runs = [run("home run", 1, length_m=10.0, material=None), run("feeder", length_m=5.0)]
    silent = one(judge(tmp_path, [system()], [circuit()], runs))
    assert silent["voltage_rise_missing"] == BIT["home_run_material"]
    told = policy.model_copy(update={"assume": policy.assume.model_copy(update={"material": "copper"})})
    assumed = one(judge(tmp_path, [system()], [circuit()], runs, policy=told))
    # 1.33 % in the trunk and 15 m of 10 AWG at 16 A.
    assert assumed["total_rise_pct"] == pytest.approx(1.33 + 15 * 2 * 16 * PER_M / 240 * 100, rel=1e-9)
    assert assumed["voltage_rise_assumed"] & BIT["home_run_material"]


def test_the_region_moves_the_target_and_where_it_starts(tmp_path: Path) -> None:
    policy = load_policy()
    region = type(policy).model_validate(
        policy.model_dump() | {"region": {"Hill": {"target_pct": 1.5, "starts_at": "point of supply"}}}
    )
    runs = [*standard(), run("service entrance", length_m=3.0, size="4/0 AWG", material="aluminium")]
    plain = one(judge(tmp_path, [system()], [circuit()], runs, policy=region))
    moved = one(judge(tmp_path, [system(region="Hill")], [circuit()], runs, policy=region))
    # 4/0 aluminium: 0.100 ohm per 1000 ft (NEC Chapter 9 Table 8), 16 A.
    entrance = 2 * 16 * 3 * 0.1 / 304.8 / 240 * 100
    assert moved["total_rise_pct"] - plain["total_rise_pct"] == pytest.approx(entrance, rel=1e-9)
    assert (moved["rise_target_pct"], moved["voltage_rise_verdict"]) == (1.5, "fail")
    assert plain["rise_target_pct"] == 2.0


AMBIENT = {"ambient_c": 36.0, "raceway_conductors": 2}


def test_a_sunlit_roof_adds_to_the_ambient_by_the_codes_edition(tmp_path: Path) -> None:
    # From memory: NEC 2017 and later, 310.15(B)(2): 33 °C where the raceway lies less than 23 mm (7/8 in) above a roof.
    # At 69 °C a 75 °C conductor has 0.33 (Table 310.15(B)(1)): 10 AWG copper 35 A x 0.33 = 11.55 A, less than 16 A.
    runs = [
        run("home run", 1, length_m=10.0, conductor_rating_c=75.0, terminal_rating_c=75.0),
        run("feeder", length_m=0.0),
    ]
    for clearance, verdict in ((None, "pass"), (10.0, "fail"), (23.0, "pass")):
        given = circuit(roof_clearance_mm=clearance, **AMBIENT)
        assert one(judge(tmp_path, [system()], [given], runs))["home_run_ampacity_verdict"] == verdict
    given = circuit(roof_clearance_mm=10.0, **AMBIENT)
    found = one(judge(tmp_path, [system(code_edition=None)], [given], runs))
    assert found["home_run_ampacity_verdict"] == "unknown"
    assert found["home_run_ampacity_missing"] & BIT["code_edition"]


def test_an_edition_older_than_the_ampacity_table_is_unknown(tmp_path: Path) -> None:
    runs = [run("home run", 1, length_m=10.0, conductor_rating_c=90.0), run("feeder", length_m=0.0)]
    for edition, verdict in (("2008", "unknown"), ("2011", "pass")):
        found = one(judge(tmp_path, [system(code_edition=edition)], [circuit(**AMBIENT)], runs))
        assert found["home_run_ampacity_verdict"] == verdict


def test_arms_that_are_not_known_leave_the_line_current_known(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(feed=None)], standard()))
    assert found["line_current_a"] == pytest.approx(16.0)
    assert found["trunk_rise_pct"] is None
    assert found["home_run_rise_pct"] is not None
    assert found["voltage_rise_missing"] == BIT["feed"]
    assert found["breaker_size_verdict"] == "pass"


def test_a_module_count_that_is_missing_is_named(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(module_count=None)], standard()))
    assert found["power_ratio_verdict"] == "unknown"
    assert found["power_ratio_missing"] == BIT["module_count"]

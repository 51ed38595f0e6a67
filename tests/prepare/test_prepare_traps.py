"""Records that look sound and are not: facts that cannot be believed, and codes by other names."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import prepare_cases
import pytest
from prepare_cases import EQUIPMENT, Row, circuit, judge, one, run, system

from auditor.checks.facts import BIT
from auditor.policy import load_policy
from auditor.prepare.codes import read_code

WIRES = [run("home run", 1, length_m=10.0), run("feeder", length_m=0.0)]
PANEL = {"busbar_a": 200.0, "main_breaker_a": 200.0, "connection_side": "load", "backfeed_position": "opposite end"}


@pytest.mark.parametrize(
    ("text", "name", "family", "year"),
    [
        ("NEC", "NEC", "NEC", None),
        ("NEC 2017", "NEC", "NEC", "2017"),
        ("nec2020", "NEC", "NEC", "2020"),
        ("NFPA 70", "NEC", "NEC", None),
        ("2020 National Electrical Code", "NEC", "NEC", "2020"),
        ("AS/NZS 3000:2018", "AS/NZS 3000", "IEC", "2018"),
        ("AS3000", "AS/NZS 3000", "IEC", None),
        ("BS7671:2018+A2", "BS 7671", "IEC", "2018"),
        ("IEC 60364", "IEC 60364", "IEC", None),
        ("VDE 0100", "DIN VDE 0100", "IEC", None),
        ("Necropolis bylaw", "Necropolis bylaw", None, None),
        ("CSA C22.1", "CSA C22.1", None, None),
        ("NFPA 704", "NFPA 704", None, None),
    ],
)
def test_codes_by_other_names(text: str, name: str, family: str | None, year: str | None) -> None:
    assert read_code(text) == (name, family, year)


def test_a_code_that_is_not_known_switches_no_check_off(tmp_path: Path) -> None:
    for code in ("CSA C22.1", "BS 7671", None):
        found = judge(tmp_path, [system(installation_code=code)], [circuit()], WIRES)
        assert one(found)["breaker_size_verdict"] == "unknown"
        assert one(found)["breaker_size_missing"] & BIT["installation_code"]
    named = judge(tmp_path, [system(installation_code="NFPA 70 (2020)", code_edition=None)], [circuit()], WIRES)
    assert one(named)["breaker_size_verdict"] == "pass"
    assert one(named)["current_coordination_verdict"] == "not applicable"


def test_a_sum_of_breakers_below_what_the_solar_needs_is_not_believed(tmp_path: Path) -> None:
    # 16 A x 1.25 = 20 A. NEC 705.12(B)(3)(3) in 2020 sums all breakers, load and supply.
    for total, verdict in ((15.0, "unknown"), (60.0, "pass")):
        panel = PANEL | {"backfeed_position": "main end", "busbar_breakers_a": total}
        found = judge(tmp_path, [system(**panel, other_sources_a=0.0)], [circuit()], WIRES).system.row(0, named=True)
        assert found["busbar_verdict"] == verdict


def test_a_main_larger_than_its_busbar_fails_whatever_adds_up(tmp_path: Path) -> None:
    panel = PANEL | {"main_breaker_a": 225.0, "busbar_breakers_a": 60.0}
    found = judge(tmp_path, [system(**panel)], [circuit()], WIRES).system.row(0, named=True)
    assert found["busbar_verdict"] == "fail"


def test_before_2014_the_recorded_breakers_count(tmp_path: Path) -> None:
    # NEC 2011 705.12(D)(2): the ratings of the devices. One circuit of 10 A on 20 A: 85 + 20 = 105 of 100 A.
    lone = system(
        **PANEL | {"busbar_a": 100.0, "main_breaker_a": 85.0, "backfeed_position": "main end"}, code_edition="2011"
    )
    found = judge(tmp_path, [lone], [circuit(inverter_count=10)], WIRES).system.row(0, named=True)
    assert (found["busbar_verdict"], found["busbar_value"]) == ("fail", 105.0)
    # Three of them: 40 A is the next size above 37.5 A, their breakers add up to 60 A; 240 A is allowed.
    three = [circuit(n, inverter_count=10) for n in (1, 2, 3)]
    runs = [*(run("home run", n, length_m=5.0) for n in (1, 2, 3)), run("feeder", length_m=0.0)]
    found = judge(tmp_path, [system(**PANEL, code_edition="2011")], three, runs).system.row(0, named=True)
    assert found["busbar_verdict"] == "unknown"
    assert found["busbar_missing"] & BIT["backfed_breaker"]


def with_equipment(monkeypatch: pytest.MonkeyPatch, old: str, new: str) -> None:
    assert old in EQUIPMENT
    monkeypatch.setattr(prepare_cases, "EQUIPMENT", EQUIPMENT.replace(old, new, 1))


def test_a_current_of_too_few_digits_gives_no_tolerance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_equipment(monkeypatch, '"240" = "1.00", "208" = "1.15"', '"240" = "1"')
    found = one(judge(tmp_path, [system()], [circuit(inverter_count=17)], WIRES))
    assert (found["unit_limit"], found["branch_unit_limit_verdict"]) == (16, "fail")
    assert found["unit_current_a"] == 1.0


def test_a_breaker_above_what_the_trunk_may_have_gives_no_more_units(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit(inverter_count=18, breaker_a=25.0)], WIRES))
    assert (found["unit_limit"], found["branch_unit_limit_verdict"]) == (16, "fail")


def test_a_missing_roof_clearance_is_assumed_and_said_or_unknown(tmp_path: Path) -> None:
    home = run("home run", 1, length_m=10.0, conductor_rating_c=90.0, terminal_rating_c=75.0)
    given = circuit(ambient_c=44.0, raceway_conductors=2)
    found = one(judge(tmp_path, [system()], [given], [home, WIRES[1]]))
    assert found["home_run_ampacity_verdict"] == "pass"
    assert found["home_run_ampacity_assumed"] & BIT["roof_clearance_mm"]
    policy = load_policy()
    strict = policy.model_copy(update={"assume": policy.assume.model_copy(update={"off_roof": False})})
    found = one(judge(tmp_path, [system()], [given], [home, WIRES[1]], policy=strict))
    assert found["home_run_ampacity_verdict"] == "unknown"


AUSTRALIA: Row = {"service": "230", "installation_code": "AS/NZS 3000:2018", "grid_profile": None}


def test_as_nzs_counts_the_rise_from_the_point_of_supply(tmp_path: Path) -> None:
    # AS/NZS 4777.1:2016 clause 3.3.3: 2 % from the point of supply to the inverter's terminals.
    mains = run("service entrance", length_m=40.0, size="6 mm2")
    found = one(judge(tmp_path, [system(**AUSTRALIA)], [circuit()], [*WIRES, mains]))
    assert found["rise_starts_at"] == "point of supply"
    assert found["total_rise_pct"] > found["trunk_rise_pct"] + found["home_run_rise_pct"]
    without = one(judge(tmp_path, [system(**AUSTRALIA)], [circuit(inverter_count=4)], WIRES))
    assert without["voltage_rise_verdict"] == "unknown"
    assert without["voltage_rise_missing"] & BIT["service_entrance_length_m"]


def test_small_conductors_in_parallel_have_no_ampacity(tmp_path: Path) -> None:
    home = run("home run", 1, length_m=10.0, size="12 AWG", parallel_sets=2, conductor_rating_c=90.0)
    found = one(judge(tmp_path, [system()], [circuit(ambient_c=30.0, raceway_conductors=2)], [home, WIRES[1]]))
    assert found["home_run_ampacity_verdict"] == "unknown"
    assert found["home_run_ampacity_missing"] & BIT["ampacity_table"]
    assert found["home_run_rise_pct"] is not None


@pytest.mark.parametrize("service", ["208Y/120", "480Y/277"])
def test_a_trunk_of_two_conductors_carries_no_three_phases(tmp_path: Path, service: str) -> None:
    model = "Unit N" if service == "480Y/277" else "Unit 240"
    given = circuit(inverter_model=model, circuit_phases="ABC")
    found = one(judge(tmp_path, [system(service=service)], [given], WIRES))
    assert found["voltage_rise_verdict"] == "unknown"
    assert found["voltage_rise_missing"] & BIT["trunk_spec"]


def test_a_region_may_set_the_top_of_its_supply(tmp_path: Path) -> None:
    policy = load_policy()
    told = type(policy).model_validate(policy.model_dump() | {"region": {"South": {"service_top_pu": 1.06}}})
    found = one(judge(tmp_path, [system(service="230", region="South")], [circuit()], WIRES, policy=told))
    assert found["service_top_v"] == pytest.approx(230 * 1.06)


def test_a_run_of_no_length_in_series_asks_for_no_wire(tmp_path: Path) -> None:
    bare: dict[str, Any] = {"system_id": "S", "circuit_id": "1", "role": "home run", "run_order": 2, "length_m": 0.0}
    home = run("home run", 1, length_m=10.0, conductor_rating_c=90.0)
    given = circuit(ambient_c=30.0, raceway_conductors=2)
    found = one(judge(tmp_path, [system()], [given], [home, bare, WIRES[1]]))
    assert found["home_run_ampacity_verdict"] == "pass"

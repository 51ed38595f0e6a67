"""Facts of common practice, through the whole audit. They carry no source but the trade's habit."""

from __future__ import annotations

from pathlib import Path

import pytest
from prepare_cases import circuit, judge, one, run, system

#: One-way metres of 10 AWG copper (1.24 ohm per 1000 ft, NEC Chapter 9 Table 8) that raise 240 V by 0.8 % at 16 A.
HOME_RUN_M = 0.008 * 240 / (2 * 16) / (1.24 / 304.8)


def wires(count: int = 1, length_m: float = HOME_RUN_M) -> list[dict[str, object]]:
    return [*(run("home run", n + 1, length_m=length_m) for n in range(count)), run("feeder", length_m=0.0)]


@pytest.mark.parametrize(
    ("model", "service", "trunk", "most"),
    [
        ("Unit 240", "120/240", "Trunk 2", 16),
        ("Unit 240", "208Y/120", "Trunk 4", 24),
        ("Unit 225", "120/240", "Trunk 2", 17),
        ("Unit 225", "208Y/120", "Trunk 4", 25),
    ],
)
def test_the_most_units_on_a_20_a_breaker(tmp_path: Path, model: str, service: str, trunk: str, most: int) -> None:
    for count, verdict in ((most, "pass"), (most + 1, "fail")):
        given = circuit(inverter_model=model, inverter_count=count, trunk_model=trunk)
        found = one(judge(tmp_path, [system(service=service)], [given], wires()))
        assert (found["unit_limit"], found["branch_unit_limit_verdict"]) == (most, verdict)


def test_a_unit_of_240_w_gives_one_ampere_at_240_v(tmp_path: Path) -> None:
    assert one(judge(tmp_path, [system()], [circuit()], wires()))["unit_current_a"] == 1.0


def test_a_trunk_of_16_units_has_a_quarter_of_its_rise_when_fed_in_the_centre(tmp_path: Path) -> None:
    end = one(judge(tmp_path, [system()], [circuit()], wires()))
    centre = one(judge(tmp_path, [system()], [circuit(feed="centre")], wires()))
    assert end["trunk_rise_pct"] == pytest.approx(1.33, rel=1e-9)
    assert centre["trunk_rise_pct"] == pytest.approx(0.35, abs=0.005)


def test_1_33_and_0_8_percent_miss_the_target_and_a_centre_feed_mends_it(tmp_path: Path) -> None:
    end = one(judge(tmp_path, [system()], [circuit()], wires()))
    assert end["total_rise_pct"] == pytest.approx(2.13, rel=1e-9)
    assert end["voltage_rise_verdict"] == "fail"
    centre = one(judge(tmp_path, [system()], [circuit(feed="centre")], wires()))
    assert centre["total_rise_pct"] == pytest.approx(0.352 + 0.8, abs=0.0005)
    assert centre["voltage_rise_verdict"] == "pass"


def test_a_60_cell_module_of_300_w_suits_a_unit_of_240_w(tmp_path: Path) -> None:
    found = one(judge(tmp_path, [system()], [circuit()], wires()))
    checks = ("module_cold_voltage", "module_input_window", "module_input_current", "power_ratio")
    assert {found[f"{check}_verdict"] for check in checks} == {"pass"}


def test_a_20_a_breaker_suits_a_12_awg_trunk_and_25_a_does_not(tmp_path: Path) -> None:
    for breaker, verdict in ((20.0, "pass"), (25.0, "fail")):
        found = one(judge(tmp_path, [system()], [circuit(breaker_a=breaker)], wires()))
        assert found["breaker_size_verdict"] == verdict

"""Truth tables of rise, terminal voltage, coordination, imbalance and modules."""

from __future__ import annotations

import pytest
from check_frames import Row, judge, part_policy

from auditor.checks.facts import mask
from auditor.policy import load_policy

NO_LENGTH: Row = {"home_run_length_m": None, "total_rise_pct": None, "missing_bits": mask("home_run_length_m")}

RISE: dict[str, tuple[Row, str, float | None]] = {
    "within the target": ({}, "pass", 1.6),
    # Common practice: 2 % from the last unit to the main panel.
    "at the target": ({"total_rise_pct": 2.0}, "pass", 2.0),
    "within the tolerance of computed values": ({"total_rise_pct": 2.0 * (1 + 5e-10)}, "pass", 2.0 * (1 + 5e-10)),
    "over the target": ({"total_rise_pct": 2.0 * (1 + 2e-9)}, "fail", 2.0 * (1 + 2e-9)),
    "a stricter region": ({"rise_target_pct": 1.0}, "fail", 1.6),
    "a part missing": ({**NO_LENGTH, "known_rise_pct": 0.8}, "unknown", None),
    "a part missing, the others over it already": ({**NO_LENGTH, "known_rise_pct": 2.4}, "fail", 2.4),
    "a part missing that may take away": (
        {**NO_LENGTH, "known_rise_pct": 2.4, "rise_only_adds": False},
        "unknown",
        None,
    ),
    "a fall": ({"total_rise_pct": -0.3}, "pass", -0.3),
    "not the circuit's own facts": ({"missing_bits": mask("busbar_a")}, "pass", 1.6),
}


@pytest.mark.parametrize(("change", "verdict", "value"), RISE.values(), ids=RISE)
def test_voltage_rise(change: Row, verdict: str, value: float | None) -> None:
    result = judge("voltage-rise", change)[0]
    assert (result["verdict"], result["value"]) == (verdict, value)


def test_a_missing_home_run_names_the_length_beyond_which_it_fails() -> None:
    rows = judge("voltage-rise", {**NO_LENGTH, "known_rise_pct": 0.8}, {}, {**NO_LENGTH, "known_rise_pct": 2.4})
    assert [row["fails_at"] for row in rows] == [30.0, None, None]


PART: dict[str, tuple[Row, str, float | None]] = {
    "the worst part is shown": ({}, "pass", 0.8),
    "a part over its limit": ({"trunk_rise_pct": 1.2}, "fail", 1.2),
    "the worse of two": ({"trunk_rise_pct": 1.2, "home_run_rise_pct": 1.5}, "fail", 1.5),
    "a part without limit": ({"feeder_rise_pct": 5.0}, "pass", 0.8),
    "a part missing": ({"home_run_rise_pct": None, "missing_bits": mask("home_run_length_m")}, "unknown", None),
    "a part missing, another over": (
        {"home_run_rise_pct": None, "missing_bits": mask("home_run_length_m"), "trunk_rise_pct": 1.2},
        "fail",
        1.2,
    ),
    "a missing part without limit": ({"missing_bits": mask("feeder_length_m")}, "pass", 0.8),
}


@pytest.mark.parametrize(("change", "verdict", "value"), PART.values(), ids=PART)
def test_part_rise(change: Row, verdict: str, value: float | None) -> None:
    result = judge("part-rise", change, policy=part_policy())[0]
    assert (result["verdict"], result["value"]) == (verdict, value)


TERMINAL: dict[str, tuple[Row, str]] = {
    # 240 V: Range A 252 V; IEEE 1547-2018 OV1 1.10 is 264 V.
    "below the threshold": ({}, "pass"),
    "above the threshold": ({"terminal_v": 265.0}, "fail"),
    # 230 V: EN 50160 reaches 253 V; a threshold of 253 V leaves wiring nothing.
    "threshold at the top of the range": ({"terminal_limit_v": 253.0, "service_top_v": 253.0}, "not applicable"),
    "threshold below the top of the range": ({"terminal_limit_v": 250.0, "service_top_v": 253.0}, "not applicable"),
    "threshold above it": ({"terminal_limit_v": 258.0, "service_top_v": 253.0}, "pass"),
    "profile missing": ({"terminal_limit_v": None, "missing_bits": mask("grid_profile")}, "unknown"),
    "entrance missing": ({"terminal_v": None, "missing_bits": mask("service_entrance_length_m")}, "unknown"),
}


@pytest.mark.parametrize(("change", "verdict"), TERMINAL.values(), ids=TERMINAL)
def test_terminal_voltage(change: Row, verdict: str) -> None:
    assert judge("terminal-voltage", change)[0]["verdict"] == verdict


ORDER: dict[str, tuple[Row, str, float | None, float | None]] = {
    # IEC 60364-4-43, 433.1: design current <= device <= conductor.
    "16 A, 20 A, 24 A": ({}, "pass", 16.0, 20.0),
    "all equal": ({"line_current_a": 20.0, "home_run_rated_a": 20.0}, "pass", 20.0, 20.0),
    "no 125 % here": ({"line_current_a": 19.0}, "pass", 19.0, 20.0),
    "current over the device": ({"line_current_a": 20.5}, "fail", 20.5, 20.0),
    "over by the rounding": ({"line_current_a": 20.05}, "pass", 20.0, 20.0),
    "device over the conductor": ({"home_run_rated_a": 18.0}, "fail", 20.0, 18.0),
    "device over the trunk cable": ({"trunk_max_breaker_a": 16.0}, "fail", 20.0, 16.0),
    "conductor missing": (
        {"home_run_rated_a": None, "missing_bits": mask("home_run_rated_a")},
        "unknown",
        None,
        None,
    ),
    "conductor missing, current over the device": (
        {"home_run_rated_a": None, "missing_bits": mask("home_run_rated_a"), "line_current_a": 25.0},
        "fail",
        25.0,
        20.0,
    ),
    "conductor missing, device over the trunk cable": (
        {"home_run_rated_a": None, "missing_bits": mask("home_run_rated_a"), "trunk_max_breaker_a": 16.0},
        "fail",
        20.0,
        16.0,
    ),
    "no home run": (
        {"home_run_length_m": 0.0, "home_run_rated_a": None, "missing_bits": mask("home_run_rated_a")},
        "pass",
        16.0,
        20.0,
    ),
    "code missing on 230 V": ({"code_family": None, "missing_bits": mask("installation_code")}, "pass", 16.0, 20.0),
    "not under the NEC": ({"service": "120/240", "code_family": "NEC"}, "not applicable", None, None),
    "nor in doubt on its services": ({"service": "208Y/120", "code_family": None}, "not applicable", None, None),
    "a service nobody knows": (
        {"service": "690", "code_family": None, "line_current_a": 25.0},
        "unknown",
        25.0,
        20.0,
    ),
}


@pytest.mark.parametrize(("change", "verdict", "value", "limit"), ORDER.values(), ids=ORDER)
def test_current_coordination(change: Row, verdict: str, value: float | None, limit: float | None) -> None:
    result = judge("current-coordination", change)[0]
    if change.get("service") == "690":
        assert result["verdict"] == "unknown"
        return
    assert (result["verdict"], result["value"], result["limit"]) == (verdict, value, limit)


BALANCE: dict[str, tuple[Row, str]] = {
    # AS/NZS 4777.1: 5 kVA, from memory.
    "2 kVA apart": ({}, "pass"),
    "5 kVA apart": ({"phase_kva_max": 5.0, "phase_kva_min": 0.0}, "pass"),
    "6 kVA apart": ({"phase_kva_max": 6.0, "phase_kva_min": 0.0}, "fail"),
    "a code without limit": ({"installation_code": "IEC 60364", "phase_kva_max": 60.0}, "not applicable"),
    "one phase": ({"service": "230", "three_phase_service": False, "phase_kva_max": None}, "not applicable"),
    "code missing": ({"installation_code": None, "missing_bits": mask("installation_code")}, "unknown"),
    "service missing": ({"service": None, "three_phase_service": False, "missing_bits": mask("service")}, "unknown"),
    "a circuit's phases missing": ({"phase_kva_max": None, "missing_bits": mask("circuit_phases")}, "unknown"),
}


@pytest.mark.parametrize(("change", "verdict"), BALANCE.values(), ids=BALANCE)
def test_phase_imbalance(change: Row, verdict: str) -> None:
    assert judge("phase-imbalance", change)[0]["verdict"] == verdict


def test_module_cold_voltage_by_the_published_example() -> None:
    # 49.5 V, -0.27 %/°C, -10 °C: 54.18 V (public study note on 690.7(A)(1)); printed to two decimals.
    example = {"module_voc_v": 49.5, "module_voc_pct_per_c": -0.27, "low_design_temp_c": -10.0}
    fits, not_quite = judge("module-cold-voltage", {**example, "max_input_v": 54.2}, {**example, "max_input_v": 54.1})
    assert fits["value"] == pytest.approx(54.18, abs=0.005)
    assert (fits["verdict"], not_quite["verdict"]) == ("pass", "fail")


def test_module_cold_voltage_names_the_temperature_below_which_it_fails() -> None:
    # The same example turned round: 54.18 V is reached at -10 °C.
    example = {"module_voc_v": 49.5, "module_voc_pct_per_c": -0.27, "low_design_temp_c": None, "max_input_v": 54.178}
    result = judge("module-cold-voltage", {**example, "missing_bits": mask("low_design_temp_c")})[0]
    assert result["verdict"] == "unknown"
    assert result["fails_at"] == pytest.approx(-10.0, abs=0.01)


WINDOW: dict[str, tuple[Row, str, float | None, float | None]] = {
    # By hand: 32.4 V x (1 - 0.004 x 45) = 26.568 V hot, x (1 + 0.004 x 45) = 38.232 V cold.
    "within": ({}, "pass", 38.232, 45.0),
    "too low when hot": ({"window_low_v": 27.0}, "fail", 26.568, 27.0),
    "too high when cold": ({"window_high_v": 38.0}, "fail", 38.232, 38.0),
    "cold missing, too low anyway": (
        {"window_low_v": 27.0, "low_design_temp_c": None, "missing_bits": mask("low_design_temp_c")},
        "fail",
        26.568,
        27.0,
    ),
    "cold missing": ({"low_design_temp_c": None, "missing_bits": mask("low_design_temp_c")}, "unknown", None, None),
}


@pytest.mark.parametrize(("change", "verdict", "value", "limit"), WINDOW.values(), ids=WINDOW)
def test_module_input_window(change: Row, verdict: str, value: float | None, limit: float | None) -> None:
    result = judge("module-input-window", change)[0]
    assert result["verdict"] == verdict
    assert (result["value"], result["limit"]) == (pytest.approx(value), pytest.approx(limit))


def test_module_input_current_is_taken_as_rated() -> None:
    rows = judge("module-input-current", {}, {"module_isc_a": 15.0}, {"module_isc_a": 15.1}, {"module_isc_a": 13.0})
    # 13.0 A x 1.25 would be over 15 A.
    assert [row["verdict"] for row in rows] == ["pass", "pass", "fail", "pass"]


RATIO: dict[str, tuple[Row, str, float | None]] = {
    # Common practice: 60-cell modules of about 300 W suit an inverter of 240 to 250 W.
    "300 W on 240 W": ({}, "pass", 360.0),
    "300 W on 250 W": ({"unit_power_w": 250.0}, "pass", 375.0),
    "smaller than the inverter": ({"module_power_w": 230.0}, "fail", 240.0),
    "far larger": ({"module_power_w": 400.0}, "fail", 360.0),
    "two modules on each inverter": ({"module_count": 32}, "fail", 180.0),
    "the maker's range goes first": (
        {"module_min_w": 200.0, "module_max_w": 440.0, "module_power_w": 400.0},
        "pass",
        440.0,
    ),
    "and below it": ({"module_min_w": 310.0, "module_max_w": 440.0}, "fail", 310.0),
    "the maker's range needs no counts": (
        {"module_min_w": 200.0, "module_max_w": 440.0, "module_count": None, "missing_bits": mask("module_count")},
        "pass",
        440.0,
    ),
    "the policy's ratio does": ({"module_count": None, "missing_bits": mask("module_count")}, "unknown", None),
}


@pytest.mark.parametrize(("change", "verdict", "limit"), RATIO.values(), ids=RATIO)
def test_power_ratio(change: Row, verdict: str, limit: float | None) -> None:
    result = judge("power-ratio", change)[0]
    assert (result["verdict"], result["limit"]) == (verdict, limit)


def test_the_ratio_is_the_policys() -> None:
    policy = load_policy()
    wide = policy.model_copy(update={"ratio": policy.ratio.model_copy(update={"high": 1.8})})
    assert judge("power-ratio", {"module_power_w": 400.0}, policy=wide)[0]["verdict"] == "pass"

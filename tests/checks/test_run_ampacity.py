"""Truth tables of the ampacity of home run and feeder.

Ampacities are those of NEC Table 310.16 for copper at 60, 75 and 90 °C; ambient factors those of Table 310.15(B)(1);
fill factors those of Table 310.15(C)(1).
"""

from __future__ import annotations

import pytest
from check_frames import Row, judge, wire

from auditor.checks.facts import mask

AWG_12 = wire("home_run", (20, 25, 30), 20.0)
AWG_10 = wire("home_run", (30, 35, 40), 30.0)
AWG_8 = wire("home_run", (40, 50, 55))
AWG_2 = wire("home_run", (95, 115, 130))
ROW_50_C: Row = {"ambient_c": 48.0, "ambient_factor_60": 0.58, "ambient_factor_75": 0.75, "ambient_factor_90": 0.82}
ROW_30_C: Row = {"ambient_c": 30.0, "ambient_factor_60": 1.0, "ambient_factor_75": 1.0, "ambient_factor_90": 1.0}
NO_AMBIENT: Row = {
    "ambient_c": None,
    "ambient_factor_60": None,
    "ambient_factor_75": None,
    "ambient_factor_90": None,
    "missing_bits": mask("ambient_c"),
}
NO_INSULATION: Row = {"home_run_conductor_rating_c": None, "missing_bits": mask("home_run_insulation")}
T75: Row = {"home_run_terminal_rating_c": 75.0}
BIG: Row = {"trunk_max_breaker_a": 400.0, "line_current_tolerance_a": 0.0}

HOME_RUN: dict[str, tuple[Row, str, float | None, float | None]] = {
    # 1.25 x 16 = 20 of 30; 16 of 40 x 0.87 x 0.80 = 27.84.
    "10 AWG, before factors governs": ({}, "pass", 20.0, 30.0),
    # 30 x 0.87 x 0.80 = 20.88 after factors, and 20 before.
    "12 AWG just holds": (AWG_12, "pass", 20.0, 20.0),
    "12 AWG, 17 A": ({**AWG_12, "line_current_a": 17.0}, "fail", 21.25, 20.0),
    "12 AWG over by the rounding only": ({**AWG_12, "line_current_a": 16.07}, "pass", 20.0, 20.0),
    # 75 °C terminals use the 75 °C column: 25 A.
    "12 AWG with terminals marked 75 °C": ({**AWG_12, **T75, "line_current_a": 17.0}, "pass", 21.25, 25.0),
    # The 90 °C column is for factors only: terminals at 60 °C, 10 AWG is 30 A and never 40.
    "10 AWG is not good for 32 A by its insulation": (
        {**ROW_30_C, "fill_factor": 1.0, "line_current_a": 25.0, "breaker_a": 30.0},
        "fail",
        31.25,
        30.0,
    ),
    # 30 x 0.82 x 0.50 = 12.3; 125 % is not laid on the derated value.
    "12 AWG in a full raceway at 48 °C": ({**AWG_12, **ROW_50_C, "fill_factor": 0.5}, "fail", 16.0, 12.3),
    # 40 x 0.82 x 0.50 = 16.4: 16 A fits, 20 A would not.
    "no 125 % on the derated ampacity": (
        {**AWG_10, **ROW_50_C, "fill_factor": 0.5, "line_current_a": 16.0},
        "pass",
        16.0,
        16.4,
    ),
    "a conductor of low rating is also limited before factors": (
        {**AWG_12, **T75, "home_run_conductor_rating_c": 60.0, "line_current_a": 17.0, **ROW_30_C, "fill_factor": 1.0},
        "fail",
        21.25,
        20.0,
    ),
    # No factor is printed for 60 °C wire above 55 °C, Table 310.15(B)(1).
    "60 °C wire at 58 °C has no ampacity": (
        {"home_run_conductor_rating_c": 60.0, "ambient_c": 58.0, "ambient_factor_60": None},
        "fail",
        16.0,
        0.0,
    ),
    # 240.4(B): 2 AWG copper of 115 A may be on 125 A.
    "the next standard size protects": (
        {**AWG_2, **T75, **ROW_30_C, **BIG, "fill_factor": 1.0, "line_current_a": 90.0, "breaker_a": 125.0},
        "pass",
        112.5,
        115.0,
    ),
    "the size after that does not": (
        {**AWG_2, **T75, **ROW_30_C, **BIG, "fill_factor": 1.0, "line_current_a": 90.0, "breaker_a": 150.0},
        "fail",
        150.0,
        115.0,
    ),
    # 55 x 0.87 x 0.80 = 38.28 after factors, 40 at the terminals: 40 A is the next size, 45 A is not.
    "on the ampacity after factors": ({**AWG_8, **BIG, "breaker_a": 40.0}, "pass", 20.0, 40.0),
    "beyond it": ({**AWG_8, **BIG, "breaker_a": 45.0}, "fail", 45.0, 38.28),
    "what breaker-size reports is not held against the wire": ({**AWG_12, "breaker_a": 40.0}, "pass", 20.0, 20.0),
    "a size that is not made is left to breaker-size": ({**AWG_8, **BIG, "breaker_a": 41.0}, "pass", 20.0, 40.0),
    "breaker missing": ({"breaker_a": None, "missing_bits": mask("breaker_a")}, "unknown", None, None),
    "insulation missing, but 60 °C wire would do": (
        {**NO_INSULATION, "ambient_factor_60": 0.91, "ambient_c": 33.0},
        "pass",
        16.0,
        21.84,
    ),
    # 30 x 0.71 x 0.80 = 17.04 A at 60 °C, and 16 A passes.
    "insulation missing at 45 °C": (NO_INSULATION, "pass", 16.0, 17.04),
    "insulation missing, and it matters": ({**NO_INSULATION, "fill_factor": 0.7}, "unknown", None, None),
    "insulation missing, too small even at 90 °C": (
        {**NO_INSULATION, **AWG_12, "home_run_conductor_rating_c": None, "line_current_a": 17.0},
        "fail",
        21.25,
        20.0,
    ),
    "terminals missing, but 60 °C would do": (
        {"home_run_terminal_rating_c": None, "missing_bits": mask("home_run_terminal_rating_c")},
        "pass",
        20.0,
        30.0,
    ),
    "terminals missing, and it matters": (
        {
            **AWG_12,
            "home_run_terminal_rating_c": None,
            "line_current_a": 17.0,
            "missing_bits": mask("home_run_terminal_rating_c"),
        },
        "unknown",
        None,
        None,
    ),
    "ambient missing": (NO_AMBIENT, "unknown", None, None),
    "ambient missing, too small before any factor": (
        {**NO_AMBIENT, **AWG_12, "line_current_a": 17.0},
        "fail",
        21.25,
        20.0,
    ),
    # 110.14(C)(1)(b): above 100 A the terminals count as 75 °C where they are not known; 2 AWG is 115 A there.
    "terminals assumed on a large circuit": (
        {
            **AWG_2, **ROW_30_C, **BIG, "fill_factor": 1.0, "line_current_a": 90.0, "breaker_a": 125.0,
            "assumed_bits": mask("home_run_terminal_rating_c"),
        },
        "pass",
        112.5,
        115.0,
    ),
    "terminals known to be 60 °C on a large circuit": (
        {**AWG_2, **ROW_30_C, **BIG, "fill_factor": 1.0, "line_current_a": 90.0, "breaker_a": 125.0},
        "fail",
        112.5,
        95.0,
    ),
    "no wire": ({"home_run_length_m": 0.0, "home_run_ampacity_60_a": None}, "not applicable", None, None),
    "not under the IEC family": ({"code_family": "IEC", "service": "230", **AWG_12}, "not applicable", None, None),
    "code missing, though too small": (
        {"code_family": None, "missing_bits": mask("installation_code"), **AWG_12, "line_current_a": 40.0},
        "unknown",
        50.0,
        20.0,
    ),
}  # fmt: skip


@pytest.mark.parametrize(("change", "verdict", "value", "limit"), HOME_RUN.values(), ids=HOME_RUN)
def test_home_run_ampacity(change: Row, verdict: str, value: float | None, limit: float | None) -> None:
    result = judge("home-run-ampacity", change)[0]
    if verdict == "unknown":
        assert result["verdict"] == "unknown"
        return
    assert result["verdict"] == verdict
    assert (result["value"], result["limit"]) == (pytest.approx(value), pytest.approx(limit))


def test_a_missing_ambient_names_the_row_beyond_which_the_wire_is_too_small() -> None:
    # 40 A x 0.80 carries 16 A down to a factor of 0.50, which Table 310.15(B)(1) prints for 71 to 75 °C (0.41 above).
    result = judge("home-run-ampacity", NO_AMBIENT)[0]
    assert (result["verdict"], result["missing"], result["fails_at"]) == ("unknown", mask("ambient_c"), 75.0)
    # 30 A x 0.80 at 60 °C carries 17 A down to 0.708: 0.71 is printed for 41 to 45 °C, and 0.58 above.
    warm = {**NO_AMBIENT, "home_run_conductor_rating_c": 60.0, "line_current_a": 17.0}
    assert judge("home-run-ampacity", warm)[0]["fails_at"] == 45.0


def test_what_a_pass_rests_on_leaves_out_what_does_not_matter() -> None:
    result = judge("home-run-ampacity", {**NO_INSULATION, "assumed_bits": mask("home_run_terminal_rating_c")})[0]
    assert (result["verdict"], result["missing"]) == ("pass", 0)
    assert result["assumed"] == mask("home_run_terminal_rating_c")


FEEDER: dict[str, tuple[Row, str, float | None, float | None]] = {
    # 32 x 1.25 = 40 of 55; 32 of 75 x 0.87 x 0.80 = 52.2.
    "6 AWG copper, 32 A": ({}, "pass", 40.0, 55.0),
    "45 A": ({"feeder_line_current_a": 45.0}, "fail", 56.25, 55.0),
    "hot and full": ({"fill_factor": 0.35}, "fail", 32.0, 75 * 0.87 * 0.35),
    "ambient missing": ({**NO_AMBIENT}, "unknown", None, None),
    "ambient missing, but too small anyway": ({**NO_AMBIENT, "feeder_line_current_a": 45.0}, "fail", 56.25, 55.0),
    "load missing": ({"feeder_line_current_a": None, "missing_bits": mask("inverter_count")}, "unknown", None, None),
    # IEC 60364-4-43, clause 433.1: the current is at most the conductor's rating as installed.
    "IEC, within its rating": ({"code_family": "IEC", "feeder_rated_a": 80.0}, "pass", 32.0, 80.0),
    "IEC, beyond its rating": ({"code_family": "IEC", "feeder_rated_a": 30.0}, "fail", 32.0, 30.0),
    "IEC, no rating": (
        {"code_family": "IEC", "missing_bits": mask("feeder_rated_a")},
        "unknown",
        32.0,
        None,
    ),
}


@pytest.mark.parametrize(("change", "verdict", "value", "limit"), FEEDER.values(), ids=FEEDER)
def test_feeder_ampacity(change: Row, verdict: str, value: float | None, limit: float | None) -> None:
    result = judge("feeder-ampacity", change)[0]
    assert result["verdict"] == verdict
    assert (result["value"], result["limit"]) == (pytest.approx(value), pytest.approx(limit))

"""Truth tables of the checks on inverters, breaker and trunk cable of a branch circuit."""

from __future__ import annotations

import pytest
from check_frames import Row, judge

from auditor.checks.facts import mask
from auditor.policy import load_policy

COMPUTED: Row = {"stated_unit_limit": None}
MIXED: Row = {"mixed_units": True, "stated_unit_limit": None, "computed_unit_limit": None}
IEC: Row = {"service": "230", "code_family": "IEC", "installation_code": "AS/NZS 3000"}
NO_CODE: Row = {"code_family": None, "installation_code": None, "missing_bits": mask("installation_code")}

BRANCH: dict[str, tuple[Row, str, float | None]] = {
    "at the stated limit": ({}, "pass", 16),
    "one over the stated limit": ({"inverter_count": 17}, "fail", 16),
    "the stated limit governs over a smaller computed one": ({"computed_unit_limit": 15}, "pass", 16),
    "the stated limit governs over a larger computed one": (
        {"inverter_count": 16, "stated_unit_limit": 15, "computed_unit_limit": 17},
        "fail",
        15,
    ),
    # 0.8 x 20 A = 16 A; 16 A x 1.25 = 20 A (public training text on continuous loads).
    "no stated limit for this breaker: the computed one": (COMPUTED, "pass", 16),
    "one over the computed limit": ({**COMPUTED, "inverter_count": 17, "line_current_a": 17.0}, "fail", 16),
    # 25 units between rotating pairs give 14.73 times the unit's current; 16 / 14.73 = 1.086 A.
    "25 units on three phases": ({**COMPUTED, "inverter_count": 25, "computed_unit_limit": 25}, "pass", 25),
    "mixed units within 0.8 of the breaker": ({**MIXED, "line_current_a": 15.8}, "pass", 16),
    "mixed units over only by the rounding": ({**MIXED, "line_current_a": 16.07}, "pass", 16),
    "mixed units over by more than the rounding": ({**MIXED, "line_current_a": 16.09}, "fail", 15),
    # Sixteen units that carry 20 A average 1.25 A, and 16 A / 1.25 A = 12.8.
    "mixed units far over": ({**MIXED, "line_current_a": 20.0}, "fail", 12),
    "no stated limit covers mixed units": ({**MIXED, "stated_unit_limit": 20, "line_current_a": 20.0}, "fail", 12),
    "a stated limit holds under the IEC family": ({**IEC, "inverter_count": 17}, "fail", 16),
    "a computed one does not apply there": ({**IEC, **COMPUTED, "inverter_count": 40}, "not applicable", None),
    "nor does it for mixed units": ({**IEC, **MIXED, "line_current_a": 40.0}, "not applicable", None),
    "without breaker the spec may still state one": ({**IEC, **COMPUTED, "breaker_a": None}, "unknown", 16),
    "without the model the spec may still state one": (
        {**IEC, **COMPUTED, "missing_bits": mask("inverter_model")},
        "unknown",
        16,
    ),
    "a stated limit needs no code": (NO_CODE, "pass", 16),
    "a computed one does": ({**NO_CODE, **COMPUTED}, "unknown", 16),
    "too many by computation, code missing": ({**NO_CODE, **COMPUTED, "inverter_count": 40}, "unknown", 16),
}


@pytest.mark.parametrize(("change", "verdict", "limit"), BRANCH.values(), ids=BRANCH)
def test_branch_unit_limit(change: Row, verdict: str, limit: float | None) -> None:
    result = judge("branch-unit-limit", change)[0]
    assert (result["verdict"], result["limit"]) == (verdict, limit)


def test_a_missing_count_names_the_count_beyond_which_it_fails() -> None:
    result = judge("branch-unit-limit", {"inverter_count": None, "missing_bits": mask("inverter_count")})[0]
    assert (result["verdict"], result["fails_at"]) == ("unknown", 16)
    assert result["missing"] == mask("inverter_count")


BREAKER: dict[str, tuple[Row, str, float | None]] = {
    "16 A continuous on 20 A": ({}, "pass", 20),
    # 24 A continuous takes 30 A (public training text).
    "24 A on 30 A, cable and wire allowing": (
        {"breaker_a": 30.0, "line_current_a": 24.0, "trunk_max_breaker_a": 30.0},
        "pass",
        30,
    ),
    "larger than the trunk cable's listing": ({"breaker_a": 25.0}, "fail", 20),
    # 240.4(D)(7): 10 AWG copper 30 A. 7.6 kW at 240 V, 31.7 A, takes 40 A (IAEI News, September 2020).
    "10 AWG may not be on 40 A": (
        {"breaker_a": 40.0, "line_current_a": 31.7, "trunk_max_breaker_a": 40.0},
        "fail",
        30,
    ),
    "31.7 A on 40 A with wire that is not small": (
        {
            "breaker_a": 40.0,
            "line_current_a": 31.7,
            "trunk_max_breaker_a": 40.0,
            "home_run_small_conductor_breaker_a": None,
        },
        "pass",
        40,
    ),
    # The stated limit of this spec allows 16 units that 125 % of their current does not.
    "smaller than 125 % though the unit limit is met": (
        {"breaker_a": 20.0, "line_current_a": 17.0, "trunk_max_breaker_a": 30.0},
        "fail",
        25,
    ),
    "smaller only by the rounding of the current": ({"line_current_a": 16.07}, "pass", 20),
    "too many units are not reported here again": (
        {"inverter_count": 17, "line_current_a": 17.0},
        "pass",
        20,
    ),
    "nor are they without a stated limit": (
        {"stated_unit_limit": None, "inverter_count": 17, "line_current_a": 17.0},
        "pass",
        20,
    ),
    "not a standard size": ({"breaker_a": 18.0, "line_current_a": 10.0}, "fail", 20),
    # 240.6(A): 1, 3, 6, 10 and 601 A are standard fuses.
    "a fuse of standard size": ({"breaker_a": 10.0, "line_current_a": 8.0}, "pass", 20),
    "too large whatever the missing trunk says": (
        {"breaker_a": 40.0, "trunk_max_breaker_a": None, "missing_bits": mask("trunk_spec", "trunk_rating")},
        "fail",
        30,
    ),
    "trunk missing": ({"trunk_max_breaker_a": None, "missing_bits": mask("trunk_model")}, "unknown", None),
    "home run's size missing": (
        {
            "home_run_size": None,
            "home_run_small_conductor_breaker_a": None,
            "missing_bits": mask("home_run_size"),
        },
        "unknown",
        None,
    ),
    "no home run at all": (
        {"home_run_size": None, "home_run_small_conductor_breaker_a": None, "home_run_length_m": 0.0},
        "pass",
        20,
    ),
    "a trunk's rating unknown for its impedance only": ({"missing_bits": mask("trunk_spec")}, "pass", 20),
    "not under the IEC family": ({**IEC, "breaker_a": 18.0}, "not applicable", None),
    "code missing": ({**NO_CODE, "breaker_a": 40.0}, "unknown", 20),
}


@pytest.mark.parametrize(("change", "verdict", "limit"), BREAKER.values(), ids=BREAKER)
def test_breaker_size(change: Row, verdict: str, limit: float | None) -> None:
    result = judge("breaker-size", change)[0]
    assert (result["verdict"], result["limit"]) == (verdict, limit)


def test_a_missing_breaker_names_the_size_beyond_which_it_fails() -> None:
    result = judge("breaker-size", {"breaker_a": None, "missing_bits": mask("breaker_a")})[0]
    assert (result["verdict"], result["fails_at"]) == ("unknown", 20)


def test_the_share_of_continuous_current_is_the_policys() -> None:
    policy = load_policy()
    full = policy.model_copy(update={"branch": policy.branch.model_copy(update={"continuous_fraction": 1.0})})
    row = {**MIXED, "line_current_a": 20.0}
    assert judge("branch-unit-limit", row, policy=full)[0]["verdict"] == "pass"
    assert judge("breaker-size", row, policy=full)[0]["verdict"] == "pass"


NO_FEED: Row = {"trunk_largest_arm_a": None, "missing_bits": mask("feed")}
TRUNK: dict[str, tuple[Row, str, float | None]] = {
    "half the circuit in each arm": ({}, "pass", 8.0),
    "an arm at the listed current": ({"trunk_largest_arm_a": 20.0, "line_current_a": 40.0}, "pass", 20.0),
    "an arm over it": ({"trunk_largest_arm_a": 21.0, "line_current_a": 21.0}, "fail", 21.0),
    "an arm over it by the rounding": ({"trunk_largest_arm_a": 20.05, "line_current_a": 20.05}, "pass", 20.0),
    # Half of the circuit's current has half of its rounding, 0.04 A.
    "an arm over it by more than its share of the rounding": (
        {"trunk_largest_arm_a": 20.05, "line_current_a": 40.1},
        "fail",
        20.05,
    ),
    "feed missing, but all of it fits in one arm": (NO_FEED, "pass", 16.0),
    "feed missing, and it matters": ({**NO_FEED, "line_current_a": 24.0}, "unknown", None),
    "rating missing": ({"trunk_rated_a": None, "missing_bits": mask("trunk_rating")}, "unknown", 8.0),
    "the same in every code": ({**IEC, "trunk_largest_arm_a": 21.0, "line_current_a": 21.0}, "fail", 21.0),
}


@pytest.mark.parametrize(("change", "verdict", "value"), TRUNK.values(), ids=TRUNK)
def test_trunk_current(change: Row, verdict: str, value: float | None) -> None:
    result = judge("trunk-current", change)[0]
    assert (result["verdict"], result["value"]) == (verdict, value)

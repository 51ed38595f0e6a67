"""Truth table of the busbar, from published examples of NEC 705.12."""

from __future__ import annotations

import pytest
from check_frames import Row, judge

from auditor.checks.facts import FACTS, mask, names

ELSEWHERE: Row = {"backfeed_position": "elsewhere"}
NO_POSITION: Row = {"backfeed_position": None, "missing_bits": mask("backfeed_position")}
NO_SUM: Row = {"missing_bits": mask("busbar_breakers_a")}
OLD: Row = {"code_edition": "2011"}
NO_EDITION: Row = {"code_edition": None, "missing_bits": mask("code_edition")}


def solar(amps: float, breaker: float) -> Row:
    return {"solar_current_a": amps, "solar_breakers_a": breaker, "solar_breakers_high_a": breaker}


#: Two circuits whose breakers may feed the busbar one by one or through one of 40 A.
TWO_BREAKERS: Row = {
    "solar_current_a": 32.0,
    "solar_breakers_a": 40.0,
    "solar_breakers_high_a": 60.0,
    "missing_bits": mask("backfed_breaker"),
}

BUSBAR: dict[str, tuple[Row, str, float | None, float | None]] = {
    # 200 A busbar and main, opposite end: at most 40 A of back-feed (several texts).
    "40 A on 200 and 200": ({}, "pass", 240.0, 240.0),
    "more than 40 A, sum of breakers over": (
        {**solar(33.0, 45.0), "busbar_breakers_a": 300.0},
        "fail",
        241.25,
        240.0,
    ),
    # 200 A sub-panel, 150 A feeder breaker, 20 + 20 + 40 A: 230 of 240, breakers as before 2014 (public forum).
    "B7, breaker ratings before 2014": ({**OLD, **solar(64.0, 80.0), "main_breaker_a": 150.0}, "pass", 230.0, 240.0),
    "before 2014 breakers count, not current": (
        {**OLD, **solar(64.0, 100.0), "main_breaker_a": 150.0},
        "fail",
        250.0,
        240.0,
    ),
    "from 2014 on the current counts": ({**solar(64.0, 100.0), "main_breaker_a": 150.0}, "pass", 230.0, 240.0),
    # 200 A busbar and main, 30 A load and 60 A solar: sum of breakers 90 of 200, 120 % rule 260 of 240 (public forum).
    "B8, the sum of breakers passes where 120 % fails": (
        {**solar(48.0, 60.0), "busbar_breakers_a": 90.0},
        "pass",
        90.0,
        200.0,
    ),
    "B8 before 2014 has no such option": (
        {**OLD, **solar(48.0, 60.0), "busbar_breakers_a": 90.0},
        "fail",
        260.0,
        240.0,
    ),
    "B8 with the sum of breakers not recorded": ({**solar(48.0, 60.0), **NO_SUM}, "unknown", None, None),
    # 200 A busbar, 150 A upstream breaker, sum rule: at most 40 A of inverter current (public forum).
    "B9, 40 A": ({**solar(40.0, 50.0), "main_breaker_a": 150.0, **ELSEWHERE}, "pass", 200.0, 200.0),
    "B9, 41 A": (
        {**solar(41.0, 60.0), "main_breaker_a": 150.0, **ELSEWHERE, "busbar_breakers_a": 201.0},
        "fail",
        201.0,
        200.0,
    ),
    "elsewhere earns no 120 %": ({**ELSEWHERE, "busbar_breakers_a": 210.0}, "fail", 210.0, 200.0),
    "nor does the main end": (
        {"backfeed_position": "main end", "busbar_breakers_a": 260.0},
        "fail",
        240.0,
        200.0,
    ),
    "a centre-fed panel's end does": ({"backfeed_position": "centre-fed end"}, "pass", 240.0, 240.0),
    "but not before 2014": ({**OLD, "backfeed_position": "centre-fed end"}, "fail", 240.0, 200.0),
    "position missing, 100 % passes": ({**NO_POSITION, "main_breaker_a": 150.0}, "pass", 190.0, 200.0),
    "position missing, 120 % would pass": (NO_POSITION, "unknown", None, None),
    "position missing, all breakers pass": ({**NO_POSITION, "busbar_breakers_a": 150.0}, "pass", 150.0, 200.0),
    "position missing, nothing can pass": (
        {**NO_POSITION, **solar(48.0, 60.0), "busbar_breakers_a": 250.0},
        "fail",
        260.0,
        240.0,
    ),
    "position missing, nothing can pass before 2014": (
        {**OLD, **NO_POSITION, **solar(48.0, 60.0)},
        "fail",
        260.0,
        240.0,
    ),
    # The breakers of 168 A of solar alone are over 200 A: the sum of all breakers cannot pass.
    "the sources alone are over the busbar": ({**solar(168.0, 225.0), **NO_SUM}, "fail", 410.0, 240.0),
    "another source counts": ({"other_sources_a": 8.0, "busbar_breakers_a": 300.0}, "fail", 250.0, 240.0),
    "another source may be there": (
        {"other_sources_a": None, "missing_bits": mask("other_sources_a")},
        "unknown",
        None,
        None,
    ),
    "another source does not matter to the sum of breakers": (
        {"other_sources_a": None, "missing_bits": mask("other_sources_a"), "busbar_breakers_a": 120.0},
        "pass",
        120.0,
        200.0,
    ),
    "edition missing, passes in each": (NO_EDITION, "pass", 240.0, 240.0),
    "edition missing, and it matters": ({**NO_EDITION, **solar(32.0, 45.0)}, "unknown", None, None),
    "edition missing, a centre-fed end": (
        {**NO_EDITION, "backfeed_position": "centre-fed end"},
        "unknown",
        240.0,
        240.0,
    ),
    "edition missing, fails in each": (
        {**NO_EDITION, **solar(48.0, 60.0), "busbar_breakers_a": 300.0},
        "fail",
        260.0,
        240.0,
    ),
    "edition missing, breakers fail and the current fits": (
        {**NO_EDITION, **solar(32.0, 45.0), "busbar_breakers_a": 300.0},
        "unknown",
        None,
        None,
    ),
    # The current counts in 2014 already, 705.12(D)(2)(3); before, another source stands in with 1.25 times its own.
    "2014 counts the current": (
        {"code_edition": "2014", **solar(64.0, 100.0), "main_breaker_a": 150.0},
        "pass",
        230.0,
        240.0,
    ),
    "another source before 2014": ({**OLD, "other_sources_a": 8.0}, "fail", 250.0, 240.0),
    "another source may be there, and nothing can pass": (
        {
            **solar(48.0, 60.0),
            "other_sources_a": None,
            "missing_bits": mask("other_sources_a"),
            "busbar_breakers_a": 300.0,
        },
        "fail",
        260.0,
        240.0,
    ),
    # One 40 A breaker feeds the busbar, or two of 30 A: 240 A would pass, 260 A not.
    "the back-fed breaker decides before 2014": ({**OLD, **TWO_BREAKERS}, "unknown", None, None),
    "it does not from 2014 on": (TWO_BREAKERS, "pass", 240.0, 240.0),
    # 408.36: 10 A of back-feed beside a 225 A main would pass the 120 %, but the busbar is for 200 A.
    "a main larger than the busbar": ({**solar(8.0, 15.0), "main_breaker_a": 225.0}, "fail", 235.0, 200.0),
    "a main larger than the busbar, whatever the sources": (
        {"solar_units_known": False, "missing_bits": mask("inverter_count"), "main_breaker_a": 225.0},
        "fail",
        225.0,
        200.0,
    ),
    "supply side, code missing": (
        {"connection_side": "supply", "code_family": None, "missing_bits": mask("installation_code")},
        "not applicable",
        None,
        None,
    ),
    "side missing where the load side would fail": (
        {"connection_side": None, "missing_bits": mask("connection_side"), **solar(168.0, 225.0)},
        "unknown",
        None,
        None,
    ),
    "supply side": ({"connection_side": "supply", **solar(160.0, 200.0)}, "not applicable", None, None),
    "side missing": (
        {"connection_side": None, "missing_bits": mask("connection_side"), **solar(160.0, 200.0)},
        "unknown",
        None,
        None,
    ),
    "units not known": ({"solar_units_known": False, "missing_bits": mask("inverter_count")}, "unknown", None, None),
    "not under the IEC family": ({"code_family": "IEC", "service": "230"}, "not applicable", None, None),
    "code missing": (
        {"code_family": None, "missing_bits": mask("installation_code"), **solar(168.0, 225.0)},
        "unknown",
        None,
        None,
    ),
}


@pytest.mark.parametrize(("change", "verdict", "value", "limit"), BUSBAR.values(), ids=BUSBAR)
def test_busbar(change: Row, verdict: str, value: float | None, limit: float | None) -> None:
    result = judge("busbar", change)[0]
    assert result["verdict"] == verdict
    assert (result["value"], result["limit"]) == (pytest.approx(value), pytest.approx(limit))


def test_an_unread_sum_of_breakers_names_where_it_fails() -> None:
    result = judge("busbar", {**solar(48.0, 60.0), **NO_SUM})[0]
    assert (result["fails_at"], result["missing"]) == (200.0, mask("busbar_breakers_a"))
    assert judge("busbar", {})[0]["fails_at"] is None
    # The sources' own breakers are over the busbar already.
    assert judge("busbar", {**solar(168.0, 225.0), **NO_SUM})[0]["fails_at"] is None
    # Before 2014 there is no such option.
    sideless = {**OLD, **solar(48.0, 60.0), "connection_side": None, "missing_bits": mask("connection_side")}
    assert judge("busbar", sideless)[0]["fails_at"] is None


def test_only_what_matters_is_named_as_missing() -> None:
    bits = mask("backfeed_position", "busbar_breakers_a", "code_edition")
    over = {**solar(48.0, 60.0), "backfeed_position": None, "missing_bits": bits}
    # 260 A is over 240 A: the position cannot help, the sum of breakers may, in some editions.
    assert judge("busbar", over)[0]["missing"] == mask("busbar_breakers_a", "code_edition")
    fits = {"main_breaker_a": 150.0, "backfeed_position": None, "missing_bits": mask("backfeed_position")}
    assert judge("busbar", fits)[0]["missing"] == 0
    assert judge("busbar", {**OLD, **TWO_BREAKERS})[0]["missing"] == mask("backfed_breaker")
    assert judge("busbar", NO_POSITION)[0]["missing"] == mask("backfeed_position")
    assert judge("busbar", {**OLD, **solar(48.0, 60.0), **NO_SUM})[0]["missing"] == 0


SOURCES = ("service", "inverter_model", "inverter_spec", "inverter_current", "inverter_count", "other_sources_a")
PANEL = ("busbar_a", "connection_side", "installation_code", "code_edition")


@pytest.mark.parametrize(
    ("change", "rests_on"),
    [
        ({}, (*SOURCES, *PANEL, "main_breaker_a", "backfeed_position")),
        ({"main_breaker_a": 150.0}, (*SOURCES, *PANEL, "main_breaker_a")),
        ({**solar(48.0, 60.0), "busbar_breakers_a": 90.0}, (*PANEL, "busbar_breakers_a")),
    ],
    ids=["120 %", "the sum", "all breakers"],
)
def test_a_pass_rests_on_the_facts_of_its_option(change: Row, rests_on: tuple[str, ...]) -> None:
    result = judge("busbar", {**change, "assumed_bits": mask(*FACTS)})[0]
    assert (result["verdict"], names(result["assumed"])) == ("pass", names(mask(*rests_on)))

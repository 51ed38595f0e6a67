"""Calls at once: the design's rules for legs and connections, and what must not raise one."""

from __future__ import annotations

import cmath
import datetime as dt
import math
import random
from collections.abc import Sequence
from dataclasses import replace

import pytest
from triage_cases import NOON, PARTS, POLICY, SITE, evidence, frame, reading, trip, week

from auditor.triage.contrasts import in_percent
from auditor.triage.decide import STOP, decide
from auditor.triage.safety import alarms
from auditor.triage.site import Site

MINUTE = dt.timedelta(minutes=1)


def legs(
    read: Sequence[tuple[float, ...]], error_v: float | None = 0.2, names: Sequence[str] = ("L1-N", "L2-N")
) -> list[dict[str, object]]:
    """Readings of the legs at the main panel, so many minutes after noon."""
    rows = []
    for minutes, *all_volts in read:
        for leg, volts in zip(names, all_volts, strict=True):
            made = reading("main panel", NOON + minutes * MINUTE, 0.0, 100.0, leg=leg, solar="off", error_v=error_v)
            rows.append(made | {"mean_v": volts, "duration_s": 10.0})
    return rows


def of_legs(
    read: Sequence[tuple[float, ...]], error_v: float | None = 0.2, names: Sequence[str] = ("L1-N", "L2-N"),
    site: Site = SITE,
) -> list[str]:  # fmt: skip
    rows = in_percent(frame(legs(read, error_v, names)), site, POLICY)
    return list(dict.fromkeys(alarm.kind for alarm in alarms(rows, [], site, POLICY)))


@pytest.mark.parametrize(
    ("pairs", "alarm"),
    [
        ([(0, 120.0, 120.0), (5, 123.7, 116.3)], True),  # ±3.7 V: more than 3 % of 120 V
        ([(0, 120.0, 120.0), (5, 123.5, 116.5)], False),  # ±3.5 V: less
        ([(0, 120.0, 120.0), (5, 125.0, 125.0)], False),  # both rise
        ([(0, 120.0, 120.0), (5, 124.5, 120.5)], False),  # neither falls
        ([(0, 120.0, 120.0), (5, 130.0, 120.6)], False),  # nor here, though they part by 9.4 V: 3.9 % of 120 V each
        ([(0, 120.0, 120.0), (5, 131.0, 121.0)], True),  # 5.0 V each: 4.2 %, off the middle
        ([(0, 120.0, 120.0), (90, 123.7, 116.3)], False),  # not within the hour
        ([(0, 132.1, 118.0)], True),
        ([(0, 132.0, 122.5)], False),  # 4.75 V off the middle: 3.96 %
        ([(0, 130.5, 111.0)], True),  # 9.75 V: 8.1 %
        ([(0, 119.0, 107.9)], True),
        ([(0, 70.0, 119.0)], True),
        ([(0, 70.0, 72.0)], False),  # both far down: an outage, and no neutral
        ([(0, 0.5, 119.0)], True),
    ],
)
def test_the_rule_for_a_neutral(pairs: list[tuple[int, float, float]], alarm: bool) -> None:
    assert (of_legs(pairs) != []) is alarm


def test_a_meter_that_is_too_coarse_proves_no_movement() -> None:
    assert of_legs([(0, 120.0, 120.0), (5, 124.0, 116.0)], error_v=4.5) == []


def test_points_and_instruments_that_are_read_at_one_time_are_not_compared() -> None:
    """Two places on the wires, or two meters, may differ as legs that part; only what is read again moves."""
    still, other = legs([(0, 120.0, 120.0)]), legs([(0, 124.0, 116.0)])
    for mark in ("circuit_id", "unit", "instrument"):
        for minutes in (0, 5):
            if mark == "instrument" and not minutes:
                continue  # one leg of one place has one reading at a moment
            one = [row | {"place": "unit", mark: "1"} for row in still]
            two = [row | {"place": "unit", mark: "2", "start": NOON + minutes * MINUTE} for row in other]
            rows = in_percent(frame(one + two), SITE, POLICY)
            assert alarms(rows, [], SITE, POLICY) == [], mark
            # Read again by the same meter, one that came between hides nothing.
            again = [row | {"start": NOON + 8 * MINUTE, mark: "1"} for row in two]
            rows = in_percent(frame(one + two + again), SITE, POLICY)
            assert [alarm.kind for alarm in alarms(rows, [], SITE, POLICY)] == ["neutral"], mark
    # Two channels with a name each are one pair of legs, which moves.
    channels = [row | {"instrument": str(row["leg"])} for row in legs([(0, 120.0, 120.0), (5, 123.7, 116.3)])]
    assert alarms(in_percent(frame(channels), SITE, POLICY), [], SITE, POLICY)[0].kind == "neutral"


@pytest.mark.parametrize("names", [("A-N", "B-N"), ("A-N", "C-N"), ("1N", "2N"), ("S1-N", "S2-N"), ("X1N", "X2N")])
def test_legs_go_by_other_names_too(names: tuple[str, str]) -> None:
    """Meters of a split winding call its second leg C-N (IEEE 2030.5, PhaseCode 33: CN or S2N)."""
    assert of_legs([(0, 120.0, 120.0), (5, 123.7, 116.3)], names=names) == ["neutral"]


WYE = {"208Y/120": (208.0, 120.0, 208.0), "480Y/277": (277.0, 277.0, 480.0), "400Y/230": (230.0, 230.0, 400.0)}
PHASES = ("A-N", "B-N", "C-N")


def wye(service: str) -> Site:
    """The site on three phases."""
    unit_v, leg_v, line_v = WYE[service]
    return replace(SITE, service=service, unit_v=unit_v, leg_v=leg_v, line_v=line_v)


def shifted(leg_v: float, share: float, angle_deg: float) -> tuple[float, ...]:
    """Magnitudes of the three legs with the neutral off the star point by a share of a leg, by phasors."""
    off = cmath.rect(share * leg_v, math.radians(angle_deg))
    return tuple(abs(cmath.rect(leg_v, -2 * math.pi * k / 3) - off) for k in range(3))


@pytest.mark.parametrize("service", list(WYE))
@pytest.mark.parametrize("angle_deg", [0.0, 47.0, 90.0, 180.0, 251.0])
def test_a_neutral_of_three_phases_by_phasors(service: str, angle_deg: float) -> None:
    site, leg_v = wye(service), WYE[service][1]
    still = (leg_v, leg_v, leg_v)
    for share, alarm in ((0.034, True), (0.026, False)):
        moved = shifted(leg_v, share, angle_deg)
        assert (of_legs([(0, *still), (5, *moved)], names=PHASES, site=site) != []) is alarm
    # The supply or the load moves all three alike.
    assert of_legs([(0, *still), (5, *(0.95 * v for v in still))], names=PHASES, site=site) == []
    # Of two legs it can only be told that it is at least so much: the third is not read.
    two = shifted(leg_v, 0.06, 30.0)[:2]
    assert of_legs([(0, *still[:2]), (5, *two)], names=PHASES[:2], site=site) == ["neutral"]


def test_a_high_supply_of_three_phases_is_no_neutral() -> None:
    site = wye("400Y/230")
    assert of_legs([(0, 254.0, 254.5, 253.6)], names=PHASES, site=site) == []
    assert of_legs([(0, 254.0, 238.0, 231.0)], names=PHASES, site=site) == ["neutral"]
    assert of_legs([(0, 254.0)], names=PHASES[:1], site=site) == []
    # On legs of 120 V the rule names 132 and 108 V, whatever the others read.
    assert of_legs([(0, 133.0, 133.0, 133.0)], names=PHASES, site=wye("208Y/120")) == ["high supply"]
    # One conductor and its neutral are no legs that could move apart.
    single = replace(SITE, service="230", unit_v=230.0, leg_v=230.0, line_v=230.0)
    assert of_legs([(0, 230.0), (5, 205.0)], names=("L-N",), site=single) == []


@pytest.mark.parametrize(
    ("service", "leg", "volts", "percent"),
    [
        ("400Y/230", "A-B", 404.0, 101.0),
        ("480Y/277", "L1-L2", 484.8, 101.0),
        ("208Y/120", "C-N", 121.2, 101.0),
        ("480Y/277", None, 279.77, 101.0),
        ("208Y/120", "A", 121.2, 101.0),  # what the name leaves open, the voltage tells
        ("208Y/120", "AC", 210.08, 101.0),
        ("208Y/120", "phase 7", 160.0, None),
    ],
)
def test_a_reading_counts_against_the_conductors_that_it_names(
    service: str, leg: str | None, volts: float, percent: float | None
) -> None:
    row = reading("main panel", NOON, 0.0, 100.0, leg=leg) | {"mean_v": volts}
    found = in_percent(frame([row]), wye(service), POLICY)["v_pct"].to_list()
    assert found == ([] if percent is None else [pytest.approx(percent)])


def test_a_hot_connection_needs_two_places_or_a_step() -> None:
    hot = (*PARTS[:2], PARTS[2] + 2.5, PARTS[3])
    both = decide(SITE, evidence(week(("main panel", "unit"), random.Random(1), parts=hot), []), POLICY)
    assert (both.state, both.ranked, both.looks) == (STOP, (), ())
    assert "hot connection" in both.answer
    # The same wiring seen at one meter alone is no alarm, however steep its slope.
    one = decide(SITE, evidence(week(("unit",), random.Random(1), parts=hot), []), POLICY)
    assert one.state != STOP
    service = week(("service",), random.Random(2), service=4.0)
    assert decide(SITE, evidence(service, []), POLICY).state != STOP
    # A step at the service is one, where all of the service is recorded, and none where it is assumed.
    step = [
        reading("service", NOON + n * MINUTE, share, 102.0, service=4.0, solar=solar, instrument="r", error_v=0.2)
        for n, share, solar in ((0, 0.9, "on"), (3, 0.0, "off"))
    ]
    assert decide(SITE, evidence(step, []), POLICY).state == STOP
    assert decide(replace(SITE, service_whole=False), evidence(step, []), POLICY).state != STOP


def test_a_handheld_meter_does_not_see_a_small_excess() -> None:
    # 1 % more than computed, read once with 0.7 % and two counts: inside what the meter may be off.
    more = (*PARTS[:2], PARTS[2] + 1.0, PARTS[3])
    rows = [
        reading(place, NOON + n * MINUTE, 0.9, 102.0, parts=more, solar="on", instrument="m")
        for n, place in enumerate(("main panel", "unit"))
    ]
    assert decide(SITE, evidence(rows, [trip(NOON)]), POLICY).state == "cannot tell"


HANDHELD = {"instrument": "handheld", "error_v": 0.2, "error_pct": 0.7, "duration_s": 10.0}


def one_by_one(*read: tuple[float, str, float, float]) -> list[dict[str, object]]:
    """Legs that one meter read at the main panel: minutes after noon, leg, output [kW], volts."""
    return [
        reading("main panel", NOON + minutes * MINUTE, 0.0, 100.0) | HANDHELD
        | {"leg": leg, "power_kw": kw, "solar": "on" if kw else "off", "mean_v": volts}
        for minutes, leg, kw, volts in read
    ]  # fmt: skip


def kinds(rows: list[dict[str, object]], site: Site = SITE, text: str | None = None) -> set[str]:
    found = decide(site, evidence(rows, [], site), POLICY, text=text)
    return {alarm.kind for alarm in found.alarms}


def test_a_neutral_off_the_middle_counts_at_one_moment() -> None:
    """By hand: (130.5 - 111.0) / 2 = 9.75 V; of legs that are read at once nothing has to move."""
    found = decide(SITE, evidence(one_by_one((0, "L1-N", 0, 130.5), (0, "L2-N", 0, 111.0)), []), POLICY)
    assert found.state == STOP
    assert "9.8 V off the middle" in found.alarms[0].sentence
    assert "8.1 % of 120 V (limit 4.8 V)" in found.alarms[0].sentence
    # Three phases by phasors: 5 % off the star point is one, 3.9 % is none; a coarse meter proves neither.
    site = wye("400Y/230")
    for share, alarm in ((0.05, ["neutral"]), (0.037, [])):
        assert of_legs([(0, *shifted(230.0, share, 47.0))], names=PHASES, site=site) == alarm
    assert of_legs([(0, *shifted(230.0, 0.05, 47.0))], error_v=12.0, names=PHASES, site=site) == []


def test_legs_that_one_meter_read_one_after_the_other_are_compared() -> None:
    """By hand: the legs move by -6.73 and +4.33 V between the rounds, the neutral by 5.53 V."""
    rounds = ((0, "L1-N", 5, 124.83), (0.5, "L2-N", 5, 122.43), (6, "L1-N", 0, 118.10), (6.5, "L2-N", 0, 126.76))
    found = decide(SITE, evidence(one_by_one(*rounds), []), POLICY)
    assert any("by 5.5 V" in alarm.sentence for alarm in found.alarms)
    assert kinds(one_by_one((0, "L1-N", 0, 130.5), (4.9, "L2-N", 0, 111.0))) == {"neutral"}
    # Neither six minutes apart, nor with the solar on at one of them, nor by two meters.
    assert kinds(one_by_one((0, "L1-N", 0, 130.5), (6, "L2-N", 0, 115.0))) == set()
    assert kinds(one_by_one((0, "L1-N", 0, 130.5), (1, "L2-N", 5, 115.0))) == set()
    two = one_by_one((0, "L1-N", 0, 130.5), (1, "L2-N", 0, 115.0))
    assert kinds([two[0], two[1] | {"instrument": "another"}]) == set()
    assert kinds(two) == {"neutral"}
    # What a leg was seen to move by meanwhile is error: 5 V off the middle, while one leg moved by 5 V.
    moving = ((0, "L1-N", 0, 126.0), (1, "L2-N", 0, 116.0))
    assert kinds(one_by_one(*moving)) == {"neutral"}
    assert kinds(one_by_one(*moving, (2, "L2-N", 0, 121.0))) == set()


def test_one_legs_step_alone_is_a_hot_joint_whatever_length_the_service_has() -> None:
    """By hand: L1 falls by 8.5 V and L2 by 0.6 V at 8.12 kW / 255 V = 31.84 A. At the rated 33.83 A it is 7.9 V times
    33.83 / 31.84 = 8.39 V, and 284 W in a joint of L1.
    """
    site = replace(SITE, service_whole=False, service_pct=None, rated_kw=8.12)
    on, off = ((0, "L1-N", 8.12, 131.5), (0, "L2-N", 8.12, 123.5)), ((6, "L1-N", 0, 123.0), (6, "L2-N", 0, 122.9))
    found = decide(site, evidence(one_by_one(*on, *off), [], site), POLICY)
    assert {alarm.kind for alarm in found.alarms} == {"hot connection"}
    (alarm,) = [alarm for alarm in found.alarms if "of that leg" in alarm.sentence]
    watts = float(alarm.sentence.split(" W at")[0].split()[-1])
    assert watts == pytest.approx(284, abs=1)
    # Both legs fall alike: a long service, and no joint.
    alike = ((0, "L1-N", 8.12, 127.5), (0, "L2-N", 8.12, 127.2))
    assert kinds(one_by_one(*alike, *off), site) == set()
    # 1 V more on one leg is within what the meter may be off by.
    near = ((0, "L1-N", 8.12, 124.9), (0, "L2-N", 8.12, 123.8))
    assert kinds(one_by_one(*near, *off), site) == set()


def test_a_step_beyond_the_largest_plausible_service_is_a_call_where_none_is_recorded() -> None:
    unknown = replace(SITE, service_whole=False, service_pct=None)
    for service, alarm in ((3.5, set()), (5.5, {"hot connection"})):
        step = [
            reading("service", NOON + n * MINUTE, share, 102.0, service=service, solar=solar, instrument="r",
                    error_v=0.2)
            for n, share, solar in ((0, 0.9, "on"), (3, 0.0, "off"))
        ]  # fmt: skip
        assert kinds(step, unknown) == alarm


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("Burning smell at the junction box, lights go bright and dim, TV broke", "Burning smell bright dim TV broke"),
        ("There is no smell", "smell"),  # a negation is not read
        ("the box is HOT to touch and buzzes", "HOT buzzes"),
        ("we got a tingle from the tap", "tingle"),
        ("two light bulbs have failed", "light bulbs have failed"),
        ("Es riecht verschmort, das Licht flackert", "riecht verschmort flackert"),
        ("olor a quemado", "olor quemado"),
        ("It switches off when the sun shines.", None),
        ("It stops on hot days and bright afternoons, in the search for shade; dimensions unknown", None),
        ("Stops in summer, the panel at the arch", None),
        (None, None),
    ],
)
def test_what_the_customer_says_calls_and_the_words_are_named(text: str | None, named: str | None) -> None:
    found = decide(SITE, evidence([], []), POLICY, text=text)
    assert (found.state == STOP) is (named is not None)
    for word in (named or "").split():
        assert word.lower() in found.alarms[0].sentence
    # What was repaired since is no call for what was said before.
    assert decide(SITE, evidence([], []), POLICY, dt.date(2025, 7, 1), text=text).state != STOP


def test_legs_of_120_v_that_are_high_and_alike_are_the_utilitys() -> None:
    rows = one_by_one((0, "L1-N", 0, 132.6), (0, "L2-N", 0, 132.5), (0, "L1-L2", 0, 265.1))
    found = decide(SITE, evidence(rows, []), POLICY)
    assert (found.state, found.answer) == (STOP, "supply dangerously high: call the utility")
    assert kinds(one_by_one((0, "L1-N", 0, 133.0), (0, "L2-N", 0, 120.0))) == {"neutral"}


def test_a_supply_over_its_range_without_solar_is_reported_today() -> None:
    """258 V is 107.5 % of 240 V; ANSI C84.1 Range B ends at 254 V, 105.8 %."""
    site = replace(SITE, report_pct=100 * 254 / 240)
    at_service = {"place": "service", "leg": "L1-L2"}
    for volts, urgent in ((258.0, True), (253.0, False), (255.0, False)):  # 255 V ± 2 V is not surely over
        rows = [one_by_one((0, "L1-L2", 0, volts))[0] | at_service]
        found = decide(site, evidence(rows, []), POLICY)
        assert found.next_step.startswith("Report to the utility today") is urgent
    assert "258.0 V" in decide(site, evidence([rows[0] | {"mean_v": 258.0}], []), POLICY).next_step
    # A log with the solar on tells it too, once the own rise is off: 107.5 % of nominal.
    found = decide(site, evidence(week(("service",), random.Random(3), supply_pct=107.5), []), POLICY)
    assert found.next_step.startswith("Report to the utility today")
    assert "254.0 V" in found.next_step


def test_heat_that_is_no_call_keeps_its_branch_open() -> None:
    """By hand: 0.8 % of 240 V at 20 A is 38 W more than computed, 1.38 times the rise and below the ratio of 1.5."""
    parts = (*PARTS[:2], PARTS[2] + 0.8, PARTS[3])
    trips = [trip(dt.datetime(2025, 6, 10 + day, 15, 50)) for day in range(5)]
    found = decide(SITE, evidence(week(("main panel", "unit"), random.Random(1), parts=parts), trips), POLICY)
    assert found.state != STOP
    (heat,) = found.unexplained
    assert heat.circuit_id == "1"
    assert 33 < heat.heat_w < 39
    assert found.next_step.startswith("Open the breaker of branch 1 and leave it open until its terminations were")
    assert f"({heat.heat_w:.0f} W unexplained" in found.next_step
    # Nothing is read live on it, nor anywhere where the branch is not named.
    assert all(look.circuit_id != "1" for look in found.looks)
    # As built, nothing is unexplained.
    sound = decide(SITE, evidence(week(("main panel", "unit"), random.Random(1)), trips), POLICY)
    assert sound.unexplained == ()


def test_other_stops_of_one_unit_ask_for_its_connection_and_early_logs_are_remarked_on() -> None:
    stops = [trip(dt.datetime(2025, 6, 10 + day, 15, 50), "other trip") for day in range(5)]
    found = decide(SITE, replace(evidence([], stops), energized=dt.date(2025, 7, 1)), POLICY)
    assert "check that unit's AC connection too, dead" in found.next_step
    assert "begin on 2025-06-10, before the system was energized on 2025-07-01" in found.counted
    several = [trip(dt.datetime(2025, 6, 10 + day, 15, 50), "other trip", str(day)) for day in range(5)]
    found = decide(SITE, replace(evidence([], several), energized=dt.date(2025, 6, 1)), POLICY)
    assert "AC connection" not in found.next_step
    assert "energized" not in found.counted


def test_every_look_names_the_legs_and_no_connector_is_opened() -> None:
    for site, legs_read in ((SITE, "L1-N, L2-N and L1-L2"), (wye("208Y/120"), "A-N, B-N, C-N")):
        found = decide(site, evidence([], []), POLICY)
        metered = [look.sentence for look in found.looks if "Measure" in look.sentence]
        assert metered
        assert all(legs_read in sentence for sentence in metered)
        units = [look.sentence for look in found.looks if "last unit" in look.sentence]
        assert units
        assert all("no trunk connector is opened or probed under load" in sentence for sentence in units)

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

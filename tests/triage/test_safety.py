"""Calls at once: the design's rules for legs and connections, and what must not raise one."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import replace

import pytest
from triage_cases import NOON, PARTS, POLICY, SITE, evidence, frame, reading, trip, week

from auditor.triage.contrasts import in_percent
from auditor.triage.decide import STOP, decide
from auditor.triage.safety import far_off, moved_apart

MINUTE = dt.timedelta(minutes=1)


def legs(pairs: list[tuple[int, float, float]], error_v: float | None = 0.2) -> list[dict[str, object]]:
    """Readings of both legs at the main panel, so many minutes after noon."""
    rows = []
    for minutes, one, two in pairs:
        for leg, volts in (("L1-N", one), ("L2-N", two)):
            made = reading("main panel", NOON + minutes * MINUTE, 0.0, 100.0, leg=leg, solar="off", error_v=error_v)
            rows.append(made | {"mean_v": volts, "duration_s": 10.0})
    return rows


def of_legs(pairs: list[tuple[int, float, float]], error_v: float | None = 0.2) -> list[str]:
    rows = in_percent(frame(legs(pairs, error_v)), SITE, POLICY)
    return [alarm.kind for alarm in (*far_off(rows), *moved_apart(rows))]


@pytest.mark.parametrize(
    ("pairs", "alarm"),
    [
        ([(0, 120.0, 120.0), (5, 123.7, 116.3)], True),  # ±3.7 V: more than 3 % of 120 V
        ([(0, 120.0, 120.0), (5, 123.5, 116.5)], False),  # ±3.5 V: less
        ([(0, 120.0, 120.0), (5, 125.0, 125.0)], False),  # both rise
        ([(0, 120.0, 120.0), (5, 124.5, 120.5)], False),  # neither falls
        ([(0, 120.0, 120.0), (5, 131.0, 121.0)], False),  # nor here, though they part by ten volts
        ([(0, 120.0, 120.0), (90, 123.7, 116.3)], False),  # not within the hour
        ([(0, 132.1, 118.0)], True),
        ([(0, 132.0, 118.0)], False),
        ([(0, 119.0, 107.9)], True),
    ],
)
def test_the_rule_for_a_neutral(pairs: list[tuple[int, float, float]], alarm: bool) -> None:
    assert (of_legs(pairs) != []) is alarm


def test_a_meter_that_is_too_coarse_proves_no_movement() -> None:
    assert of_legs([(0, 120.0, 120.0), (5, 124.0, 116.0)], error_v=4.5) == []


def test_twice_the_computed_drop_counts_where_it_is_known() -> None:
    rows = in_percent(frame(legs([(0, 120.0, 120.0), (5, 122.0, 118.0)])), SITE, POLICY)
    assert moved_apart(rows) == []
    assert [a.kind for a in moved_apart(rows, neutral_drop_v=0.9)] == ["neutral"]


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

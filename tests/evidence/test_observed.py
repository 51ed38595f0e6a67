"""What logs say, worked by hand, and against a plain count of minutes; sunrise against an almanac's algorithm."""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd
import polars as pl
import pytest
from pvlib import solarposition

from auditor.evidence.daylight import daylight_share, zones_h
from auditor.evidence.observed import (
    NO_LOG,
    NO_PLACE,
    OLD_SETTINGS,
    OUTSIDE,
    by_day,
    in_order,
    observe,
)

SCHEMA = {
    "system_id": pl.String(),
    "circuit_id": pl.String(),
    "unit": pl.String(),
    "start": pl.Datetime("us"),
    "end": pl.Datetime("us"),
    "known_until": pl.Datetime("us"),
    "kind": pl.String(),
}
TRIP, LOST, LOG, SETTINGS = "overvoltage trip", "communication lost", "logging", "settings changed"
#: 75° W, where standard time is UTC − 5 and the sun stands highest near noon.
LONGITUDE, ZONE = -75.0, timedelta(hours=-5)
Event = tuple[str, str, str | None] | tuple[str, str, str | None, str]


def frame(*events: Event, system: str = "S1", until: str | None = None) -> pl.DataFrame:
    """Events in local standard time: (kind, start, end or None, unit)."""

    def utc(text: str | None) -> datetime | None:
        return None if text is None else datetime.fromisoformat(text) - ZONE

    rows = [
        (
            system,
            None,
            (*event, "")[3] or None,
            utc(event[1]),
            utc(event[2]),
            None if event[2] else utc(until),
            event[0],
        )
        for event in events
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def places(*systems: str, latitude: float | None = 40.0, longitude: float | None = LONGITUDE) -> pl.DataFrame:
    columns = {"system_id": list(systems or ("S1",)), "latitude_deg": latitude, "longitude_deg": longitude}
    return pl.DataFrame(
        columns, schema={"system_id": pl.String, "latitude_deg": pl.Float64, "longitude_deg": pl.Float64}
    )


def counts(events: pl.DataFrame, systems: pl.DataFrame | None = None) -> dict[int, tuple[float, int, int, int]]:
    """By month: logged days, trip-days, trips, episodes."""
    months = observe(events, places() if systems is None else systems).months
    return {row[1]: row[2:6] for row in months.iter_rows()}


def unused(events: pl.DataFrame, systems: pl.DataFrame | None = None) -> dict[str, int]:
    return {r: n for _, r, n in observe(events, places() if systems is None else systems).unused.iter_rows()}


def test_a_day_counts_once_and_trips_within_the_hour_are_one_episode() -> None:
    events = frame(
        (LOG, "2025-06-01T00:00", "2025-07-01T00:00"),
        *((TRIP, f"2025-06-10T{at}", None) for at in ("11:00:00", "11:59:59", "12:59:59", "15:00:00")),
        (TRIP, "2025-06-12T12:00", None),
        ("other trip", "2025-06-14T12:00", None),
    )
    # 11:00 and 11:59:59 are one; 12:59:59 is an hour after; 15:00 stands alone; and the day after next.
    assert counts(events) == {6: (30.0, 2, 5, 4)}
    assert unused(events) == {}


def test_one_trip_told_twice_counts_once_and_units_count_each() -> None:
    log = (LOG, "2025-06-01T00:00", "2025-07-01T00:00")
    trip = (TRIP, "2025-06-10T12:00", None, "U1")
    events = frame(log, trip, trip, (TRIP, "2025-06-10T12:00", None, "U2"))
    assert counts(events) == {6: (30.0, 1, 2, 1)}


def test_midnight_is_that_of_local_standard_time() -> None:
    # Half past eleven at night and half past midnight, standard time: two days, though one day in UTC.
    events = frame(
        (LOG, "2025-06-01T00:00", "2025-07-01T00:00"),
        (TRIP, "2025-06-10T23:30", None),
        (TRIP, "2025-06-11T00:31", None),
    )
    assert counts(events) == {6: (30.0, 2, 2, 2)}
    # The last evening of June is July in UTC.
    assert counts(frame((LOG, "2025-06-30T00:00", "2025-07-01T00:00"), (TRIP, "2025-06-30T22:00", None))) == {
        6: (1.0, 1, 1, 1)
    }


def test_clocks_that_people_change_make_no_day_shorter() -> None:
    # A gateway on daylight-saving time (UTC − 4) closes its log at its own midnight, from 9 March 2025 on: an hour
    # before that of standard time, in the dark. Each day still is one day.
    events = frame(
        (LOG, "2025-03-08T00:00", "2025-03-09T00:00"),
        *(
            (LOG, f"2025-03-{day:02d}T{hour}", f"2025-03-{day + 1:02d}T23:00")
            for day, hour in ((9, "00:00"), (10, "23:00"))
        ),
        # Half past midnight of 11 March by its clock is the evening of the 10th.
        (TRIP, "2025-03-10T23:30", None),
        (TRIP, "2025-03-10T10:00", None),
    )
    assert counts(events) == {3: (pytest.approx(4.0), 1, 2, 2)}
    days = by_day(events, places())
    assert days["day"].to_list() == [date(2025, 3, day) for day in (8, 9, 10, 11)]
    assert days["logged_share"].to_list() == pytest.approx([1.0] * 4)


def test_hours_of_the_night_are_no_share_of_daylight() -> None:
    # At 40° N in June the sun is up from about 4:30 to 19:30 of standard time.
    assert counts(frame((LOG, "2025-06-10T20:30", "2025-06-11T03:30"))) == {}
    night = frame((LOG, "2025-06-10T20:30", "2025-06-11T03:30"), (TRIP, "2025-06-10T22:00", None))
    assert unused(night) == {OUTSIDE: 1}
    assert counts(frame((LOG, "2025-06-10T03:30", "2025-06-10T20:30"))) == {6: (pytest.approx(1.0), 0, 0, 0)}


def test_half_a_day_of_daylight_is_half_a_day() -> None:
    # 15 April: the equation of time is nought (within half a minute) and noon at 75° W is the sun's.
    assert counts(frame((LOG, "2025-04-15T00:00", "2025-04-15T12:00")))[4][0] == pytest.approx(0.5, abs=0.001)
    whole = counts(frame((LOG, "2025-04-14T12:00", "2025-04-17T12:00")))[4][0]
    assert whole == pytest.approx(3.0, abs=0.001)


def test_a_silent_gateway_is_no_quiet_site() -> None:
    events = frame(
        (LOG, "2025-01-01T00:00", "2026-01-01T00:00"),
        (LOST, "2025-06-05T00:00", "2025-09-01T00:00"),
        (TRIP, "2025-07-10T12:00", None),
        (TRIP, "2025-09-10T12:00", None),
    )
    found = counts(events)
    assert found[6] == (4.0, 0, 0, 0)
    assert 7 not in found
    assert 8 not in found
    assert found[9] == (30.0, 1, 1, 1)
    assert unused(events) == {OUTSIDE: 1}


def test_lost_communication_without_an_end_lasts_until_the_next_log_or_for_good() -> None:
    year = (LOG, "2025-01-01T00:00", "2025-09-01T00:00")
    lost = (LOST, "2025-03-01T00:00", None)
    assert set(counts(frame(year, lost))) == {1, 2}
    assert set(counts(frame(year, lost, (LOG, "2025-08-01T00:00", "2025-11-01T00:00")))) == {1, 2, 8, 9, 10}
    # A change of settings ends no silence.
    changed = frame(year, lost, (SETTINGS, "2025-05-01T00:00", None))
    assert counts(changed) == {}


def test_losses_of_several_parts_overlap() -> None:
    events = frame(
        (LOG, "2025-06-01T00:00", "2025-07-01T00:00"),
        (LOST, "2025-06-03T00:00", "2025-06-10T00:00", "U1"),
        (LOST, "2025-06-08T00:00", "2025-06-12T00:00", "U2"),
    )
    assert counts(events)[6][0] == 30 - 9


def test_a_log_without_an_end_is_known_as_far_as_its_file_tells() -> None:
    events = frame((LOG, "2025-06-01T00:00", None), until="2025-06-21T00:00")
    assert counts(events) == {6: (20.0, 0, 0, 0)}
    assert counts(frame((LOG, "2025-06-01T00:00", None))) == {}


def test_overlapping_logs_count_once() -> None:
    events = frame(
        (LOG, "2025-06-01T00:00", "2025-06-15T00:00"),
        (LOG, "2025-06-10T00:00", "2025-06-20T00:00", "U1"),
        (LOG, "2025-06-12T00:00", "2025-06-13T00:00", "U2"),
        (LOG, "2025-06-20T00:00", "2025-06-21T00:00"),
    )
    assert counts(events) == {6: (20.0, 0, 0, 0)}
    months = observe(events, places()).months
    assert months.select("first_day", "last_day").row(0) == (date(2025, 6, 1), date(2025, 6, 20))


def test_days_of_one_month_in_several_years_add_up() -> None:
    events = frame((LOG, "2023-06-01T00:00", "2025-06-11T00:00"), (TRIP, "2023-06-04T12:00", None))
    found = counts(events)
    assert found[6] == (30 + 30 + 10, 1, 1, 1)
    assert found[2][0] == 29 + 28
    assert sum(row[0] for row in found.values()) == (date(2025, 6, 11) - date(2023, 6, 1)).days


def test_trips_without_a_log_are_told_and_do_not_count() -> None:
    trip = (TRIP, "2025-06-10T12:00", None)
    assert counts(frame(trip)) == {}
    assert unused(frame(trip)) == {NO_LOG: 1}
    elsewhere = frame((LOG, "2025-06-01T00:00", "2025-06-05T00:00"), trip)
    assert counts(elsewhere) == {6: (4.0, 0, 0, 0)}
    assert unused(elsewhere) == {OUTSIDE: 1}


def test_the_end_of_a_log_is_not_in_it() -> None:
    log = (LOG, "2025-06-01T00:00", "2025-06-10T12:00")
    assert counts(frame(log, (TRIP, "2025-06-10T11:59:59", None)))[6][1] == 1
    assert unused(frame(log, (TRIP, "2025-06-10T12:00", None))) == {OUTSIDE: 1}


def test_what_lies_before_the_settings_now_in_force_says_nothing() -> None:
    events = frame(
        (LOG, "2025-01-01T00:00", "2026-01-01T00:00"),
        (SETTINGS, "2025-02-01T00:00", None),
        (SETTINGS, "2025-08-01T00:00", None),
        (TRIP, "2025-07-31T12:00", None),
        (TRIP, "2025-08-01T12:00", None),
    )
    found = counts(events)
    assert set(found) == {8, 9, 10, 11, 12}
    assert found[8] == (31.0, 1, 1, 1)
    assert unused(events) == {OLD_SETTINGS: 1}


def test_a_system_whose_place_is_not_known_has_no_local_days() -> None:
    events = frame((LOG, "2025-06-01T00:00", "2025-07-01T00:00"), (TRIP, "2025-06-10T12:00", None))
    assert counts(events, places(longitude=None)) == {}
    assert unused(events, places(latitude=None)) == {NO_PLACE: 1}


def test_systems_do_not_mix() -> None:
    one = frame((LOG, "2025-06-01T00:00", "2025-07-01T00:00"), (TRIP, "2025-06-10T12:00", None))
    two = frame((LOST, "2025-06-01T00:00", None), (TRIP, "2025-06-10T12:20", None), system="S2")
    three = frame((LOG, "2025-06-09T00:00", "2025-06-12T00:00"), (TRIP, "2025-06-10T12:40", None), system="S3")
    both = observe(pl.concat([three, two, one]), places("S3", "S1", "S2", "S0"))
    assert [row[:6] for row in both.months.iter_rows()] == [("S1", 6, 30.0, 1, 1, 1), ("S3", 6, 3.0, 1, 1, 1)]
    assert both.unused.rows() == [("S2", NO_LOG, 1)]


def test_logs_come_in_the_order_that_is_asked_for() -> None:
    events = pl.concat(
        [
            frame((LOG, "2025-01-01T00:00", "2025-02-01T00:00"), system="W"),
            frame((LOG, "2025-06-01T00:00", "2025-06-16T00:00"), system="S"),
        ]
    )
    months = observe(events, places("W", "S")).months
    observed, logged = in_order(months, pl.Series(["S", "none", "W"]))
    assert observed[[0, 2]].tolist() == [0.0, 0.0]
    assert np.isnan(observed[1])
    assert logged.sum(axis=1).tolist() == [15.0, 0.0, 31.0]
    assert (logged[0, 5], logged[2, 0]) == (15.0, 31.0)


def test_a_system_without_a_log_has_no_count() -> None:
    events = frame((TRIP, "2025-06-10T12:00", None))
    observed, logged = in_order(observe(events, places()).months, pl.Series(["S1"]))
    assert np.isnan(observed).all()
    assert not logged.any()


@pytest.mark.parametrize("latitude", [-54.0, -20.0, 0.0, 35.0, 52.0, 64.0])
def test_daylight_is_that_of_an_almanac(latitude: float) -> None:
    # NREL's solar position algorithm (I. Reda and A. Andreas, Solar Energy 76 (2004) 577): sun's centre above the
    # horizon, minute by minute. The simple series here may be off by a few minutes of a day.
    for day, longitude in ((date(2025, 1, 20), -68.0), (date(2025, 6, 21), 12.0), (date(2025, 10, 28), 151.0)):
        zone = int(zones_h(np.array([longitude]))[0])
        local = pd.date_range(day, periods=1440, freq="min")
        height = solarposition.get_solarposition(
            (local - pd.Timedelta(hours=zone)).tz_localize("UTC"), latitude, longitude
        )
        up = height["elevation"].to_numpy() > 0.0
        at = (np.array([latitude]), np.array([longitude]), np.array([day.timetuple().tm_yday]))
        for first, last in ((0, 24), (0, 11), (7.5, 13), (16, 24)):
            known = up[int(first * 60) : int(last * 60)].sum() / up.sum()
            assert daylight_share(*at, np.array([float(first)]), np.array([float(last)]))[0] == pytest.approx(
                known, abs=0.012
            )


def test_polar_days() -> None:
    at = (np.array([78.0, 78.0]), np.array([15.0, 15.0]), np.array([172, 355]))
    assert daylight_share(*at, np.zeros(2), np.full(2, 24.0)).tolist() == pytest.approx([1.0, 0.0])
    assert daylight_share(*at, np.zeros(2), np.full(2, 6.0)).tolist() == pytest.approx([0.25, 0.0])


def test_zones_are_the_nearest_to_the_sun() -> None:
    longitudes = [-180.0, -75.0, -67.6, -67.4, 0.0, 7.4, 7.6, 77.2, 180.0]
    assert zones_h(np.array(longitudes)).tolist() == [-12, -5, -5, -4, 0, 0, 1, 5, 12]


def plain_days(events: pl.DataFrame, first: date, days: int) -> dict[date, tuple[float, int]]:
    """Count quarter-hours one by one: the share of those between 6 and 18 h in the log, and the trips."""
    told = [(k, s + ZONE, None if e is None else e + ZONE) for _, _, _, s, e, _, k in events.iter_rows()]
    since = max((s for k, s, _ in told if k == SETTINGS), default=datetime.min)

    def watched_at(at: datetime) -> bool:
        logs = any(k == LOG and s <= at < e for k, s, e in told if e)
        return logs and at >= since and not any(k == LOST and s <= at < e for k, s, e in told if e)

    found = {}
    for number in range(days):
        midnight = datetime.combine(first, datetime.min.time()) + timedelta(days=number)
        light = [watched_at(midnight + timedelta(minutes=15 * slot)) for slot in range(24, 72)]
        trips = sum(k == TRIP and s.date() == midnight.date() and watched_at(s) for k, s, _ in told)
        if any(light):
            found[midnight.date()] = (sum(light) / len(light), trips)
    return found


@pytest.mark.parametrize("seed", range(12))
def test_counts_agree_with_quarter_hours_counted_one_by_one(seed: int) -> None:
    # On the equator at 15 April the sun is up from 6 to 18 h within a minute, for days around within a few.
    rng = random.Random(seed)
    first = date(2025, 4, 10)

    def moment() -> datetime:
        return datetime(2025, 4, 10) + timedelta(minutes=15 * rng.randrange(96 * 10))

    events: list[Event] = []
    for kind, many in ((LOG, 4), (LOST, 3)):
        for _ in range(many):
            a, b = sorted((moment(), moment()))
            events.append((kind, a.isoformat(), b.isoformat()))
    trips = {moment().replace(hour=rng.randrange(7, 17)).isoformat() for _ in range(25)}
    events += [(TRIP, at, None) for at in sorted(trips)]
    if seed % 3 == 0:
        events.append((SETTINGS, moment().isoformat(), None))
    rng.shuffle(events)
    told = frame(*events)
    known = plain_days(told, first, 10)
    place = places(latitude=0.0)
    got = {day: (share, trips) for _, day, share, trips in by_day(told, place).iter_rows() if share > 0.01}
    assert got.keys() == known.keys()
    for day, (share, many) in known.items():
        assert got[day][0] == pytest.approx(share, abs=0.006), day
        assert got[day][1] == many, day
    months = observe(told, place).months
    assert months["logged_days"].sum() == pytest.approx(sum(share for share, _ in known.values()), abs=0.05)
    assert months["trip_days"].sum() == sum(many > 0 for _, many in known.values())

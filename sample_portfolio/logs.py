"""What was reported of some systems: events of a year, and readings of a week in June. Invented, like the systems.

The systems are neighbours on one distribution feeder. Logs begin and end at midnight of their standard time, so what
they hold is counted here by plain loops over days.
"""

from __future__ import annotations

import datetime
import math
import random
from dataclasses import dataclass, field
from pathlib import Path

from sample_portfolio import verdicts
from sample_portfolio.arithmetic import EQUIPMENT
from sample_portfolio.plan import System
from sample_portfolio.writing import write_csv

FEEDER, SERVICE = "EV-102", "120/240"
#: Standard time there, and the longitudes for which it is the nearest [h, deg].
ZONE, ZONE_H = "-03:00", -3
EAST_OF_DEG, WEST_OF_DEG = -52.4, -37.6
YEAR = (datetime.date(2025, 1, 1), datetime.date(2026, 1, 1))
EVENT_HEADER = ["system_id", "circuit_id", "unit", "start", "end", "kind", "words", "source"]
READING_HEADER = [
    "system_id",
    "place",
    "circuit_id",
    "unit",
    "leg",
    "start",
    "duration_s",
    "mean_v",
    "max_v",
    "power_kw",
]
#: A system without a record.
STRANGER = "Q9999"
WORDS = {"overvoltage trip": "AC V HI", "other trip": "AC F LO", "communication lost": "no contact"}
SOURCE = "site gateway"
EPISODE_MIN = 60
NOMINAL_V = 240.0

Span = tuple[datetime.date, datetime.date | None]


@dataclass
class Told:
    """What is told of a system: spans of days, the last one not in them, and trips in local time with their unit."""

    system_id: str
    logs: list[Span] = field(default_factory=list)
    silent: list[Span] = field(default_factory=list)
    settings: datetime.date | None = None
    trips: list[tuple[datetime.datetime, str, str]] = field(default_factory=list)

    def logged_days(self) -> list[datetime.date]:
        """Return the days on which trips would have been recorded under the settings now in force."""
        days = []
        for day in (YEAR[0] + datetime.timedelta(days=number) for number in range(365)):
            logged = any(a <= day and (b is None or day < b) for a, b in self.logs)
            silent = any(a <= day and (b is None or day < b) for a, b in self.silent)
            if logged and not silent and (self.settings is None or day >= self.settings):
                days.append(day)
        return days


def neighbours(systems: list[System]) -> list[System]:
    """Return the systems of the feeder in the order of their ids."""
    found = [
        system
        for system in systems
        if system.text("distribution_feeder_id") == FEEDER
        and (system.source, system.service) == ("tidy", SERVICE)
        and EAST_OF_DEG < system.number("longitude_deg") < WEST_OF_DEG
    ]
    return sorted(found, key=lambda system: system.system_id)


def trip_days(rng: random.Random, system: System, count: int, first: int, last: int) -> list:
    """Return the trips of so many days between two days of the year: some come again within the hour, some later."""
    circuit = system.circuits[0]
    trips = []
    for number in sorted(rng.sample(range(first, last), count)):
        day = datetime.datetime.combine(YEAR[0], datetime.time()) + datetime.timedelta(days=number)
        at = day + datetime.timedelta(minutes=rng.randrange(630, 780))
        for _ in range(rng.choice((1, 1, 2, 3))):
            trips.append((at, circuit.circuit_id, str(circuit.count)))
            if rng.random() < 0.3:
                at += datetime.timedelta(seconds=rng.randrange(5, 50))
                trips.append((at, circuit.circuit_id, str(circuit.count - 1)))
            at += datetime.timedelta(minutes=rng.choice((7, 13, 26, 41, 75, 110)))
    return trips


def tell(rng: random.Random, systems: list[System]) -> list[Told]:
    """Say what is told of each neighbour: most have a quiet year in their log."""
    told = []
    for place, system in enumerate(systems):
        one = Told(system.system_id, [YEAR])
        if place == 6:  # far more than its neighbours
            one.trips = trip_days(rng, system, 34, 60, 300)
        elif place == 7:  # its gateway was silent over the summer
            one.silent = [(datetime.date(2025, 4, 20), datetime.date(2025, 9, 15))]
            one.trips = trip_days(rng, system, 1, 70, 100)
        elif place == 8:  # logged in winter alone
            one.logs = [(YEAR[0], datetime.date(2025, 3, 1)), (datetime.date(2025, 11, 1), YEAR[1])]
        elif place == 9:  # other settings since August
            one.settings = datetime.date(2025, 8, 1)
            one.trips = trip_days(rng, system, 9, 90, 200) + trip_days(rng, system, 1, 220, 280)
        elif place == 10:  # somebody wrote trips down, and nothing says when nobody looked
            one.logs, one.trips = [], trip_days(rng, system, 4, 100, 250)
        elif place == 11:  # silent since June
            one.silent = [(datetime.date(2025, 6, 10), None)]
        else:
            one.trips = trip_days(rng, system, rng.choice((0, 0, 1, 2, 3)), 80, 280)
        told.append(one)
    return [*told, Told(STRANGER, [YEAR])]


def stamp(at: datetime.datetime | datetime.date) -> str:
    """Return a local time with its offset."""
    if not isinstance(at, datetime.datetime):
        at = datetime.datetime.combine(at, datetime.time())
    return at.isoformat(timespec="seconds") + ZONE


def event_rows(one: Told) -> list[list[str]]:
    """Return a system's rows in the order of their starts."""

    def row(kind: str, start: str, end: str = "", circuit: str = "", unit: str = "") -> list[str]:
        return [one.system_id, circuit, unit, start, end, kind, WORDS.get(kind, ""), SOURCE]

    rows = [row("logging", stamp(a), stamp(b) if b else "") for a, b in one.logs]
    rows += [row("communication lost", stamp(a), stamp(b) if b else "") for a, b in one.silent]
    if one.settings:
        rows.append(row("settings changed", stamp(one.settings)))
    for at, circuit, unit in one.trips:
        rows.append(row("overvoltage trip", stamp(at), stamp(at + datetime.timedelta(minutes=5)), circuit, unit))
    return sorted(rows, key=lambda cells: cells[3])


def write_events(folder: Path, told: list[Told]) -> list[str]:
    """Write the events, with a row told twice and one that ends before it starts; return its line of what to expect."""
    rows = [cells for one in told for cells in event_rows(one)]
    trip = next(cells for cells in rows if cells[5] == "overvoltage trip")
    other = [*trip[:5], "other trip", WORDS["other trip"], SOURCE]
    reversed_row = [*trip[:3], trip[4], trip[3], *trip[5:]]
    write_csv(folder / "events.csv", [EVENT_HEADER, *rows, other, trip, reversed_row])
    return ["events.csv", str(len(rows) + 3), str(len(rows) + 1), "1", "1"]


def expected_rows(told: list[Told]) -> list[list[str]]:
    """Return what the logs say by system and month, where anything was logged: days, trip-days, trips, episodes."""
    rows = []
    for one in told:
        days = one.logged_days()
        trips = sorted(trip for trip in one.trips if trip[0].date() in set(days))
        for month in range(1, 13):
            logged = [day for day in days if day.month == month]
            if not logged:
                continue
            starts, episodes, before = [], 0, None
            for at, _, _ in trips:
                apart = before is None or at - before >= datetime.timedelta(minutes=EPISODE_MIN)
                before = at
                if at.month == month:
                    starts.append(at)
                    episodes += apart
            counts = (len(logged), len({at.date() for at in starts}), len(starts), episodes)
            rows.append([one.system_id, str(month), *map(str, counts), str(logged[0]), str(logged[-1])])
    return rows


def readings_of(rng: random.Random, system: System, places: tuple[str, ...], days: int) -> list[list[str]]:
    """Return readings of a quarter of an hour in June: the supply, what the sun of all adds, and the own rise."""
    figures = verdicts.figures(system)
    key = max(figures, key=lambda circuit: figures[circuit].total_pct)
    circuit = next(c for c in system.circuits if c.circuit_id == key)
    rated_kw = sum(EQUIPMENT["inverter"][u.model]["rated_w"] * u.count for c in system.circuits for u in c.units) / 1000
    rows, noise = [], 0.0
    for day in range(days):
        cloud, shift = rng.choice((0.35, 0.7, 0.9, 1.0)), rng.gauss(0, 0.25)
        for slot in range(96):
            start = datetime.datetime(2025, 6, 9) + datetime.timedelta(days=day, minutes=15 * slot)
            hour = slot / 4 + 0.125
            sun = max(0.0, math.sin(math.pi * (hour - 4.6) / 15.0)) if 4.6 < hour < 19.6 else 0.0
            share = min(1.0, max(0.0, cloud * sun**1.3 + (rng.gauss(0, 0.06) if sun > 0 else 0.0)))
            noise = 0.9 * noise + rng.gauss(0, 0.2)
            evening = -1.2 * math.exp(-(((hour - 19.5) / 2.2) ** 2))
            supply_pct = 102.4 + shift + noise + evening + 0.8 * share
            peak_pct = -0.12 * math.log(1 - rng.random())
            for place in places:
                own_pct = figures[key].total_pct * share if place == "unit" else 0.0
                mean_v = NOMINAL_V * (supply_pct + own_pct) / 100
                where = (key, str(circuit.count), "") if place == "unit" else ("", "", "L1-L2")
                volts = (f"{mean_v:.1f}", f"{mean_v + NOMINAL_V * peak_pct / 100:.1f}")
                at = start.isoformat(timespec="minutes") + ZONE
                rows.append([system.system_id, place, *where, at, "900", *volts, f"{rated_kw * share:.2f}"])
    return rows


def write_readings(folder: Path, rng: random.Random, systems: list[System]) -> list[str]:
    """Write readings of two of them; return their line of what to expect."""
    rows = readings_of(rng, systems[6], ("service", "unit"), 7) + readings_of(rng, systems[0], ("service",), 5)
    write_csv(folder / "readings.csv", [READING_HEADER, *rows])
    return ["readings.csv", str(len(rows)), str(len(rows)), "0", "0"]


def write_logs(folder: Path, rng: random.Random, systems: list[System]) -> None:
    """Write events and readings of some systems, and what must come of them."""
    chosen = neighbours(systems)[:16]
    told = tell(rng, chosen)
    lines = [write_events(folder, told), write_readings(folder, rng, chosen)]
    write_csv(folder / "expected_evidence.csv", [["file", "rows_in", "accepted", "rejected", "duplicates"], *lines])
    header = ["system_id", "month", "logged_days", "trip_days", "trips", "episodes", "first_day", "last_day"]
    write_csv(folder / "expected_logs.csv", [header, *expected_rows(told)])

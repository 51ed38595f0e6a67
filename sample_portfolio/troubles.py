"""Complaints about trips, and what was measured and logged because of them. The cause behind each is planted here.

Every voltage is a plain sum along the path: the supply, and each part's rise times the current, which is the power over
the voltage at the unit. Rises come from the sample's own arithmetic; the service's from one formula for the transformer
and one for the drop.
"""

from __future__ import annotations

import datetime
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from sample_portfolio import verdicts
from sample_portfolio.arithmetic import EQUIPMENT, run_ohm
from sample_portfolio.logs import EVENT_HEADER, FEEDER, SERVICE
from sample_portfolio.plan import Circuit, Run, System
from sample_portfolio.writing import write_csv

READING_HEADER = [
    "system_id", "place", "circuit_id", "unit", "leg", "start", "duration_s", "mean_v", "max_v", "power_kw", "solar",
    "instrument", "error_v", "error_pct",
]  # fmt: skip
COMPLAINT_HEADER = ["complaint_id", "system_id", "opened", "closed", "status", "text"]
NOMINAL_V, LEG_V, THRESHOLD_PCT, TOP_PCT = 240.0, 120.0, 110.0, 105.0
OPENED = datetime.date(2025, 6, 23)
#: Typical resistance of a small transformer by rating, as the sample's policy says [%].
TRANSFORMER_R_PCT = ((15, 1.4), (50, 1.2), (167, 1.0))
#: Logged days, and the days of the week that was recorded.
LOG = (datetime.date(2025, 4, 1), datetime.date(2025, 9, 1))
RECORDED = tuple(datetime.date(2025, 6, day) for day in (16, 17, 18))
TRIP_DAYS = (*RECORDED, datetime.date(2025, 5, 11), datetime.date(2025, 6, 2), datetime.date(2025, 6, 21))
SLOTS = tuple(range(13, 40))
RECORDER, HANDHELD = ("recorder", "0.2", "0.1"), ("handheld", "0.2", "0.7")
SOURCE = "site gateway"


@dataclass
class Trouble:
    """One complaint: its planted cause, what settles it, and what is told of it.

    `supply_pct` is the supply at noon, the extras what is added to the computed rises at rated output [%].
    """

    system: System
    cause: str
    decisive: str
    supply_pct: float = 102.0
    wiring_extra_pct: float = 0.0
    service_extra_pct: float = 0.0
    trips_at_pct: float = THRESHOLD_PCT
    readings: list[list[str]] = field(default_factory=list)
    events: list[list[str]] = field(default_factory=list)

    @property
    def complaint_id(self) -> str:
        """The complaint's id: after its system."""
        return f"C-{self.system.system_id}"

    @cached_property
    def figures(self) -> dict[str, verdicts.Figures]:
        """The computed figures of each circuit."""
        return verdicts.figures(self.system)

    @cached_property
    def circuit(self) -> Circuit:
        """The circuit with the largest rise."""
        worst = max(self.figures, key=lambda key: self.figures[key].total_pct)
        return next(c for c in self.system.circuits if c.circuit_id == worst)

    @property
    def rated_w(self) -> float:
        """Rated output of all units [W]."""
        return sum(EQUIPMENT["inverter"][u.model]["rated_w"] * u.count for c in self.system.circuits for u in c.units)

    def rises(self) -> dict[str, float]:
        """Rise from the source to each place at rated output, as it is and not as it was designed [%]."""
        own = self.figures[self.circuit.circuit_id]
        service = service_pct(self.system, self.rated_w) + self.service_extra_pct
        panel = service + own.entrance_pct
        return {"service": service, "main panel": panel, "unit": panel + own.total_pct + self.wiring_extra_pct}

    def volts(self, place: str, share: float, supply_pct: float) -> float:
        """Voltage at a place at a share of rated output [V]."""
        rises, at_unit = self.rises(), supply_pct
        for _ in range(30):
            at_unit = supply_pct + rises["unit"] * share * 100 / at_unit
        return NOMINAL_V * (supply_pct + rises[place] * share * 100 / at_unit) / 100


def service_pct(system: System, rated_w: float) -> float:
    """Rise of transformer and drop at rated output [%]: R%·P/S, and 2·R·I over the nominal voltage."""
    kva = system.number("transformer_kva")
    winding = next(r for upto, r in TRANSFORMER_R_PCT if kva <= upto) * rated_w / 1000 / kva
    drop = Run(system.number("service_drop_length_m"), system.text("service_drop_size"), "aluminium")
    return winding + 2 * run_ohm(drop).real * rated_w / NOMINAL_V / NOMINAL_V * 100


def moment(system: System, day: datetime.date, minutes: int) -> datetime.datetime:
    """A moment by the sun of the place, in UTC."""
    noon_utc = datetime.timedelta(minutes=round(-4 * system.number("longitude_deg")))
    midnight = datetime.datetime.combine(day, datetime.time())
    return midnight + datetime.timedelta(minutes=minutes) + noon_utc


def stamp(at: datetime.datetime) -> str:
    """The moment as the files hold it."""
    return at.isoformat(timespec="seconds") + "Z"


def reading(
    one: Trouble, place: str, at: datetime.datetime, share: float, volts: float, top: float | None = None,
    leg: str = "L1-L2", by: tuple[str, str, str] = RECORDER, seconds: int = 900, solar: str = "",
) -> list[str]:  # fmt: skip
    """One row of the file of readings."""
    where = (one.circuit.circuit_id, str(one.circuit.count), "") if place == "unit" else ("", "", leg)
    kw = f"{one.rated_w / 1000 * share:.3f}"
    highest = "" if top is None else f"{top:.1f}"
    instrument = by if solar else ("", by[1], by[2])
    return [
        one.system.system_id, place, *where, stamp(at), str(seconds), f"{volts:.2f}", highest, kw, solar, *instrument,
    ]  # fmt: skip


def record(rng: random.Random, one: Trouble, places: tuple[str, ...]) -> None:
    """Three days of quarter-hours at several places at once; on each the units trip once, early in the afternoon."""
    for day in RECORDED:
        shift, noise, cloud = rng.gauss(0, 0.2), 0.0, rng.choice((0.8, 1.0))
        for slot in SLOTS:
            at = moment(one.system, day, 30 * slot)
            share = max(0.0, 1 - ((30 * slot - 780) / 420) ** 2) * rng.choice((cloud, 1.0, 0.6))
            noise = 0.8 * noise + rng.gauss(0, 0.15)
            supply = one.supply_pct + shift + noise
            for place in places:
                volts = one.volts(place, share, supply) + rng.gauss(0, 0.05)
                top = volts + abs(rng.gauss(0, 0.4))
                if slot == 27 and place == "unit":
                    top = max(volts, NOMINAL_V * (one.trips_at_pct + rng.gauss(0, 0.15)) / 100)
                one.readings.append(reading(one, place, at, share, volts, top))


def spot(rng: random.Random, one: Trouble, by: tuple[str, str, str], day: datetime.date = RECORDED[-1]) -> None:
    """A technician at the main panel with the solar on and then off, legs too, and at the last unit."""
    supply = one.supply_pct + rng.gauss(0, 0.1)
    for minutes, solar, share in ((725, "on", 0.92), (731, "off", 0.0)):
        at = moment(one.system, day, minutes)
        volts = one.volts("main panel", share, supply)
        rows = [("L1-L2", volts), ("L1-N", volts / 2 + 0.2), ("L2-N", volts / 2 - 0.2)]
        one.readings += [
            reading(one, "main panel", at, share, v, leg=leg, by=by, seconds=10, solar=solar) for leg, v in rows
        ]
    at = moment(one.system, day, 722)
    volts = one.volts("unit", 0.92, supply)
    one.readings.append(reading(one, "unit", at, 0.92, volts, by=by, seconds=10, solar="on"))


def log(rng: random.Random, one: Trouble, kind: str, days: tuple[datetime.date, ...], unit: int | None = None) -> None:
    """A log of the spring and summer with a stop on each of these days, of the last unit unless another is named."""

    def row(kind: str, start: datetime.datetime, end: datetime.datetime, where: tuple[str, str], words: str) -> None:
        one.events.append([one.system.system_id, *where, stamp(start), stamp(end), kind, words, SOURCE])

    begin, end = (datetime.datetime.combine(day, datetime.time()) for day in LOG)
    row("logging", begin, end, ("", ""), "")
    place = (one.circuit.circuit_id, str(unit or one.circuit.count))
    for day in sorted(days):
        at = moment(one.system, day, 30 * 27 + rng.randrange(2, 13))
        words = "AC V HI" if kind == "overvoltage trip" else "AC F LO"
        row(kind, at, at + datetime.timedelta(minutes=5), place, words)


def design(rng: random.Random, one: Trouble) -> None:
    """The wiring as it was designed is over its target."""
    record(rng, one, ("service", "main panel", "unit"))
    spot(rng, one, RECORDER)
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def workmanship(rng: random.Random, one: Trouble) -> None:
    """The wiring rises by more than was designed, but not by so much that a connection must be hot."""
    one.wiring_extra_pct = 0.42 * one.figures[one.circuit.circuit_id].total_pct
    record(rng, one, ("main panel", "unit"))
    spot(rng, one, RECORDER)
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def hot(rng: random.Random, one: Trouble) -> None:
    """One connection adds more than all of the wiring was designed for."""
    one.wiring_extra_pct = rng.uniform(2.8, 3.8)
    record(rng, one, ("main panel", "unit")) if rng.random() < 0.5 else spot(rng, one, RECORDER)
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def neutral(rng: random.Random, one: Trouble) -> None:
    """The legs move apart when the solar goes off, and one of them stands far too high besides in some cases."""
    spot(rng, one, HANDHELD)
    apart, high = rng.uniform(5.0, 7.0), rng.random() < 0.5
    for cells in one.readings:
        side = {"L1-N": 1, "L2-N": -1}.get(cells[4], 0)
        moved = apart if cells[10] == "off" else 0.0
        level = 14.0 if high else 1.0
        cells[7] = f"{float(cells[7]) + side * (level - moved):.2f}" if side else cells[7]
    log(rng, one, "overvoltage trip", TRIP_DAYS[:3])


def supply(rng: random.Random, one: Trouble) -> None:
    """The supply stands above its range at noon."""
    one.supply_pct = rng.uniform(107.2, 108.2)
    record(rng, one, ("service", "unit")) if rng.random() < 0.5 else spot(rng, one, RECORDER)
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def service(rng: random.Random, one: Trouble) -> None:
    """The service rises by far more than it should; its drop is not in the record."""
    one.service_extra_pct = rng.uniform(2.6, 3.2)
    spot(rng, one, RECORDER)
    record(rng, one, ("unit",))
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def settings(rng: random.Random, one: Trouble) -> None:
    """All units trip far below their threshold."""
    one.trips_at_pct = rng.uniform(105.2, 106.2)
    record(rng, one, ("main panel", "unit"))
    log(rng, one, "overvoltage trip", TRIP_DAYS)


def one_unit(rng: random.Random, one: Trouble) -> None:
    """One unit within the row, which was exchanged, trips by itself and far below its threshold."""
    settings(rng, one)
    one.events.clear()
    log(rng, one, "overvoltage trip", TRIP_DAYS, unit=one.circuit.count // 2)


def other(rng: random.Random, one: Trouble) -> None:
    """The units stopped, but not for the voltage."""
    record(rng, one, ("service",))
    log(rng, one, "other trip", TRIP_DAYS)


#: Cause, the evidence without which nobody can tell, how it is told, and how many.
Tell = Callable[[random.Random, Trouble], None]
PLANTED: tuple[tuple[str, str, Tell, int], ...] = (
    ("wiring design", "readings", design, 7),
    ("workmanship", "readings", workmanship, 5),
    ("hot connection", "readings", hot, 5),
    ("neutral", "readings", neutral, 4),
    ("service or grid", "readings", supply, 7),
    ("service or grid", "readings", service, 3),
    ("settings", "readings", settings, 3),
    ("settings", "readings", one_unit, 2),
    ("not overvoltage", "events", other, 4),
)


def suits(system: System, tell: Tell) -> bool:
    """Whether a cause can be planted in a system."""
    figures = verdicts.figures(system)
    rise = max(own.total_pct for own in figures.values())
    if tell is service:
        return system.source == "field"
    if system.source == "field" or max(c.count for c in system.circuits) < 6:
        return False
    if tell is design:
        return rise > 1.08 * verdicts.TARGET_PCT
    if tell is workmanship:
        return 1.3 < rise < verdicts.TARGET_PCT
    return rise < 0.95 * verdicts.TARGET_PCT


def fits(system: System) -> bool:
    """Single-phase systems whose record is whole, at unity power factor, off the feeder whose logs tell a year."""
    return (
        system.service == SERVICE
        and system.source in ("tidy", "json", "field")
        and system.text("distribution_feeder_id") != FEEDER
        and "power_factor" not in system.facts
        and not system.shown
        and not system.doubts
        and all(not c.shown and not c.again and not c.mixed for c in system.circuits)
    )


def plant(rng: random.Random, systems: list[System]) -> list[Trouble]:
    """Choose the systems and tell what is told of each."""
    left = sorted((system for system in systems if fits(system)), key=lambda system: system.system_id)
    made = []
    for cause, decisive, tell, count in PLANTED:
        suited = [system for system in left if suits(system, tell)]
        chosen = rng.sample(suited, min(count, len(suited)))
        for system in chosen:
            one = Trouble(system, cause, decisive)
            tell(rng, one)
            made.append(one)
        left = [system for system in left if system not in chosen]
    return made


def write_troubles(folder: Path, rng: random.Random, systems: list[System]) -> None:
    """Write complaints, what was measured and logged because of them, and the answers."""
    made = sorted(plant(rng, systems), key=lambda one: one.complaint_id)
    rows = [
        [one.complaint_id, one.system.system_id, str(OPENED - datetime.timedelta(days=number % 9)), "", "open",
         "It switches off when the sun shines."]
        for number, one in enumerate(made)
    ]  # fmt: skip
    write_csv(folder / "complaints.csv", [COMPLAINT_HEADER, *rows])
    write_csv(folder / "complaint_events.csv", [EVENT_HEADER, *(cells for one in made for cells in one.events)])
    write_csv(folder / "complaint_readings.csv", [READING_HEADER, *(cells for one in made for cells in one.readings)])
    answers = [[one.complaint_id, one.cause, one.decisive] for one in made]
    write_csv(folder / "expected_triage.csv", [["complaint_id", "cause", "decisive"], *answers])

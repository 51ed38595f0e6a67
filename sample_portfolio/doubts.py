"""Values that can be read and can hardly be meant: they are planted here, and what must be warned of is written down.

A record with such a value breaks no rule by it, so it stands in no verdict. Which runs are out of all proportion, and
which stated rises are not the circuit's own, the sample's own arithmetic says of every system.
"""

from __future__ import annotations

import copy
import datetime
import random

from sample_portfolio import verdicts
from sample_portfolio.build import Alter, nothing
from sample_portfolio.company import QUENNA, settle
from sample_portfolio.faults import Fault, one
from sample_portfolio.plan import System
from sample_portfolio.verdicts import BEYOND, INSIDE, TARGET_PCT, Figures

#: A run that alone takes more than this is out of all proportion [% of nominal].
MOST_BY_RUN_PCT = 3 * TARGET_PCT
#: A stated rise is another's where it is off by more than a third of itself and by more than this [% of nominal].
POINTS = 0.15
FEET_IN_A_METRE = 1 / 0.3048
#: What lengths taken for something else multiply a rise by.
SLIPS = (0.5, 2.0, 1 / FEET_IN_A_METRE, FEET_IN_A_METRE)
#: The warnings that the arithmetic finds by itself, and what it says of them where none was planted.
COMPUTED = {
    "run-rise": "alone it takes more than three times the target",
    "stated-rise": "the design states another rise than the records give",
}


def state_rises(system: System) -> None:
    """State what the records give as the design's own total rise, where none is stated yet."""
    for key, own in verdicts.figures(system).items():
        circuit = next(c for c in system.circuits if c.circuit_id == key)
        if circuit.stated_pct is None:
            circuit.stated_pct = round(own.total_pct, 2)


def slipped_point(rng: random.Random, system: System) -> None:
    """A home run of ten times the length that was designed: the decimal point slipped."""
    state_rises(system)
    circuit = one(rng, system)
    for run in circuit.home_runs:
        run.stretch(10)
    system.doubts += [
        (circuit.circuit_id, "run-rise", "the decimal point of its home run's length slipped"),
        (circuit.circuit_id, "stated-rise", "the design states the rise of a tenth of that home run"),
    ]


OUT_OF_PROPORTION = Fault("home run out of proportion", "voltage-rise", ("230",), 1, after=slipped_point)


def too_early(rng: random.Random, system: System) -> None:
    """Energize a system before anybody designed it."""
    designed = system.facts["design_date"]
    assert isinstance(designed, datetime.date)
    system.facts["energized_date"] = designed - datetime.timedelta(days=rng.randrange(20, 200))
    system.doubts += [("", "dates", f"energized before it was {what}") for what in ("designed", "permitted")]


def too_few_modules(rng: random.Random, system: System) -> None:
    """Leave the largest circuit one module short."""
    circuit = max(system.circuits, key=lambda c: c.count)
    circuit.modules = circuit.count - 1
    system.doubts.append((circuit.circuit_id, "module-count", "more units than modules"))


def exchanged(rng: random.Random, system: System) -> None:
    """Write latitude and longitude each in the other's place."""
    latitude, longitude = system.text("latitude_deg"), system.text("longitude_deg")
    system.shown |= {"latitude_deg": longitude, "longitude_deg": latitude}
    system.doubts.append(("", "out-of-place", "latitude and longitude have changed places"))


def other_sign(rng: random.Random, system: System) -> None:
    """Write the longitude with the other sign."""
    system.shown["longitude_deg"] = f"{-system.number('longitude_deg'):g}"
    system.doubts.append(("", "out-of-place", "the longitude has the wrong sign"))


def restate(system: System, factor: float, why: str) -> None:
    """State on every circuit what its runs would raise at so many times their lengths; the trunk keeps its own."""
    numbers = verdicts.figures(system)
    for circuit in system.circuits:
        own = numbers[circuit.circuit_id]
        circuit.stated_pct = round(own.trunk_pct + (own.total_pct - own.trunk_pct) * factor, 2)
        system.doubts.append((circuit.circuit_id, "stated-rise", why))


def there_and_back(rng: random.Random, system: System) -> None:
    """State the rise of runs twice as long: the design counted them there and back."""
    restate(system, 2.0, "the design states the rise of its runs there and back")


def in_feet(rng: random.Random, system: System) -> None:
    """State the rise of lengths that the record gives in feet and calls metres."""
    restate(system, 1 / FEET_IN_A_METRE, "the record's lengths are feet taken for metres")


def known_by_its_desk(rng: random.Random, system: System) -> None:
    """Name a desk of its own, by which a second record of the system is known."""
    system.facts["contact"] = "jetty@quillfern.invalid"


def at_quenna(plant: Alter = nothing) -> Alter:
    """Return what makes a system one of the Quenna office's, with its rises stated and something planted in it."""

    def alter(rng: random.Random, system: System) -> None:
        settle(rng, system.facts, QUENNA)
        state_rises(system)
        plant(rng, system)

    return alter


def twin(system: System) -> System:
    """Return the same system as somebody else wrote it down, its id without the leading zero."""
    second = copy.deepcopy(system)
    second.system_id = system.system_id.replace("T0", "T")
    return second


def times_the_limit(system: System) -> dict[tuple[str, str], float]:
    """Return how many times the limit each figure is, by (circuit or "", code), for what the arithmetic can tell."""
    numbers, times = verdicts.figures(system), {("", "run-rise"): 0.0}
    for circuit in system.circuits:
        own, key = numbers[circuit.circuit_id], circuit.circuit_id
        times[key, "run-rise"] = own.home_run_pct / MOST_BY_RUN_PCT
        times["", "run-rise"] = max(times["", "run-rise"], own.feeder_pct / MOST_BY_RUN_PCT)
        if circuit.stated_pct is not None:
            times[key, "stated-rise"] = abs(own.total_pct - circuit.stated_pct) / max(circuit.stated_pct / 3, POINTS)
    return times


def unmistakable(own: Figures, stated_pct: float) -> bool:
    """Whether one slip at most would explain a stated rise, with room to every other."""
    fitting = 0
    for factor in SLIPS:
        ways = (own.trunk_pct + (own.total_pct - own.trunk_pct) * factor, own.total_pct * factor)
        fitting += any(abs(way - stated_pct) <= 0.15 * stated_pct for way in ways)
    return fitting <= 1


def certain(system: System) -> bool:
    """Whether the arithmetic finds what was planted and nothing else, and nothing near a limit."""
    times = times_the_limit(system)
    found = {key for key, value in times.items() if value > 1}
    planted = {(key, code) for key, code, _ in system.doubts if code in COMPUTED}
    numbers = verdicts.figures(system)
    clear = all(
        unmistakable(numbers[c.circuit_id], c.stated_pct)
        for c in system.circuits
        if c.stated_pct is not None and (c.circuit_id, "stated-rise") in planted
    )
    return found == planted and clear and not any(INSIDE < value < BEYOND for value in times.values())


def warnings(system: System) -> list[tuple[str, str, str]]:
    """Return (circuit or "", code, why) of every warning that must be given on a system."""
    times, planted = times_the_limit(system), {(key, code) for key, code, _ in system.doubts}
    if any(abs(value - 1) < 1e-3 for value in times.values()):
        raise RuntimeError(f"{system.system_id}: a figure lies at the limit of a warning")
    found = [key for key, value in times.items() if value > 1 and key not in planted]
    return sorted(system.doubts + [(circuit, code, COMPUTED[code]) for circuit, code in found])

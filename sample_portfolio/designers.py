"""The Ennick Head office: its designers' past work, of which is known who is truly worse and who only looks so.

All build alike: one service, one inverter, two branch circuits a system. What differs is how long the home runs are,
and how often one is left in the thinnest wire and fed from its end. For everybody that happens more often on long
runs. Corvane does it on short ones too; Hestrel draws little else than long ones; Isaune did it until `MENDED` and then
stopped; the others are alike. `expected_designers.csv` says what must be found of each.
"""

from __future__ import annotations

import datetime
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sample_portfolio import verdicts
from sample_portfolio.build import HOME_SIZES, choose_panel
from sample_portfolio.company import CONTACT, ENNICK, code_edition, pick_profile, system_facts
from sample_portfolio.faults import Fault
from sample_portfolio.plan import Circuit, Run, System, Units
from sample_portfolio.writing import TIDY_HEADER, flat, tidy_row, write_csv

OFFICE = "Ennick Head"
CREWS = ("Head 1", "Head 2", "Head 3", "Head 4")
YEARS = tuple(range(2014, 2024))
#: The year from which Isaune upsizes home runs.
MENDED = 2019
SHORT_M, LONG_M = (22.0, 38.0), (42.0, 64.0)
#: A sound circuit's total rise lies below this [%].
GOAL_PCT = 1.85


@dataclass(frozen=True)
class Work:
    """Circuits of one designer over some years: (number, of which failing), of short and of long runs."""

    designer: str
    short: tuple[int, int]
    long: tuple[int, int]
    years: tuple[int, ...] = YEARS


WORKS = (
    Work("Corvane", (30, 14), (10, 6)),
    Work("Hestrel", (6, 0), (34, 15)),
    Work("Isaune", (26, 19), (6, 5), tuple(year for year in YEARS if year < MENDED)),
    Work("Isaune", (26, 1), (6, 2), tuple(year for year in YEARS if year >= MENDED)),
    *(Work(name, (23, 1), (7, 3)) for name in ("Jorrend", "Keldis", "Lunave", "Madrue", "Nerrow")),
)
#: What must be said of each: worse, looks worse, improved from a year, alike.
SAID = {"Corvane": ("worse", ""), "Hestrel": ("looks worse", ""), "Isaune": ("improved", str(MENDED))}


def thin_and_end_fed(rng: random.Random, system: System) -> None:
    """The home run was left in the thinnest wire, and the branch is fed from its end."""


FAULT = Fault("home run not upsized", "voltage-rise", ("120/240",), 0, after=thin_and_end_fed)
#: A circuit as it is planned: whether it is long, and whether it fails.
Plan = tuple[bool, bool]


def plans(rng: random.Random) -> Iterator[tuple[str, int, tuple[Plan, Plan]]]:
    """Yield each system's designer, year and two circuits."""
    for work in WORKS:
        planned = [
            (is_long, place < failing)
            for is_long, (number, failing) in ((False, work.short), (True, work.long))
            for place in range(number)
        ]
        rng.shuffle(planned)
        for place in range(0, len(planned), 2):
            yield work.designer, work.years[place // 2 % len(work.years)], (planned[place], planned[place + 1])


def lay_out(rng: random.Random, number: int, designer: str, year: int, planned: tuple[Plan, Plan]) -> System:
    """Return a system of this office with its circuits sized, those that are to fail included."""
    design = datetime.date(year, 1, 10) + datetime.timedelta(days=rng.randrange(340))
    permit = design + datetime.timedelta(days=rng.randrange(7, 60))
    energized = permit + datetime.timedelta(days=rng.randrange(20, 90))
    facts = system_facts(rng, number, "120/240", energized) | {
        "region": ENNICK.region, "utility": ENNICK.utility, "office": OFFICE, "crew": rng.choice(CREWS),
        "designer": designer, "contact": CONTACT, "design_date": design, "permit_date": permit,
        "distribution_feeder_id": rng.choice(ENNICK.distribution_feeders),
        "code_edition": code_edition("NEC", permit), "grid_profile": pick_profile(rng, ENNICK, energized.year),
        "latitude_deg": round(43.6 + rng.uniform(-0.1, 0.1), 4),
        "longitude_deg": round(-37.9 + rng.uniform(-0.1, 0.1), 4), "tilt_deg": 22.5, "azimuth_deg": 180,
        "transformer_kva": 25, "customers_on_transformer": rng.randrange(3, 7), "low_design_temp_c": ENNICK.low_c,
        "module_model": "Sollan 60-265", "service_drop_length_m": round(rng.uniform(15, 30), 1),
        "service_drop_size": "1/0 AWG", "service_drop_material": "aluminium",
    }  # fmt: skip
    for name in ("power_factor", "power_factor_mode"):
        facts.pop(name, None)
    circuits = [_circuit(rng, key, *plan) for key, plan in enumerate(planned, 1)]
    feeder, entrance = Run(round(rng.uniform(3, 9), 1), "2 AWG"), Run(round(rng.uniform(3, 8), 1), "4/0 AWG")
    system = System(f"D{number:04d}", "120/240", facts, circuits, {"": [feeder]}, entrance, "designers")
    for circuit, (_, fails) in zip(circuits, planned, strict=True):
        if not fails:
            _upsize(system, circuit)
    choose_panel(rng, system)
    return system


def _circuit(rng: random.Random, key: int, is_long: bool, fails: bool) -> Circuit:
    run = Run(round(rng.uniform(*(LONG_M if is_long else SHORT_M)), 1), HOME_SIZES[0])
    return Circuit(
        circuit_id=str(key),
        units=[Units("Larkfield U240", rng.choice((11, 12)))],
        trunk="Larkfield TC-2",
        orientation="landscape",
        feed="end" if fails else "centre",
        breaker_a=20,
        home_runs=[run],
        ambient_c=33.0,
        raceway_conductors=4,
    )


def _upsize(system: System, circuit: Circuit) -> None:
    """Take the thinnest wire that keeps the total below the goal."""
    for size in HOME_SIZES:
        circuit.home_runs[0].size = size
        if verdicts.figures(system)[circuit.circuit_id].total_pct < GOAL_PCT:
            return


def as_planned(system: System, planned: tuple[Plan, Plan]) -> bool:
    """Whether just the circuits that are to fail do, and by their rise alone."""
    states = verdicts.judge(system)
    if verdicts.NEAR in states.values():
        return False
    fails = {(str(key), "voltage-rise") for key, (_, failing) in enumerate(planned, 1) if failing}
    failed = {key for key, state in states.items() if state == verdicts.FAIL}
    return fails == {key for key in failed if key[1] != "terminal-voltage"}


def systems(rng: random.Random, first: int) -> Iterator[System]:
    """Yield the office's systems, numbered from the first."""
    for number, (designer, year, planned) in enumerate(plans(rng), first):
        for _ in range(2000):
            system = lay_out(rng, number, designer, year, planned)
            if as_planned(system, planned):
                yield system
                break
        else:
            raise RuntimeError(f"no system of {designer} is as planned")


def write_designers(folder: Path, made: list[System]) -> list[str]:
    """Write the office's file and what must be said of each designer; return its line of expected_import.csv."""
    rows = [tidy_row(flat(system, circuit)) for system in made for circuit in system.circuits]
    write_csv(folder / "designers.csv", [TIDY_HEADER, *rows])
    told = [["designer", "said", "since", "circuits", "failing"]]
    for designer in dict.fromkeys(work.designer for work in WORKS):
        mine = [kind for work in WORKS if work.designer == designer for kind in (work.short, work.long)]
        counts = [str(sum(kind[place] for kind in mine)) for place in (0, 1)]
        told.append([designer, *SAID.get(designer, ("alike", "")), *counts])
    write_csv(folder / "expected_designers.csv", told)
    return ["designers.csv", str(len(rows)), str(len(rows)), "0", "0", "", "", ""]

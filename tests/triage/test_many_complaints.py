"""Hundreds of made complaints with one or two causes and some of the evidence: hardly one answer names what is not so.

What is read is made by plain arithmetic (`triage_cases`); computed rises are off by their assumed share, the supply
moves, and which evidence there is is drawn.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import Counter
from dataclasses import dataclass, replace

import pytest
from triage_cases import NOON, PARTS, POLICY, SITE, evidence, reading, trip, week

from auditor.triage.decide import DECIDED, STOP, decide
from auditor.triage.site import Circuit, Site
from auditor.triage.weighing import CAUSES, GROUPS, TITLES

TITLE_OF = {cause: TITLES[key] for key, causes in GROUPS.items() for cause in causes}
SHORT = (0.1, 0.3, 0.7, 0.6)
EVIDENCE = ("pairs", "spot readings", "service alone", "trip levels", "log")


@dataclass
class Made:
    """A site as it is, which is not quite as it was computed."""

    site: Site
    parts: tuple[float, ...]
    supply_pct: float
    service_pct: float
    trips_at_pct: float

    def read(self, place: str, at: dt.datetime, share: float, **more: object) -> dict[str, object]:
        return reading(place, at, share, self.supply_pct, service=self.service_pct, parts=self.parts, **more)  # type: ignore[arg-type]

    def week(self, places: tuple[str, ...], rng: random.Random) -> list[dict[str, object]]:
        return week(places, rng, supply_pct=self.supply_pct, service=self.service_pct, parts=self.parts)


def make(rng: random.Random, causes: list[str]) -> Made:
    parts = PARTS if "design" in causes else SHORT
    circuit = Circuit("1", parts, 20.0, 12)
    site = replace(SITE, service_whole=False, circuits=(circuit,), wiring_pct=sum(parts[1:]))
    true = [part * rng.gauss(1, 0.08) for part in parts]
    if "workmanship" in causes:
        # Below the half more from which on a connection may be hot.
        true[rng.choice((1, 2, 3))] += rng.uniform(0.3, 0.4) * sum(parts[1:])
    supply = rng.uniform(106.3, 108.5) if "supply" in causes else rng.gauss(101.8, 0.9)
    service = 0.9 * rng.gauss(1, 0.1) + (rng.uniform(2, 3) if "service" in causes else 0.0)
    return Made(site, tuple(true), supply, service, rng.uniform(104.5, 107.0) if "settings" in causes else 110.0)


def told(rng: random.Random, one: Made) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Readings and events, as far as there are any."""
    there = {name for name in EVIDENCE if rng.random() < 0.6}
    rows: list[dict[str, object]] = []
    if "pairs" in there:
        rows += one.week(rng.choice((("main panel", "unit"), ("service", "unit"))), rng)
    elif "service alone" in there:
        rows += one.week(("service",), rng)
    if "spot readings" in there:
        by = {"instrument": "r", "error_v": rng.choice((0.2, 1.5))}
        for minutes, place, share in ((0, "main panel", 0.9), (3, "main panel", 0.0), (5, "unit", 0.9)):
            at = NOON + dt.timedelta(days=-2, minutes=minutes)
            rows.append(one.read(place, at, share, solar="on" if share else "off", **by))
    if "log" not in there:
        return rows, []
    if "trip levels" in there:
        for day in range(5):
            at = NOON + dt.timedelta(days=20 + day, minutes=45)
            top = 2.4 * (one.trips_at_pct + rng.gauss(0, 0.3))
            rows.append(one.read("unit", at, 0.9, duration_s=900.0, max_v=top))
    return rows, [trip(NOON + dt.timedelta(days=20 + day, minutes=50)) for day in range(5)]


@pytest.mark.long
def test_hardly_an_answer_names_what_is_not_so() -> None:
    """Of what is named with four chances in five and more no more than one in a hundred may be wrong here, where
    nearly all is as it was assumed; and a call needs more than the workmanship that was planted.
    """
    counted: Counter[str] = Counter()
    for seed in range(400):
        rng = random.Random(seed)
        causes = rng.sample(CAUSES[:-1], rng.choice((1, 2)))
        one = make(rng, causes)
        found = decide(one.site, evidence(*told(rng, one)), POLICY)
        planted = {TITLE_OF[cause] for cause in causes}
        named = set(found.answer.split(", and ")) if found.state == DECIDED else set()
        kind = found.state if not named else "right" if named <= planted else "wrong"
        counted.update([kind] + ["both"] * (len(named) == 2))
    assert counted["wrong"] <= 0.01 * counted["right"], counted
    assert counted[STOP] <= 2, counted
    assert counted["right"] > 150, counted
    assert counted["both"] >= 3, counted

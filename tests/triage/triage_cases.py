"""A site and readings of it that are made by plain arithmetic: the supply, the own rise by part, the meter."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import replace

import polars as pl

from auditor.policy import Policy, load_policy
from auditor.records.evidence_schema import EVENT, READING
from auditor.records.frames import KIND_TYPES
from auditor.triage.contrasts import in_percent
from auditor.triage.decide import Evidence
from auditor.triage.site import Circuit, Site

POLICY: Policy = load_policy()
NOMINAL_V, RATED_KW = 240.0, 9.6
#: Entrance, feeder, home run and trunk [% at rated output].
PARTS = (0.1, 0.4, 0.9, 0.8)
SITE = Site(
    system_id="S", service="120/240", unit_v=NOMINAL_V, leg_v=120.0, line_v=NOMINAL_V, rated_kw=RATED_KW,
    circuits=(Circuit("1", PARTS, 20.0, 12), Circuit("2", (0.1, 0.4, 0.6, 0.5), 20.0, 12)),
    service_pct=0.9, service_whole=True, wiring_pct=2.1, target_pct=2.0, profile="P", threshold_pct=110.0,
    required=None, required_pct=None, same_profile=False, others=(), supply_pct=101.5, supply_sd_pct=1.2, sun_pct=0.6,
    top_pct=105.0, assumed=(), missing=(),
)  # fmt: skip
NOON = dt.datetime(2025, 6, 10, 15, 0)
_TYPES = {
    table.name: {c.name: KIND_TYPES.get(c.kind, pl.Datetime("us")) for c in table.columns} for table in (READING, EVENT)
}


def frame(rows: list[dict[str, object]], table: str = "reading") -> pl.DataFrame:
    """Rows as the store gives them; columns that a row leaves out are null."""
    kinds = _TYPES[table] | ({"known_until": pl.Datetime("us")} if table == "event" else {})
    return pl.DataFrame([{name: row.get(name) for name in kinds} for row in rows], schema=kinds)


def volts(place: str, share: float, supply_pct: float, service_pct: float, parts: tuple[float, ...]) -> float:
    """Voltage at a place: P = V·I at the unit, so a share of rated output drives share·100/V[%] of rated current."""
    behind = ("service", "main panel", "combiner", "junction box", "unit").index(place)
    at_unit = supply_pct
    for _ in range(50):
        at_unit = supply_pct + (service_pct + sum(parts)) * share * 100 / at_unit
    return NOMINAL_V * (supply_pct + (service_pct + sum(parts[:behind])) * share * 100 / at_unit) / 100


def reading(
    place: str, at: dt.datetime, share: float, supply_pct: float, *, service: float = 0.9,
    parts: tuple[float, ...] = PARTS, error_v: float | None = None, **more: object,
) -> dict[str, object]:  # fmt: skip
    """One reading of circuit 1, or of what all circuits share."""
    return {
        "system_id": "S", "place": place, "circuit_id": "1" if place in ("junction box", "unit") else None,
        "unit": "12" if place == "unit" else None, "start": at, "duration_s": 60.0,
        "mean_v": volts(place, share, supply_pct, service, parts), "power_kw": share * RATED_KW, "error_v": error_v,
        "error_pct": None if error_v is None else 0.0, **more,
    }  # fmt: skip


def week(
    places: tuple[str, ...], rng: random.Random, days: int = 5, supply_pct: float = 102.0, service: float = 0.9,
    parts: tuple[float, ...] = PARTS, noise_pct: float = 0.3,
) -> list[dict[str, object]]:  # fmt: skip
    """Quarter-hourly means of several places at once, around a supply that wanders."""
    rows = []
    for day in range(days):
        wander = 0.0
        for slot in range(40):
            at = dt.datetime(2025, 6, 10 + day, 11, 0) + dt.timedelta(minutes=15 * slot)
            share = max(0.0, 1 - ((slot - 20) / 20) ** 2) * rng.choice((0.4, 0.9, 1.0))
            wander = 0.9 * wander + rng.gauss(0, noise_pct)
            for place in places:
                made = reading(place, at, share, supply_pct + wander, service=service, parts=parts, duration_s=900.0)
                made["mean_v"] = float(str(made["mean_v"])) + rng.gauss(0, 0.1)
                rows.append(made)
    return rows


def trip(at: dt.datetime, kind: str = "overvoltage trip", unit: str = "12") -> dict[str, object]:
    """One trip of a unit of circuit 1."""
    return {
        "system_id": "S", "circuit_id": "1", "unit": unit, "start": at, "end": at + dt.timedelta(minutes=5),
        "kind": kind, "known_until": at,
    }  # fmt: skip


def evidence(readings: list[dict[str, object]], events: list[dict[str, object]], site: Site = SITE) -> Evidence:
    """Both, the readings in percent of a site's voltages and output."""
    return Evidence(in_percent(frame(readings), site, POLICY), frame(events, "event"), -35.0, -45.0)


def within_target() -> Site:
    """The same site with short wires."""
    short = (0.1, 0.2, 0.4, 0.4)
    return replace(SITE, circuits=(Circuit("1", short, 20.0, 12),), wiring_pct=1.0)

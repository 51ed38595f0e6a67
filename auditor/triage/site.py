"""What the model says of one site: the computed rises by part, the supply that is assumed, thresholds and profiles.

All percentages are of the nominal voltage across a unit, rises at rated output. None is not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from auditor.catalog import alias_key
from auditor.policy import Policy
from auditor.prepare.specs import Frames, lowest_levels
from auditor.prepare.systems import NOMINAL_V, REPORT_PU
from auditor.records.evidence_schema import PLACES

#: The part of a circuit's rise between each of PLACES and the next.
PARTS = ("service_entrance", "feeder", "home_run", "trunk")
PERCENT = 100.0
Row = Mapping[str, Any]


@dataclass(frozen=True)
class Circuit:
    """One branch circuit: rises [%] of its parts in the order of PARTS, and its current at rated output [A]."""

    circuit_id: str
    rise_pct: tuple[float | None, ...]
    current_a: float | None
    units: int | None

    def between(self, nearer: str, farther: str) -> float | None:
        """Computed rise from one place to another further out [%]; None where a part of it is not known."""
        parts = self.rise_pct[PLACES.index(nearer) : PLACES.index(farther)]
        return None if any(part is None for part in parts) else float(sum(part or 0.0 for part in parts))


@dataclass(frozen=True)
class Other:
    """Units whose record names a grid profile of their own with another first threshold [%]."""

    circuit_id: str
    position: int | None
    profile: str
    threshold_pct: float | None


@dataclass(frozen=True)
class Site:
    """One system as triage takes it.

    unit_v, leg_v, line_v   nominal voltage across a unit, of a leg to neutral, and between two lines [V]
    rated_kw           rated output of all units [kW]
    service_pct        computed rise from the source to the service; `service_whole` where every part is recorded
    wiring_pct, target_pct   computed rise of the worst circuit that the target counts, and the target
    threshold_pct      first threshold of the recorded profile; `required_pct` of the one that the utility requires
    supply_pct, supply_sd_pct   the supply without own output, and how far it may be off
    sun_pct            what the neighbours' sun adds at full sun
    top_pct            top of the service range
    report_pct         from where on a supply is reported at once (`prepare.systems.REPORT_PU`)
    """

    system_id: str
    service: str | None
    unit_v: float | None
    leg_v: float | None
    line_v: float | None
    rated_kw: float | None
    circuits: tuple[Circuit, ...]
    service_pct: float | None
    service_whole: bool
    wiring_pct: float | None
    target_pct: float | None
    profile: str | None
    threshold_pct: float | None
    required: str | None
    required_pct: float | None
    same_profile: bool
    others: tuple[Other, ...]
    supply_pct: float | None
    supply_sd_pct: float | None
    sun_pct: float | None
    top_pct: float | None
    assumed: tuple[str, ...]
    missing: tuple[str, ...]
    report_pct: float | None = None

    @property
    def lines(self) -> int:
        """Legs of the service: three of three phases, two of a split winding, one where a unit sits on a leg."""
        if self.service is not None and "Y/" in self.service:
            return 3
        return 1 if self.leg_v == self.line_v else 2

    @property
    def worst(self) -> Circuit | None:
        """The circuit with the largest computed rise from the main panel to a unit; None where none is known."""
        known = [(rise, c) for c in self.circuits if (rise := c.between("main panel", "unit")) is not None]
        return max(known, key=lambda pair: pair[0])[1] if known else None

    @property
    def conductors(self) -> str:
        """What lies between the conductors of the service, in the order in which it is read."""
        if self.line_v is None:
            return "every leg to neutral, and between legs,"
        return {1: "L-N", 2: "L1-N, L2-N and L1-L2", 3: "A-N, B-N, C-N, and A-B, B-C, C-A,"}[self.lines]

    def circuit(self, circuit_id: str | None) -> Circuit | None:
        """The circuit of a reading; the worst one where the reading names none."""
        return next(
            (c for c in self.circuits if c.circuit_id == circuit_id), self.worst if circuit_id is None else None
        )


def site_of(
    system: Row, units: pl.DataFrame, result: Row, circuits: pl.DataFrame, catalog: Frames, policy: Policy
) -> Site:
    """A site from its record, the rows of its units, its row of results and those of its circuits."""
    service = system["service"] or policy.assume.service
    volts = NOMINAL_V.get(service or "", (None, None))
    found = _circuits(circuits)
    unit_v = next(iter(circuits["unit_voltage_v"].drop_nulls().mode().sort(descending=True).to_list()), None)
    required = policy.triage.required(system["utility"])
    every = [system["grid_profile"], required, *units["grid_profile"].to_list()]
    levels = lowest_levels(catalog, pl.Series(every, dtype=pl.String))
    owner = dict(catalog["grid_profile_alias"].select("alias_key", "profile").iter_rows())
    names = {text: owner.get(alias_key(text)) for text in every if text is not None}
    # What readings say must not count twice: the supply is the policy's, and not the one fitted to them.
    supply = policy.supply.here(system["utility"], system["region"], service)
    own, utility = names.get(system["grid_profile"]), names.get(required)
    return Site(
        system_id=system["system_id"],
        service=service,
        unit_v=unit_v,
        leg_v=volts[1],
        line_v=volts[0],
        rated_kw=_rated_kw(system, result, policy),
        circuits=found,
        service_pct=_service(result),
        service_whole=result["transformer_rise_pct"] is not None and result["service_drop_rise_pct"] is not None,
        wiring_pct=result["worst_total_rise_pct"],
        target_pct=circuits["rise_target_pct"].max() if circuits.height else None,  # type: ignore[arg-type]
        profile=own or system["grid_profile"],
        threshold_pct=_pct(levels.get(system["grid_profile"])),
        required=utility or required,
        required_pct=_pct(levels.get(required or "")),
        same_profile=own is not None and own == utility,
        others=_others(units, own or system["grid_profile"], names, levels),
        supply_pct=supply.level_pct,
        supply_sd_pct=supply.site_pct,
        sun_pct=supply.feeder_beta_pct,
        top_pct=_pct(policy.region_top(system["region"], service)),
        assumed=_listed(result["trip_assumed"]),
        missing=_listed(result["trip_missing"]),
        report_pct=_pct(REPORT_PU.get(service or "")),
    )


def _listed(text: str | None) -> tuple[str, ...]:
    return tuple(text.split("; ")) if text else ()


def _pct(pu: float | None) -> float | None:
    return None if pu is None else pu * PERCENT


def _rated_kw(system: Row, result: Row, policy: Policy) -> float | None:
    factor = system["power_factor"] if system["power_factor"] is not None else policy.assume.power_factor
    kva = result["solar_kva"]
    return None if kva is None or factor is None or kva <= 0 else float(kva) * factor


def _service(result: Row) -> float | None:
    """Computed rise ahead of the service; where the likelihood knows it, with what it assumes of missing parts."""
    parts = (result["transformer_rise_pct"], result["service_drop_rise_pct"])
    if None not in parts:
        return float(sum(parts))
    assumed = result["headroom_service_pct"]
    return None if assumed is None else float(assumed)


def _circuits(rows: pl.DataFrame) -> tuple[Circuit, ...]:
    return tuple(
        Circuit(
            row["circuit_id"],
            tuple(row[f"{part}_rise_pct"] for part in PARTS),
            row["line_current_a"],
            row["inverter_count"],
        )
        for row in rows.sort("circuit_id").iter_rows(named=True)
    )


def _others(
    units: pl.DataFrame, own: str | None, names: Mapping[str, str | None], levels: Mapping[str, float]
) -> tuple[Other, ...]:
    """Units with another profile than the system's; where it names none, all that do if they differ."""
    rows = units.filter(pl.col("grid_profile").is_not_null()).sort("circuit_id", "unit_order")
    if own is None and len({names[text] or text for text in rows["grid_profile"]}) < 2:
        return ()
    return tuple(
        Other(row["circuit_id"], row["position"], names[text] or text, _pct(levels.get(text)))
        for row in rows.iter_rows(named=True)
        if (text := row["grid_profile"]) and (names[text] or text) != own
    )

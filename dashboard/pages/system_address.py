"""What the address of a system's page chooses: the circuit, the supply's voltage, and the map of months and hours."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl, urlencode

from auditor.errors import AuditorError
from auditor.one_system import Case
from auditor.one_system.order import natural
from auditor.one_system.profile import base_voltage, top_supply

OWN = ("circuit", "supply_v")
#: The parameter, and its value, that asks for the trips by month and hour.
HOURS, SHOWN = "hours", "shown"
#: Supplies outside these shares of nominal are not worked out.
LOWEST_PU, HIGHEST_PU = 0.7, 1.3
#: Query strings beyond this are not read [characters].
LONGEST = 8_000


@dataclass(frozen=True)
class Choice:
    """The circuit shown, None where there is none, and the supply [V], None for the top of the service range."""

    circuit: str | None
    supply_v: float | None


def circuits(case: Case) -> list[str]:
    """The circuits' ids, 2 before 10."""
    return sorted(case.results.circuit["circuit_id"], key=natural)


def worst_circuit(case: Case) -> str | None:
    """The circuit with the largest total rise, or the first."""
    ranked = case.results.circuit.sort("known_rise_pct", descending=True, nulls_last=True)
    return str(ranked["circuit_id"][0]) if ranked.height else None


def place(case: Case) -> dict[str, Any]:
    """What the page keeps in the browser: the system, its circuits, and what an address without a choice shows."""
    base_v, top_v = base_voltage(case), top_supply(case)
    return {
        "system_id": case.system_id,
        "circuits": circuits(case),
        "circuit": worst_circuit(case),
        "supply_v": None if top_v is None else round(top_v, 2),
        "supply_range_v": [0, 0] if base_v is None else [LOWEST_PU * base_v, HIGHEST_PU * base_v],
    }


def asked_for(search: str) -> dict[str, str]:
    """The parameters of a query string; none where it is of no sane length."""
    return dict(parse_qsl(search.removeprefix("?"), keep_blank_values=True)) if len(search) < LONGEST else {}


def supply_of(case: Case, text: object) -> float | None:
    """A supply voltage that can be worked with; AuditorError says in a sentence why one cannot."""
    base_v = base_voltage(case)
    if text in (None, "") or base_v is None:
        return None
    try:
        value = float(str(text))
    except ValueError as error:
        raise AuditorError("The supply voltage is not a number.") from error
    low, high = LOWEST_PU * base_v, HIGHEST_PU * base_v
    if not math.isfinite(value) or not low <= value <= high:
        raise AuditorError(f"The supply voltage must lie between {low:g} and {high:g} V.")
    return value


def hours_asked(search: str) -> bool:
    """Whether the address asks for the trips by month and hour."""
    return asked_for(search).get(HOURS) == SHOWN


def with_hours(search: str, shown: bool) -> str:
    """The query string that asks for the trips by month and hour, or does not; its other parameters stay."""
    found = parse_qsl(search.removeprefix("?"), keep_blank_values=True)
    kept = [(key, value) for key, value in found if key != HOURS] + ([(HOURS, SHOWN)] if shown else [])
    return "?" + urlencode(kept) if kept else ""


def choice_of(case: Case, search: str) -> tuple[Choice, list[str]]:
    """Read the query string; what it asks for and cannot have is told."""
    asked, notes = asked_for(search), []
    circuit = asked.get("circuit")
    if circuit is not None and circuit not in circuits(case):
        notes.append("This system has no circuit of the id in the address; the worst one is shown.")
        circuit = None
    try:
        supply_v = supply_of(case, asked.get("supply_v"))
    except AuditorError as error:
        notes.append(f"{error} The top of the service range is shown.")
        supply_v = None
    if asked.get(HOURS, SHOWN) != SHOWN:
        notes.append(f"“{HOURS}” in the address can only be “{SHOWN}” and was ignored.")
    return Choice(circuit or worst_circuit(case), supply_v), notes


def address(search: str, at: dict[str, Any], circuit: str | None, supply: Any) -> str:
    """The query string with a choice in it, where it is not what `place` says; its other parameters stay."""
    found = parse_qsl(search.removeprefix("?"), keep_blank_values=True)
    kept = [(key, value) for key, value in found if key not in OWN]
    if circuit is not None and circuit != at["circuit"]:
        kept.append(("circuit", circuit))
    low, high = at["supply_range_v"]
    if isinstance(supply, int | float) and supply != at["supply_v"] and low <= supply <= high:
        kept.append(("supply_v", f"{supply:g}"))
    return "?" + urlencode(kept) if kept else ""

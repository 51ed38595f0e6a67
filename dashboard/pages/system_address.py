"""What the address of a system's page chooses: the circuit, and the supply's voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass
from urllib.parse import parse_qsl, urlencode

from auditor.one_system import Case
from auditor.one_system.profile import base_voltage

OWN = ("circuit", "supply_v")
#: Supplies outside these shares of nominal are not worked out.
LOWEST_PU, HIGHEST_PU = 0.7, 1.3


@dataclass(frozen=True)
class Choice:
    """The circuit shown, None where there is none, and the supply [V], None for the top of the service range."""

    circuit: str | None
    supply_v: float | None


def circuits(case: Case) -> list[str]:
    """The circuits' ids in the order of the results."""
    return case.results.circuit["circuit_id"].to_list()


def worst_circuit(case: Case) -> str | None:
    """The circuit with the largest total rise, or the first."""
    ranked = case.results.circuit.sort("known_rise_pct", descending=True, nulls_last=True)
    return str(ranked["circuit_id"][0]) if ranked.height else None


def supply_of(case: Case, text: object) -> float | None:
    """A supply voltage that can be worked with; ValueError says in a sentence why one cannot."""
    base_v = base_voltage(case)
    if text in (None, "") or base_v is None:
        return None
    try:
        value = float(str(text))
    except ValueError as error:
        raise ValueError("The supply voltage is not a number.") from error
    low, high = LOWEST_PU * base_v, HIGHEST_PU * base_v
    if not math.isfinite(value) or not low <= value <= high:
        raise ValueError(f"The supply voltage must lie between {low:g} and {high:g} V.")
    return value


def choice_of(case: Case, search: str) -> tuple[Choice, list[str]]:
    """Read the query string; what it asks for and cannot have is told."""
    asked = dict(parse_qsl(search.removeprefix("?"), keep_blank_values=True)) if len(search) < 8_000 else {}
    notes = []
    circuit = asked.get("circuit")
    if circuit is not None and circuit not in circuits(case):
        notes.append("This system has no circuit of the id in the address; the worst one is shown.")
        circuit = None
    try:
        supply_v = supply_of(case, asked.get("supply_v"))
    except ValueError as error:
        notes.append(f"{error} The top of the service range is shown.")
        supply_v = None
    return Choice(circuit or worst_circuit(case), supply_v), notes


def address(search: str, case: Case, choice: Choice) -> str:
    """The query string with this choice in it; what other parameters it holds stays."""
    others = [
        (key, value) for key, value in parse_qsl(search.removeprefix("?"), keep_blank_values=True) if key not in OWN
    ]
    if choice.circuit is not None and choice.circuit != worst_circuit(case):
        others.append(("circuit", choice.circuit))
    if choice.supply_v is not None:
        others.append(("supply_v", f"{choice.supply_v:g}"))
    return "?" + urlencode(others) if others else ""

"""Facts that are left out or contradicted, and what must be unknown because of each.

`shown` holds what the files say in place of the truth; the arithmetic goes on using the truth, which is sound.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from sample_portfolio.arithmetic import design_flow
from sample_portfolio.plan import Circuit, System
from sample_portfolio.verdicts import FAIL, busbar, from_supply, line_amps

Findings = set[tuple[str, str]]
MODULE_CHECKS = ("module-cold-voltage", "module-input-window", "module-input-current", "power-ratio")
ON_RISE = ("voltage-rise", "terminal-voltage")


@dataclass(frozen=True)
class Gap:
    """A missing fact: how it is left out of the system (and of one circuit), and what cannot be told then."""

    kind: str
    count: int
    hide: Callable[[System, Circuit], None]
    unknown: Callable[[System, Circuit], Findings]
    why: str

    @property
    def three_phase(self) -> bool:
        """Whether it is planted on three-phase systems too."""
        return "catalog" not in self.kind and "profile in" not in self.kind


def of_circuit(circuit: Circuit, *checks: str) -> Findings:
    """Return these checks of one circuit."""
    return {(circuit.circuit_id, check) for check in checks}


def of_all(system: System, *checks: str) -> Findings:
    """Return these checks of every circuit."""
    return {(circuit.circuit_id, check) for circuit in system.circuits for check in checks}


def in_circuit(name: str, text: str = "") -> Callable[[System, Circuit], None]:
    """Return what hides a circuit's fact, or shows another text."""

    def hide(system: System, circuit: Circuit) -> None:
        circuit.shown[name] = text

    return hide


def in_system(name: str, text: str = "") -> Callable[[System, Circuit], None]:
    """Return what hides a system's fact, or shows another text."""

    def hide(system: System, circuit: Circuit) -> None:
        system.shown[name] = text

    return hide


def one_circuit(*checks: str) -> Callable[[System, Circuit], Findings]:
    """Return the rule: these checks of that circuit, and the terminal voltage of all, which its current moves."""

    def unknown(system: System, circuit: Circuit) -> Findings:
        terminal = of_all(system, "terminal-voltage") if "terminal-voltage" in checks else set()
        return of_circuit(circuit, *checks) | terminal

    return unknown


def all_circuits(*checks: str) -> Callable[[System, Circuit], Findings]:
    """Return the rule: these checks of every circuit."""
    return lambda system, circuit: of_all(system, *checks)


def of_system(check: str) -> Callable[[System, Circuit], Findings]:
    """Return the rule: one check of the system."""
    return lambda system, circuit: {("", check)}


def without_model(system: System, circuit: Circuit) -> Findings:
    """Nothing of the circuit can be told, nor what it shares with others."""
    own = of_circuit(circuit, "branch-unit-limit", "breaker-size", "trunk-current", "home-run-ampacity", *MODULE_CHECKS)
    beside = [c for c in system.circuits if c.combiner_id == circuit.combiner_id]
    rise = {(c.circuit_id, "voltage-rise") for c in beside}
    return own | rise | of_all(system, "terminal-voltage") | {("", "feeder-ampacity"), ("", "busbar")}


def without_entrance(system: System, circuit: Circuit) -> Findings:
    """The voltage at the top of the range, and the rise where it counts from the point of supply."""
    return of_all(system, *(ON_RISE if from_supply(system) else ("terminal-voltage",)))


def bare_power_factor(system: System, circuit: Circuit) -> None:
    """State a power factor and not its sign."""
    system.shown |= {"power_factor": "0.95", "power_factor_mode": ""}


def two_busbars(system: System, circuit: Circuit) -> None:
    """Let the last row of the system state another busbar."""
    system.circuits[-1].shown["busbar_a"] = f"{float(str(system.facts['busbar_a'])) + 25:g}"


def two_profiles(system: System, circuit: Circuit) -> None:
    """Let the last row of the system state another grid profile."""
    system.circuits[-1].shown["grid_profile"] = "Ennick Valley 2018 (draft)"


def two_breakers(system: System, circuit: Circuit) -> None:
    """Let a second row of the circuit state another breaker."""
    circuit.again["breaker_a"] = "25"


GAPS = (
    Gap("home-run length missing", 6, in_circuit("home_run_length_m"), one_circuit(*ON_RISE), "no home-run length"),
    Gap("feeder length missing", 4, in_system("feeder_length_m"), all_circuits(*ON_RISE), "no feeder length"),
    Gap(
        "service entrance missing",
        3,
        in_system("service_entrance_length_m"),
        without_entrance,
        "no length of the service entrance",
    ),
    Gap(
        "breaker missing",
        5,
        in_circuit("breaker_a"),
        one_circuit("branch-unit-limit", "breaker-size", "home-run-ampacity"),
        "no breaker",
    ),
    Gap(
        "inverter model not in the catalog",
        4,
        in_circuit("inverter_model", "Larkfield U999"),
        without_model,
        "the catalog has no such inverter",
    ),
    Gap(
        "trunk model not in the catalog",
        4,
        in_circuit("trunk_model", "Larkfield TC-9"),
        one_circuit("trunk-current", "breaker-size", *ON_RISE),
        "the catalog has no such trunk cable",
    ),
    Gap(
        "orientation missing",
        3,
        in_circuit("orientation"),
        one_circuit(*ON_RISE),
        "no orientation, so no section length",
    ),
    Gap(
        "place on the busbar missing", 4, in_system("backfeed_position"), of_system("busbar"), "no place on the busbar"
    ),
    Gap("busbar missing", 3, in_system("busbar_a"), of_system("busbar"), "no busbar rating"),
    Gap("main breaker missing", 2, in_system("main_breaker_a"), of_system("busbar"), "no main breaker"),
    Gap("connection side missing", 3, in_system("connection_side"), of_system("busbar"), "no side of the main device"),
    Gap(
        "lowest temperature missing",
        4,
        in_system("low_design_temp_c"),
        all_circuits("module-cold-voltage", "module-input-window"),
        "no lowest design temperature",
    ),
    Gap("module missing", 3, in_system("module_model"), all_circuits(*MODULE_CHECKS), "no module model"),
    Gap(
        "module not in the catalog",
        2,
        in_system("module_model", "Sollan 60-999"),
        all_circuits(*MODULE_CHECKS),
        "the catalog has no such module",
    ),
    Gap("grid profile missing", 3, in_system("grid_profile"), all_circuits("terminal-voltage"), "no grid profile"),
    Gap("sign of the power factor missing", 2, bare_power_factor, all_circuits(*ON_RISE), "a bare power factor"),
    Gap("busbar in conflict", 2, two_busbars, of_system("busbar"), "two rows state different busbars"),
    Gap("profile in conflict", 1, two_profiles, all_circuits("terminal-voltage"), "two rows state different profiles"),
)

#: Planted in the island office's jobs alone, whose services NEC does not rule.
BREAKER_CONFLICT = Gap(
    "breaker in conflict",
    1,
    two_breakers,
    one_circuit("branch-unit-limit", "current-coordination"),
    "two rows of one circuit state different breakers",
)


def fits(gap: Gap, system: System) -> bool:
    """Whether a gap in this system leaves nothing to argue about."""
    if any(circuit.mixed for circuit in system.circuits) or "power_factor" in system.facts:
        return False
    if gap.kind == "breaker missing" and system.text("code_edition") < "2014":
        return False  # the busbar's verdict would hang on it, too
    if gap.kind.endswith("in conflict") and len(system.circuits) < 2:
        return False
    if all(check != "busbar" for _, check in gap.unknown(system, system.circuits[0])):
        return True
    # The busbar must pass by its position alone, so that no other rule settles it.
    elsewhere = replace(system, facts=system.facts | {"backfeed_position": "elsewhere"})
    solar_a = line_amps(system, design_flow(system).system_a)
    return system.text("connection_side") == "load" and busbar(elsewhere, solar_a) == FAIL


def put(rng: random.Random, gap: Gap, system: System) -> Findings:
    """Leave the fact out and return what must be unknown."""
    circuit = rng.choice(system.circuits)
    gap.hide(system, circuit)
    return gap.unknown(system, circuit)

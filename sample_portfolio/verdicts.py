"""What each check must find, from the sample's own arithmetic, with room on both sides of every limit.

A figure counts as a sure pass at 5 % inside its limit and as a sure fail at 4 % beyond it; what lies between is "near",
and the sample holds no such system.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sample_portfolio.arithmetic import (
    EQUIPMENT,
    THREE_PHASE,
    Unit,
    across,
    design_flow,
    operating_volts,
    toward,
    unit_volts,
)
from sample_portfolio.plan import Circuit, Run, System

PASS, FAIL, NEAR, NOT = "pass", "fail", "near", "not applicable"
INSIDE, BEYOND = 0.95, 1.0399
TARGET_PCT = 2.0
#: Table 310.16 (60, 75 and 90 °C columns) for copper and aluminium [A].
AMPACITY = {
    "14 AWG": ((15, 20, 25), None),
    "12 AWG": ((20, 25, 30), (15, 20, 25)),
    "10 AWG": ((30, 35, 40), (25, 30, 35)),
    "8 AWG": ((40, 50, 55), (35, 40, 45)),
    "6 AWG": ((55, 65, 75), (40, 50, 55)),
    "4 AWG": ((70, 85, 95), (55, 65, 75)),
    "3 AWG": ((85, 100, 115), (65, 75, 85)),
    "2 AWG": ((95, 115, 130), (75, 90, 100)),
    "1 AWG": ((110, 130, 145), (85, 100, 115)),
    "1/0 AWG": ((125, 150, 170), (100, 120, 135)),
    "2/0 AWG": ((145, 175, 195), (115, 135, 150)),
    "3/0 AWG": ((165, 200, 225), (130, 155, 175)),
    "4/0 AWG": ((195, 230, 260), (150, 180, 205)),
}
#: NEC 240.4(D), the largest breaker ahead of small conductors, copper and aluminium [A].
SMALL = {"14 AWG": (15, None), "12 AWG": (20, 15), "10 AWG": (30, 25)}
#: NEC 240.6(A), standard ratings as far as the sample needs them [A].
STANDARD_A = (
    15,
    20,
    25,
    30,
    35,
    40,
    45,
    50,
    60,
    70,
    80,
    90,
    100,
    110,
    125,
    150,
    175,
    200,
    225,
    250,
    300,
    350,
    400,
    450,
)
#: Table 310.15(B)(1), 90 °C column: up to this ambient temperature [°C], this factor.
AMBIENT_90 = ((30, 1.00), (35, 0.96), (40, 0.91), (45, 0.87), (50, 0.82), (55, 0.76), (60, 0.71), (65, 0.65))
#: Table 310.15(C)(1): up to so many current-carrying conductors, this factor.
FILL = ((3, 1.00), (6, 0.80), (9, 0.70), (20, 0.50), (30, 0.45), (40, 0.40))
#: What the sample's policy supplies where records are silent.
AMBIENT_C = {"Upper Ennick": 36.0, "Lowmarsh Coast": 44.0, "Tallis Isles": 40.0}
#: Top of the service range [per unit]: ANSI C84.1 Range A, EN 50160.
TOP_PU = {"120/240": 1.05, "208Y/120": 1.05, "480Y/277": 1.05, "230": 1.10, "400Y/230": 1.10}
#: AS/NZS 4777.1, largest difference between phases [kVA]; from memory.
IMBALANCE_KVA = 5.0
#: Hottest cells [°C]: a module must hold its window, or miss it, at both.
HOT_CELL_C = (60.0, 85.0)


def grade(value: float, limit: float) -> str:
    """Return the verdict of a value that may not exceed its limit, or "near"."""
    if value <= INSIDE * limit + 1e-9:
        return PASS
    return FAIL if value >= BEYOND * limit else NEAR


def worst(states: list[str]) -> str:
    """Return the worst of several verdicts that must all be good."""
    if FAIL in states:
        return FAIL
    return NEAR if NEAR in states else PASS


def best(states: list[str]) -> str:
    """Return the best of several verdicts of which one must be good."""
    if PASS in states:
        return PASS
    return NEAR if NEAR in states else FAIL


def step(table: tuple[tuple[int, float], ...], at: float) -> float:
    """Return the factor of the first row that reaches `at`."""
    return next(factor for upto, factor in table if at <= upto)


@dataclass
class Figures:
    """One circuit's figures at the unit with the greatest total rise [% of nominal, A]."""

    trunk_pct: float
    home_run_pct: float
    feeder_pct: float
    total_pct: float
    entrance_pct: float
    line_a: float
    arm_a: float


def line_amps(system: System, amps: list[complex]) -> float:
    """Return the worst line current [A]."""
    return max(abs(i) for i in (amps[:3] if system.service in THREE_PHASE else amps[:1]))


def from_supply(system: System) -> bool:
    """AS/NZS 4777.1:2016 clause 3.3.3 counts the rise from the point of supply, common practice from the main panel."""
    return system.text("installation_code") == "AS/NZS 3000"


def figures(system: System) -> dict[str, Figures]:
    """Return every circuit's figures, the worse of both directions of rotation."""
    found: dict[str, Figures] = {}
    nominal = unit_volts(system)
    for backwards in (False, True) if system.service in THREE_PHASE else (False,):
        flow = design_flow(system, backwards)
        for circuit in system.circuits:
            key = circuit.circuit_id
            shared = (flow.home[key], flow.feeder[circuit.combiner_id], flow.entrance)
            arm_a = max(first_section_amps(system, arm) for arm in flow.arms[key])
            line_a = line_amps(system, flow.circuit_a[key])
            for arm, rises in zip(flow.arms[key], flow.trunk[key], strict=True):
                for unit, rise in zip(arm, rises, strict=True):
                    aim = toward(system, unit).conjugate()
                    parts = [(across(unit, v) * aim).real / nominal * 100 for v in (rise, *shared)]
                    total = sum(parts if from_supply(system) else parts[:3])
                    if key not in found or total > found[key].total_pct:
                        found[key] = Figures(*parts[:3], total, parts[3], line_a, arm_a)
    return found


def first_section_amps(system: System, arm: list[Unit]) -> float:
    """Return the worst line current in the first section of an arm, at rated current [A]."""
    amps = [0j] * 4
    for unit in arm:
        amps[unit.plus] += unit.current_a * toward(system, unit)
        amps[unit.minus] -= unit.current_a * toward(system, unit)
    return line_amps(system, amps)


def wiring(system: System, circuit: Circuit) -> str:
    """Return how the specs call the circuit's wiring."""
    return "three-phase" if system.service in THREE_PHASE and circuit.phases == "ABC" else "single"


def stated_limit(system: System, circuit: Circuit) -> int | None:
    """Return the units the spec allows on this service, wiring and breaker; None where it states nothing."""
    for limit in EQUIPMENT["inverter"][circuit.model].get("branch_limits", []):
        if (limit["service"], limit["wiring"], limit["breaker_a"]) == (
            system.service,
            wiring(system, circuit),
            circuit.breaker_a,
        ):
            return int(limit["units"])
    return None


def device_a(circuit: Circuit) -> float:
    """Return the breaker, or the largest that the trunk and NEC 240.4(D) allow where that is less [A]."""
    return min(circuit.breaker_a, EQUIPMENT["trunk"][circuit.trunk]["max_breaker_a"], small_wire_amps(circuit))


def computed_limit(system: System, circuit: Circuit) -> int:
    """Return the most units whose worst line current stays within 0.8 of the breaker, by phasor sums."""
    spec = EQUIPMENT["inverter"][circuit.model]
    printed = spec["current_a"][f"{unit_volts(system):g}"]
    half_a = 0.5 * 10.0 ** -len(printed.partition(".")[2])
    count = 0
    while line_factor(spec["connection"], wiring(system, circuit), count + 1) * (float(printed) - half_a) <= (
        0.8 * device_a(circuit)
    ):
        count += 1
    return count


def line_factor(connection: str, how: str, count: int) -> float:
    """Return the worst line current of so many units of one ampere."""
    if how == "single":
        return count
    if connection == "line-neutral":
        return math.ceil(count / 3)
    ab, bc, ca = (count + 2) // 3, (count + 1) // 3, count // 3
    lines = [(ab, ca), (bc, ab), (ca, bc)]
    return max(math.sqrt(p * p + q * q + p * q) for p, q in lines)


def unit_limit(system: System, circuit: Circuit) -> int:
    """Return the governing limit: the spec's where it states one."""
    stated = stated_limit(system, circuit)
    return computed_limit(system, circuit) if stated is None else stated


def branch_unit_limit(system: System, circuit: Circuit, line_a: float) -> str:
    """Count against the stated limit, or current against 0.8 of the breaker where the spec states none."""
    stated = None if circuit.mixed else stated_limit(system, circuit)
    if stated is not None:
        return FAIL if circuit.count > stated else PASS
    return grade(line_a, 0.8 * device_a(circuit))


def usable_amps(run: Run, ambient_c: float, conductors: int, terminal_c: int = 60) -> tuple[float, float]:
    """Return a run's ampacity in its terminals' column, and after factors from 90 °C, not above that column [A]."""
    row = AMPACITY[run.size][0 if run.material == "copper" else 1]
    column = row[(60, 75, 90).index(run.terminal_c or terminal_c)]
    return column, min(column, row[2] * step(AMBIENT_90, ambient_c) * step(FILL, conductors))


def ampacity(run: Run, line_a: float, ambient_c: float, conductors: int) -> str:
    """NEC 690.8(B): 1.25 times the current before factors, the current itself after them.

    Terminals not stated are good for 60 °C, above 100 A for 75 °C (NEC 110.14(C)(1)); near 100 A both must agree.
    """
    states = []
    for terminal_c in (60, 75) if 1.25 * line_a > 95 else (60,):
        before_a, after_a = usable_amps(run, ambient_c, conductors, terminal_c)
        states.append(worst([grade(1.25 * line_a, before_a), grade(line_a, after_a)]))
    return states[0] if len(set(states)) == 1 else NEAR


def small_wire_amps(circuit: Circuit) -> float:
    """Return the largest breaker that NEC 240.4(D) allows ahead of the circuit's smallest wire [A]."""
    limits = [SMALL.get(run.size, (None, None))[run.material != "copper"] for run in circuit.home_runs]
    return min((float(limit) for limit in limits if limit is not None), default=math.inf)


def breaker_size(system: System, circuit: Circuit, line_a: float) -> str:
    """Standard, at least 1.25 times the current, no more than the trunk and NEC 240.4(D) allow.

    A circuit with too many units is that, and not one with too small a breaker.
    """
    largest = min(EQUIPMENT["trunk"][circuit.trunk]["max_breaker_a"], small_wire_amps(circuit))
    states = [FAIL if circuit.breaker_a not in STANDARD_A or circuit.breaker_a > largest else PASS]
    if branch_unit_limit(system, circuit, line_a) != FAIL:
        states.append(grade(1.25 * line_a, circuit.breaker_a))
    return worst(states)


def home_run_ampacity(system: System, circuit: Circuit, line_a: float) -> str:
    """Judge every run in series, and NEC 240.4(B): the breaker at most the next size above the wire's ampacity.

    A breaker above what the trunk or 240.4(D) allows is told by breaker-size alone.
    """
    ambient_c, conductors = ambient_of(system, circuit), circuit.raceway_conductors or 3
    states = [ampacity(run, line_a, ambient_c, conductors) for run in circuit.home_runs]
    if circuit.breaker_a <= min(EQUIPMENT["trunk"][circuit.trunk]["max_breaker_a"], small_wire_amps(circuit)):
        after_a = min(usable_amps(run, ambient_c, conductors)[1] for run in circuit.home_runs)
        states.append(FAIL if circuit.breaker_a > next_standard(after_a) else PASS)
    return worst(states)


def next_standard(amps: float) -> int:
    """Return the smallest standard rating that is not below this current."""
    return next(size for size in STANDARD_A if size >= amps - 1e-9)


def ambient_of(system: System, circuit: Circuit) -> float:
    """Return the circuit's ambient temperature, or its region's from the policy [°C]."""
    return AMBIENT_C[system.text("region")] if circuit.ambient_c is None else circuit.ambient_c


def coordination(circuit: Circuit, line_a: float) -> str:
    """IEC 60364-4-43: design current, device, conductor, in rising order."""
    rated = min(run.rated_a or 0.0 for run in circuit.home_runs)
    device = PASS if circuit.breaker_a <= rated else FAIL
    return worst([grade(line_a, circuit.breaker_a), device])


def busbar(system: System, solar_a: float) -> str:
    """NEC 705.12: the 100 % rule, the 120 % rule where the position allows it, the sum of all breakers."""
    if system.text("connection_side") == "supply":
        return NOT
    bus_a, main_a = system.number("busbar_a"), system.number("main_breaker_a")
    old = int(system.text("code_edition")) < 2014
    back_a = (1.25 * solar_a, float(next_standard(1.25 * solar_a)))
    if old:
        branches_a = sum(circuit.breaker_a for circuit in system.circuits)
        lone = len(system.circuits) == 1 and not system.circuits[0].combiner_id
        back_a = (branches_a,) if lone else (back_a[1], max(branches_a, back_a[1]))
    far = ("opposite end",) if old else ("opposite end", "centre-fed end")
    share = 1.2 if system.text("backfeed_position") in far else 1.0
    rules = [worst([grade(a + main_a, share * bus_a) for a in back_a])]
    if rules == [FAIL] and min(back_a) + main_a < BEYOND * share * bus_a:
        rules = [NEAR]
    if "busbar_breakers_a" in system.facts and not old:
        rules.append(grade(system.number("busbar_breakers_a"), bus_a))
    return best(rules)


def imbalance(system: System) -> str:
    """Compare the apparent power of the phases where AS/NZS 3000 holds."""
    if system.service not in THREE_PHASE or system.text("installation_code") != "AS/NZS 3000":
        return NOT
    kva = [0.0, 0.0, 0.0]
    for arms in design_flow(system).arms.values():
        for unit in (unit for arm in arms for unit in arm):
            kva[unit.plus] += unit.current_a * unit_volts(system) / 1000
    return grade(max(kva) - min(kva), IMBALANCE_KVA)


def module_checks(system: System, circuit: Circuit) -> dict[str, str]:
    """Check the module against every model on the circuit."""
    module = EQUIPMENT["module"][system.text("module_model")]
    low_c = system.number("low_design_temp_c")
    voc = module["voc_v"] * (1 + module["voc_pct_per_c"] / 100 * (low_c - 25))
    vmp = {t: module["vmp_v"] * (1 + module["vmp_pct_per_c"] / 100 * (t - 25)) for t in (low_c, *HOT_CELL_C)}
    specs = [EQUIPMENT["inverter"][group.model] for group in circuit.units]
    power = sum(EQUIPMENT["inverter"][g.model]["rated_w"] * g.count for g in circuit.units)
    ratio = module["power_w"] * circuit.module_count / power
    ends = [FAIL if not spec["module_min_w"] <= module["power_w"] <= spec["module_max_w"] else PASS for spec in specs]
    most, least = max(vmp.values()), min(vmp.values())
    return {
        "module-cold-voltage": worst([grade(voc, spec["max_input_v"]) for spec in specs]),
        "module-input-window": worst(
            [s for spec in specs for s in (grade(spec["window_low_v"], least), grade(most, spec["window_high_v"]))]
        ),
        "module-input-current": worst([grade(module["isc_a"], spec["max_input_a"]) for spec in specs]),
        "power-ratio": worst([grade(1.0, ratio), grade(ratio, 1.5), *ends]),
    }


def terminal_states(system: System) -> dict[str, str]:
    """Compare each circuit's highest terminal voltage with the profile's lowest threshold, by the room between."""
    profile, nominal = EQUIPMENT["grid_profile"][system.text("grid_profile")], unit_volts(system)
    limit = min(t.get("level_pu") or t["level_v"] / t["base_v"] for t in profile["thresholds"]) * nominal
    top = TOP_PU[system.service] * nominal
    if limit <= top:
        return {circuit.circuit_id: NOT for circuit in system.circuits}
    found: dict[str, float] = {}
    for backwards in (False, True) if system.service in THREE_PHASE else (False,):
        for key, volts in operating_volts(system, TOP_PU[system.service], backwards).items():
            found[key] = max(volts, found.get(key, 0.0))
    return {key: grade(volts - top, limit - top) for key, volts in found.items()}


def judge(system: System) -> dict[tuple[str, str], str]:
    """Return every verdict of a system by (circuit, check); feeder and system checks have an empty circuit."""
    nec = system.service in ("120/240", "208Y/120", "480Y/277")
    numbers, terminal = figures(system), terminal_states(system)
    verdicts: dict[tuple[str, str], str] = {}
    for circuit in system.circuits:
        key, own = circuit.circuit_id, numbers[circuit.circuit_id]
        found = {
            "branch-unit-limit": branch_unit_limit(system, circuit, own.line_a),
            "trunk-current": grade(own.arm_a, EQUIPMENT["trunk"][circuit.trunk]["rated_a"]),
            "voltage-rise": grade(own.total_pct, TARGET_PCT),
            "terminal-voltage": terminal[key],
            **module_checks(system, circuit),
        }
        if nec:
            found["breaker-size"] = breaker_size(system, circuit, own.line_a)
            found["home-run-ampacity"] = home_run_ampacity(system, circuit, own.line_a)
        else:
            found["current-coordination"] = coordination(circuit, own.line_a)
        verdicts |= {(key, check): state for check, state in found.items()}
    flow = design_flow(system)
    if nec:
        ambient = AMBIENT_C[system.text("region")]
        verdicts["", "feeder-ampacity"] = worst(
            [
                ampacity(run, line_amps(system, flow.feeder_a[name]), ambient, 3)
                for name, runs in system.feeders.items()
                for run in runs
            ]
        )
        verdicts["", "busbar"] = busbar(system, line_amps(system, flow.system_a))
    else:
        loads = [(line_amps(system, flow.feeder_a[name]), runs) for name, runs in system.feeders.items()]
        verdicts["", "feeder-ampacity"] = worst(
            [grade(line_a, run.rated_a or 0.0) for line_a, runs in loads for run in runs]
        )
    verdicts["", "phase-imbalance"] = imbalance(system)
    return verdicts

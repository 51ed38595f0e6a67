"""The sample's own arithmetic: voltage rise by complex phasor sums, unit by unit, and the tables it needs.

Written apart from the programme it is to test, and slow on purpose: every unit's current is a complex number that is
added up conductor by conductor. Conductors are numbered 0, 1, 2, 3 for a, b, c, n on three-phase services; on
single-phase services 0 and 1 are the two live conductors (or live and neutral) and each carries the whole current.
"""

from __future__ import annotations

import cmath
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sample_portfolio.plan import Circuit, Run, System

FOOT_M = 0.3048
WIRE_TEMP_C = 75.0
#: NEC Chapter 9 Table 8, DC resistance at 75 °C, stranded, uncoated copper and aluminium [ohm/1000 ft].
TABLE_8 = {
    "14 AWG": (3.14, 5.17),
    "12 AWG": (1.98, 3.25),
    "10 AWG": (1.24, 2.04),
    "8 AWG": (0.778, 1.28),
    "6 AWG": (0.491, 0.808),
    "4 AWG": (0.308, 0.508),
    "3 AWG": (0.245, 0.403),
    "2 AWG": (0.194, 0.319),
    "1 AWG": (0.154, 0.253),
    "1/0 AWG": (0.122, 0.201),
    "2/0 AWG": (0.0967, 0.159),
    "3/0 AWG": (0.0766, 0.126),
    "4/0 AWG": (0.0608, 0.100),
}
#: NEC Chapter 9 Table 9, reactance in PVC or aluminium, and in steel conduit [ohm/1000 ft].
TABLE_9_X = {
    "14 AWG": (0.058, 0.073),
    "12 AWG": (0.054, 0.068),
    "10 AWG": (0.050, 0.063),
    "8 AWG": (0.052, 0.065),
    "6 AWG": (0.051, 0.064),
    "4 AWG": (0.048, 0.060),
    "3 AWG": (0.047, 0.059),
    "2 AWG": (0.045, 0.057),
    "1 AWG": (0.046, 0.057),
    "1/0 AWG": (0.044, 0.055),
    "2/0 AWG": (0.043, 0.054),
    "3/0 AWG": (0.042, 0.052),
    "4/0 AWG": (0.041, 0.051),
}
#: IEC 60228 class 2, maximum resistance at 20 °C, plain copper and aluminium [ohm/km].
IEC_60228 = {
    "2.5 mm2": (7.41, None),
    "4 mm2": (4.61, None),
    "6 mm2": (3.08, None),
    "10 mm2": (1.83, 3.08),
    "16 mm2": (1.15, 1.91),
    "25 mm2": (0.727, 1.20),
    "35 mm2": (0.524, 0.868),
    "50 mm2": (0.387, 0.641),
    "70 mm2": (0.268, 0.443),
    "95 mm2": (0.193, 0.320),
    "120 mm2": (0.153, 0.253),
}
#: IEC 60364-5-52 Annex G: 0.08 milliohm a metre where nothing better is known.
METRIC_X_OHM_PER_KM = 0.08
#: Temperature coefficient of resistance at 20 °C [1/°C].
ALPHA_20 = {"copper": 0.00393, "aluminium": 0.00403}
#: Nominal voltage across a unit by service and connection [V].
UNIT_V = {
    ("120/240", "line-line"): 240.0,
    ("208Y/120", "line-line"): 208.0,
    ("480Y/277", "line-neutral"): 277.0,
    ("230", "line-neutral"): 230.0,
    ("400Y/230", "line-neutral"): 230.0,
}
THREE_PHASE = ("208Y/120", "480Y/277", "400Y/230")
THIRD = 2 * math.pi / 3
PHASE = (1 + 0j, cmath.rect(1, -THIRD), cmath.rect(1, THIRD), 0j)
TWO_WIRE = (0.5 + 0j, -0.5 + 0j, 0j, 0j)
PAIRS = {"AB": (0, 1), "BC": (1, 2), "CA": (2, 0), "A": (0, 3), "B": (1, 3), "C": (2, 3)}
CATALOG = Path(__file__).with_name("catalog") / "equipment.toml"
Vector = list[complex]


def read_catalog() -> dict[str, dict[str, Any]]:
    """Return the equipment by table and model, the latest revision of each."""
    catalog: dict[str, dict[str, Any]] = {}
    for table, entries in tomllib.loads(CATALOG.read_text("utf-8")).items():
        for entry in sorted(entries, key=lambda e: e.get("revision", 1)):
            catalog.setdefault(table, {})[entry.get("model") or entry["name"]] = entry
    return catalog


EQUIPMENT = read_catalog()


def warmed(r_ohm: float, material: str, from_c: float) -> float:
    """Return a resistance at 75 °C, from what it is at another temperature."""
    alpha = ALPHA_20[material]
    return r_ohm * (1 + alpha * (WIRE_TEMP_C - 20)) / (1 + alpha * (from_c - 20))


def run_ohm(run: Run) -> complex:
    """Return the impedance of one conductor of a run, one way [ohm]."""
    column = 0 if run.material == "copper" else 1
    if run.size in TABLE_8:
        x = TABLE_9_X[run.size][run.raceway == "steel"]
        return complex(TABLE_8[run.size][column], x) / (1000 * FOOT_M) * run.length_m
    cold = IEC_60228[run.size][column]
    if cold is None:
        raise ValueError(f"no aluminium conductor of {run.size}")
    return complex(warmed(cold, run.material, 20), METRIC_X_OHM_PER_KM) * run.length_m / 1000


def section_ohm(trunk: dict[str, Any], length_m: float) -> complex:
    """Return the impedance of one conductor of a trunk section, with its connector [ohm]."""
    r_ohm_per_km = warmed(trunk["r_ohm_per_km"], trunk["conductor_material"], trunk["r_temp_c"])
    return complex(r_ohm_per_km, trunk["x_ohm_per_km"]) * length_m / 1000 + trunk.get("connector_r_mohm", 0.0) / 1000


@dataclass
class Unit:
    """One inverter where it sits: its conductors, rated current [A] and power [W], and the section ahead of it."""

    plus: int
    minus: int
    current_a: float
    power_w: float
    section: complex


def unit_volts(system: System) -> float:
    """Return the nominal voltage across a unit of this system [V]."""
    return next(volts for (service, _), volts in UNIT_V.items() if service == system.service)


def arms_of(circuit: Circuit) -> list[int]:
    """Return the number of units on each arm."""
    if circuit.feed == "arms":
        return list(circuit.arm_counts)
    if circuit.feed == "end" or circuit.count == 1:
        return [circuit.count]
    return [math.ceil(circuit.count / 2), circuit.count // 2]


def models_along(circuit: Circuit) -> list[str]:
    """Return each unit's model along the cut cable; a single unit with a position sits there."""
    placed = {group.position: group.model for group in circuit.units if group.position}
    rest = [group.model for group in circuit.units if not group.position for _ in range(group.count)]
    return [placed[spot] if spot in placed else rest.pop(0) for spot in range(1, circuit.count + 1)]


def sequence(circuit: Circuit, service: str, backwards: bool) -> list[tuple[int, int]]:
    """Return each unit's two conductors along the cut cable; three-phase cables rotate, either way round."""
    if service not in THREE_PHASE:
        return [(0, 1)] * circuit.count
    if circuit.phases != "ABC":
        return [PAIRS[circuit.phases]] * circuit.count
    names = ("AB", "BC", "CA") if service == "208Y/120" else ("A", "B", "C")
    order = (0, 2, 1) if backwards else (0, 1, 2)
    return [PAIRS[names[order[spot % 3]]] for spot in range(circuit.count)]


def section_lengths(circuit: Circuit, places: list[int], length_m: float) -> list[float]:
    """Return the trunk before each unit of an arm, counted from the feed point [m]."""
    lengths = [length_m] * len(places)
    if circuit.first_section_m is not None:
        lengths[0] = circuit.first_section_m
    for after, extra_m in circuit.extra_trunk:
        neighbours = {after - 1, after}
        if neighbours <= set(places):
            lengths[max(places.index(place) for place in neighbours)] += extra_m
    return lengths


def lay(circuit: Circuit, service: str, backwards: bool) -> list[list[Unit]]:
    """Return the arms, each a list of units from the feed point outwards.

    The cut cable keeps its sequence: with two arms or more the first arm runs backwards from the feed point.
    """
    trunk = EQUIPMENT["trunk"][circuit.trunk]
    models, pairs = models_along(circuit), sequence(circuit, service, backwards)
    counts = arms_of(circuit)
    arms, start = [], 0
    for number, count in enumerate(counts):
        places = list(range(start, start + count))
        if number == 0 and len(counts) > 1:
            places.reverse()
        lengths = section_lengths(circuit, places, trunk["section_length_m"][circuit.orientation])
        arm = []
        for place, length_m in zip(places, lengths, strict=True):
            spec = EQUIPMENT["inverter"][models[place]]
            volts = UNIT_V[service, spec["connection"]]
            current_a = float(spec["current_a"][f"{volts:g}"])
            arm.append(Unit(*pairs[place], current_a, spec["rated_w"], section_ohm(trunk, length_m)))
        arms.append(arm)
        start += count
    return arms


def add_to(vector: Vector, unit: Unit, amps: complex) -> None:
    """Add a unit's current to the conductors it feeds."""
    vector[unit.plus] += amps
    vector[unit.minus] -= amps


def trunk_volts(arms: list[list[Unit]], amps: list[list[complex]]) -> tuple[list[list[Vector]], Vector]:
    """Return each conductor's rise at each unit above the feed point, and the currents the arms bring there."""
    rises, total = [], [0j] * 4
    for arm, arm_amps in zip(arms, amps, strict=True):
        beyond: list[Vector] = []
        carried = [0j] * 4
        for unit, current in zip(reversed(arm), reversed(arm_amps), strict=True):
            add_to(carried, unit, current)
            beyond.append(list(carried))
        total = [a + b for a, b in zip(total, carried, strict=True)]
        here, along = [0j] * 4, []
        for unit, carries in zip(arm, reversed(beyond), strict=True):
            here = [v + unit.section * i for v, i in zip(here, carries, strict=True)]
            along.append(here)
        rises.append(along)
    return rises, total


@dataclass
class Flow:
    """One direction of rotation of a whole system, solved: arms, rises by part and currents by conductor [V, A]."""

    arms: dict[str, list[list[Unit]]]
    trunk: dict[str, list[list[Vector]]]
    home: dict[str, Vector]
    feeder: dict[str, Vector]
    entrance: Vector
    circuit_a: dict[str, Vector]
    feeder_a: dict[str, Vector]
    system_a: Vector


def solve(system: System, arms: dict[str, list[list[Unit]]], amps: dict[str, list[list[complex]]]) -> Flow:
    """Add the currents up along every path and return the rises they make."""
    trunk, circuit_a, home = {}, {}, {}
    feeder_a: dict[str, Vector] = {name: [0j] * 4 for name in system.feeders}
    for circuit in system.circuits:
        key = circuit.circuit_id
        trunk[key], circuit_a[key] = trunk_volts(arms[key], amps[key])
        ohm = sum(run_ohm(run) for run in circuit.home_runs)
        home[key] = [ohm * i for i in circuit_a[key]]
        feeder_a[circuit.combiner_id] = [
            a + b for a, b in zip(feeder_a[circuit.combiner_id], circuit_a[key], strict=True)
        ]
    system_a = [sum((amps[k] for amps in feeder_a.values()), 0j) for k in range(4)]
    feeder: dict[str, Vector] = {
        name: [sum(run_ohm(run) for run in runs) * i for i in feeder_a[name]] for name, runs in system.feeders.items()
    }
    entrance = [run_ohm(system.entrance) * i for i in system_a]
    return Flow(arms, trunk, home, feeder, entrance, circuit_a, feeder_a, system_a)


def toward(system: System, unit: Unit) -> complex:
    """Return the direction of a unit's own nominal voltage, of length one."""
    ends = PHASE if system.service in THREE_PHASE else TWO_WIRE
    across = ends[unit.plus] - ends[unit.minus]
    return across / abs(across)


def power_angle(system: System) -> complex:
    """Return c - js: s above zero injects reactive power."""
    if "power_factor" not in system.facts:
        return 1 + 0j
    c = system.number("power_factor")
    s = math.sqrt(1 - c * c) * (1 if system.text("power_factor_mode") == "injects" else -1)
    return complex(c, -s)


def lay_system(system: System, backwards: bool) -> dict[str, list[list[Unit]]]:
    """Lay every circuit of a system."""
    return {c.circuit_id: lay(c, system.service, backwards) for c in system.circuits}


def design_flow(system: System, backwards: bool = False) -> Flow:
    """Solve at rated current and nominal voltage."""
    arms, angle = lay_system(system, backwards), power_angle(system)
    amps = {
        key: [[unit.current_a * angle * toward(system, unit) for unit in arm] for arm in laid]
        for key, laid in arms.items()
    }
    return solve(system, arms, amps)


def across(unit: Unit, vector: Vector) -> complex:
    """Return what a vector of conductor voltages puts across a unit."""
    return vector[unit.plus] - vector[unit.minus]


def operating_amps(system: System, unit: Unit, volts: complex) -> complex:
    """Return the current of a unit that delivers its rated power at this voltage across it [A]."""
    angle = power_angle(system)
    return (unit.power_w * complex(1, -angle.imag / angle.real) / volts).conjugate()


def operating_volts(system: System, source_pu: float, backwards: bool = False) -> dict[str, float]:
    """Return by circuit the highest voltage across a unit, at constant power and this supply voltage [per unit]."""
    arms = lay_system(system, backwards)
    source = unit_volts(system) * source_pu
    at = {key: [[source * toward(system, u) for u in arm] for arm in laid] for key, laid in arms.items()}
    for _ in range(12):
        amps = {
            key: [
                [operating_amps(system, u, v) for u, v in zip(arm, volts, strict=True)]
                for arm, volts in zip(laid, at[key], strict=True)
            ]
            for key, laid in arms.items()
        }
        flow = solve(system, arms, amps)
        for circuit in system.circuits:
            key, feeder = circuit.circuit_id, flow.feeder[circuit.combiner_id]
            shared = [a + b + c for a, b, c in zip(flow.entrance, feeder, flow.home[key], strict=True)]
            at[key] = [
                [source * toward(system, u) + across(u, shared) + across(u, v) for u, v in zip(arm, vs, strict=True)]
                for arm, vs in zip(arms[key], flow.trunk[key], strict=True)
            ]
    return {key: max(abs(v) for arm in laid for v in arm) for key, laid in at.items()}

"""Systems as plain nested records, for tests to walk on their own, and their flat form."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from auditor.electrical.network import Network

ROOT3 = 3**0.5


@dataclass(frozen=True)
class Z:
    """Impedance of a phase conductor and of the neutral, one way [Ω]."""

    r: float
    x: float = 0.0
    neutral_r: float = 0.0
    neutral_x: float = 0.0


@dataclass(frozen=True)
class Unit:
    r: float
    x: float = 0.0
    current_a: float = 1.0
    power_w: float = 240.0
    pair: int = 0


@dataclass(frozen=True)
class Circuit:
    arms: list[list[Unit]]
    home_run: Z = Z(0.0)

    @property
    def units(self) -> list[Unit]:
        return [unit for arm in self.arms for unit in arm]


@dataclass(frozen=True)
class Feeder:
    circuits: list[Circuit]
    run: Z = Z(0.0)


@dataclass(frozen=True)
class System:
    feeders: list[Feeder]
    nominal_v: float = 240.0
    cos_phi: float = 1.0
    sin_phi: float = 0.0
    entrance: Z = field(default=Z(0.0))

    @property
    def circuits(self) -> list[Circuit]:
        return [circuit for feeder in self.feeders for circuit in feeder.circuits]

    @property
    def units(self) -> list[Unit]:
        return [unit for circuit in self.circuits for unit in circuit.units]


def flat(systems: list[System], three_phase: bool = False) -> Network:
    """The flat network of nested systems."""
    feeders = [(s, feeder) for s, system in enumerate(systems) for feeder in system.feeders]
    circuits = [(f, circuit) for f, (_, feeder) in enumerate(feeders) for circuit in feeder.circuits]
    arms = [(c, arm) for c, (_, circuit) in enumerate(circuits) for arm in circuit.arms]
    units = [unit for _, arm in arms for unit in arm]

    def ints(values) -> np.ndarray:
        return np.array(list(values), dtype=np.int64)

    def floats(values) -> np.ndarray:
        return np.array(list(values), dtype=np.float64)

    runs: dict[str, np.ndarray] = {}
    for name, zs in (
        ("home_run", [c.home_run for _, c in circuits]),
        ("feeder", [f.run for _, f in feeders]),
        ("entrance", [s.entrance for s in systems]),
    ):
        for part in ("r", "x", "neutral_r", "neutral_x"):
            runs[f"{name}_{part}_ohm"] = floats(getattr(z, part) for z in zs)
    return Network(
        three_phase=three_phase,
        n_systems=len(systems),
        arm_start=ints(np.cumsum([0] + [len(arm) for _, arm in arms])),
        arm_circuit=ints(c for c, _ in arms),
        circuit_feeder=ints(f for f, _ in circuits),
        feeder_system=ints(s for s, _ in feeders),
        section_r_ohm=floats(u.r for u in units),
        section_x_ohm=floats(u.x for u in units),
        unit_current_a=floats(u.current_a for u in units),
        unit_power_w=floats(u.power_w for u in units),
        unit_pair=ints(u.pair for u in units),
        nominal_v=floats(s.nominal_v for s in systems),
        cos_phi=floats(s.cos_phi for s in systems),
        sin_phi=floats(s.sin_phi for s in systems),
        **runs,
    )


def ladder(counts: list[int], r: float = 0.01, x: float = 0.0, kind: str = "single", first: int = 0, **unit) -> Circuit:
    """A circuit of equal units and sections; units rotate along the cut cable, its first of two arms backwards."""
    arms = []
    laid = 0
    for number, count in enumerate(counts):
        places = list(range(laid, laid + count))
        if number == 0 and len(counts) > 1:
            places.reverse()
        laid += count
        arms.append([Unit(r, x, pair=_pair(kind, first + place), **unit) for place in places])
    return Circuit(arms)


def _pair(kind: str, place: int) -> int:
    return {"single": 0, "pairs": place % 3, "neutral": 3 + place % 3}[kind]


def alone(circuit: Circuit, **system) -> System:
    """A system of one circuit."""
    return System([Feeder([circuit])], **system)


# service: (three-phase, volts across a unit's source or phase to neutral, kinds of circuit, watts a unit)
SERVICES = {
    "120/240": (False, 240.0, ("single",), 290.0),
    "230": (False, 230.0, ("single",), 290.0),
    "208Y/120": (True, 120.0, ("pairs", "pairs", "one pair"), 290.0),
    "480Y/277": (True, 277.0, ("neutral",), 350.0),
    "400Y/230": (True, 230.0, ("neutral", "one phase"), 290.0),
}


def random_systems(seed: int, service: str, circuits: int, mixed_kinds: bool = False) -> list[System]:
    """Systems with at least so many circuits in all: shared feeders, one to three arms, mixed units and sections."""
    rng = np.random.default_rng(seed)
    systems: list[System] = []
    while sum(len(s.circuits) for s in systems) < circuits:
        systems.append(_random_system(rng, service, mixed_kinds))
    return systems


def _random_system(rng: np.random.Generator, service: str, mixed_kinds: bool) -> System:
    _, volts, kinds, watts = SERVICES[service]
    if mixed_kinds:
        kinds = (*kinds, "pairs", "one pair", "neutral", "one phase")
    feeders = [
        Feeder([_random_circuit(rng, kinds, watts, volts) for _ in range(rng.integers(1, 4))], _z(rng, 0.005, 0.03))
        for _ in range(rng.integers(1, 3))
    ]
    cos = float(rng.choice([1.0, 0.95, 0.9, 0.8]))
    sin = float(rng.choice([-1, 1])) * (1 - cos * cos) ** 0.5
    return System(feeders, volts, cos, sin, _z(rng, 0.002, 0.02))


def _random_circuit(rng: np.random.Generator, kinds: tuple[str, ...], watts: float, volts: float) -> Circuit:
    kind = str(rng.choice(kinds))
    offset = int(rng.integers(3))
    pair = {
        "single": lambda place: 0,
        "pairs": lambda place: (offset + place) % 3,
        "one pair": lambda place: offset,
        "neutral": lambda place: 3 + (offset + place) % 3,
        "one phase": lambda place: 3 + offset,
    }[kind]
    across = volts * (ROOT3 if "pair" in kind else 1.0)
    arms = []
    for _ in range(rng.choice([1, 1, 2, 3])):
        arm = []
        for place in range(rng.integers(1, 13)):
            power = watts * float(rng.choice([1.0, 1.0, 0.7]))
            arm.append(Unit(*rng.uniform([0.002, 0.0], [0.02, 0.002]).tolist(), power / across, power, pair(place)))
        arms.append(arm)
    return Circuit(arms, _z(rng, 0.01, 0.2))


def _z(rng: np.random.Generator, low: float, high: float) -> Z:
    r, neutral_r = rng.uniform(low, high, 2)
    x, neutral_x = rng.uniform(0, high / 4, 2)
    return Z(float(r), float(x), float(neutral_r), float(neutral_x))

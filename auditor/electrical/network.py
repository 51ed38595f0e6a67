"""A batch of systems as flat arrays: units on arms, arms on circuits, circuits on feeders, feeders on systems."""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import pairwise
from typing import Any

import numpy as np

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray

_LENGTHS = {"arm_start": "arms + 1", "arm_circuit": "arms"}
_UNIT = ("section_", "unit_")
_CIRCUIT = ("circuit_", "home_run_")
_FEEDER = ("feeder_",)


@dataclass(frozen=True)
class Network:
    """Systems of one kind; S systems, F feeders, C circuits, A arms, U units.

    Every impedance is that of one conductor, one way [Ω]; a figure that is missing is NaN. Two-conductor systems
    ("single") close through a second conductor of the same impedance. Three-phase systems have the conductors a, b,
    c and n, phase sequence abc; the trunk's neutral has the impedance of its phase conductors.

    Attributes
    ----------
    three_phase : whether the systems are three-phase.
    n_systems : S.
    arm_start : (A+1,) offsets into the unit arrays; units of an arm are counted from the feed point outwards.
    arm_circuit, circuit_feeder, feeder_system : (A,), (C,), (F,) what each hangs on.
    section_r_ohm, section_x_ohm : (U,) trunk section on the source side of each unit.
    unit_current_a, unit_power_w : (U,) rated current [A] and real power [W].
    unit_pair : (U,) 0, 1, 2 = a-b, b-c, c-a; 3, 4, 5 = a-n, b-n, c-n; ignored in two-conductor systems.
    nominal_v : (S,) nominal voltage across a unit, in three-phase systems phase to neutral [V].
    home_run_*, feeder_*, entrance_* : (C,), (F,), (S,) runs between the source and the trunk.
    cos_phi, sin_phi : (S,) sin_phi > 0 where the units inject reactive power.

    Raises
    ------
    ValueError : where the lengths of the arrays disagree.
    """

    three_phase: bool
    n_systems: int
    arm_start: IntArray
    arm_circuit: IntArray
    circuit_feeder: IntArray
    feeder_system: IntArray
    section_r_ohm: FloatArray
    section_x_ohm: FloatArray
    unit_current_a: FloatArray
    unit_power_w: FloatArray
    unit_pair: IntArray
    nominal_v: FloatArray
    home_run_r_ohm: FloatArray
    home_run_x_ohm: FloatArray
    home_run_neutral_r_ohm: FloatArray
    home_run_neutral_x_ohm: FloatArray
    feeder_r_ohm: FloatArray
    feeder_x_ohm: FloatArray
    feeder_neutral_r_ohm: FloatArray
    feeder_neutral_x_ohm: FloatArray
    entrance_r_ohm: FloatArray
    entrance_x_ohm: FloatArray
    entrance_neutral_r_ohm: FloatArray
    entrance_neutral_x_ohm: FloatArray
    cos_phi: FloatArray
    sin_phi: FloatArray

    def __post_init__(self) -> None:
        sizes = {
            "arms + 1": len(self.arm_circuit) + 1,
            "arms": len(self.arm_circuit),
            "units": int(self.arm_start[-1]) if len(self.arm_start) else 0,
            "circuits": len(self.circuit_feeder),
            "feeders": len(self.feeder_system),
            "systems": self.n_systems,
        }
        for name, values in self._arrays():
            wanted = sizes[_length_of(name)]
            if len(values) != wanted:
                raise ValueError(f"{name} holds {len(values)} values where the network has {wanted} {_length_of(name)}")

    def _arrays(self) -> list[tuple[str, FloatArray | IntArray]]:
        return [(f.name, getattr(self, f.name)) for f in fields(self) if f.name not in ("three_phase", "n_systems")]

    @property
    def arm_system(self) -> IntArray:
        """(A,) the system of each arm."""
        return self.feeder_system[self.circuit_feeder[self.arm_circuit]]

    @property
    def unit_arm(self) -> IntArray:
        """(U,) the arm of each unit."""
        return np.repeat(np.arange(len(self.arm_circuit)), np.diff(self.arm_start))

    @property
    def unit_circuit(self) -> IntArray:
        """(U,) the circuit of each unit."""
        return np.repeat(self.arm_circuit, np.diff(self.arm_start))

    def select(self, systems: BoolArray) -> tuple[Network, BoolArray]:
        """Return the network of the marked systems alone, in the same order, and the mask (U,) of their units."""
        feeders = systems[self.feeder_system]
        circuits = feeders[self.circuit_feeder]
        arms = circuits[self.arm_circuit]
        counts = np.diff(self.arm_start)
        masks = {
            "arms": arms,
            "units": np.repeat(arms, counts),
            "circuits": circuits,
            "feeders": feeders,
            "systems": systems,
        }
        kept = {name: values[masks[_length_of(name)]] for name, values in self._arrays() if name != "arm_start"}
        kept["arm_start"] = np.concatenate([[0], np.cumsum(counts[arms])])
        for name, above in (("arm_circuit", circuits), ("circuit_feeder", feeders), ("feeder_system", systems)):
            kept[name] = (np.cumsum(above) - 1)[kept[name]]
        part = Network(three_phase=self.three_phase, n_systems=int(systems.sum()), **kept)
        return part, masks["units"]

    def pieces(self, arms: int) -> list[tuple[Network, slice, slice]]:
        """Cut the network between systems into pieces of about so many arms, each with its systems and its units.

        One piece where the arms, circuits or feeders of the systems do not follow each other in order.
        """
        levels = (self.feeder_system, self.feeder_system[self.circuit_feeder], self.arm_system)
        count = max(1, round(len(self.arm_circuit) / arms))
        if count == 1 or any((np.diff(level) < 0).any() for level in levels):
            return [(self, slice(0, self.n_systems), slice(0, int(self.arm_start[-1])))]
        cuts = levels[-1][np.arange(1, count) * len(self.arm_circuit) // count]
        bounds = [0, *np.unique(cuts).tolist(), self.n_systems]
        return [self._between(first, end, levels) for first, end in pairwise(bounds)]

    def _between(self, first: int, end: int, levels: tuple[IntArray, ...]) -> tuple[Network, slice, slice]:
        """The systems from `first` up to `end`; the levels are the systems of the feeders, circuits and arms."""
        feeders, circuits, arms = (slice(*np.searchsorted(level, (first, end)).tolist()) for level in levels)
        units = slice(int(self.arm_start[arms.start]), int(self.arm_start[arms.stop]))
        where = {
            "arms": arms,
            "arms + 1": slice(arms.start, arms.stop + 1),
            "units": units,
            "circuits": circuits,
            "feeders": feeders,
            "systems": slice(first, end),
        }
        kept: dict[str, Any] = {name: values[where[_length_of(name)]] for name, values in self._arrays()}
        before = {
            "arm_start": units.start,
            "arm_circuit": circuits.start,
            "circuit_feeder": feeders.start,
            "feeder_system": first,
        }
        for name, start in before.items():
            kept[name] = kept[name] - start
        return Network(three_phase=self.three_phase, n_systems=end - first, **kept), slice(first, end), units

    def beside(self, other: Network) -> Network:
        """Return this network's systems and behind them those of another of the same kind, as one network."""
        behind = {
            "arm_start": self.arm_start[-1],
            "arm_circuit": len(self.circuit_feeder),
            "circuit_feeder": len(self.feeder_system),
            "feeder_system": self.n_systems,
        }
        both = {
            name: np.concatenate([values, theirs[1:] if name == "arm_start" else theirs])
            for (name, values), (_, own) in zip(self._arrays(), other._arrays(), strict=True)
            for theirs in [own + behind[name] if name in behind else own]
        }
        return Network(three_phase=self.three_phase, n_systems=self.n_systems + other.n_systems, **both)


def _length_of(name: str) -> str:
    if name in _LENGTHS:
        return _LENGTHS[name]
    if name.startswith(_UNIT):
        return "units"
    if name.startswith(_CIRCUIT):
        return "circuits"
    return "feeders" if name.startswith(_FEEDER) else "systems"

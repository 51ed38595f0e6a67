"""The conductors that are followed, and which of them a unit sits across."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors

_H = float(np.sqrt(0.75))


@dataclass(frozen=True)
class Wiring:
    """Conductors and pairs of one kind of system.

    Two-conductor systems are followed as one row: the loop, of twice a conductor's impedance. Three-phase systems
    have the rows a, b, c, n and the pairs a-b, b-c, c-a, a-n, b-n, c-n.

    Attributes
    ----------
    rows : how many conductors are followed, K.
    loop : conductors in the path of one row.
    first, second : (P,) the conductor a unit's current enters and the one it leaves; `second` is None for loops.
    direction_re, direction_im : (P,) direction of the nominal voltage across the pair.
    span : (P,) nominal voltage across the pair over that phase to neutral (loops: 1).
    source_re, source_im : (K,) direction of the source voltage of each conductor.
    """

    rows: int
    loop: int
    first: IntArray
    second: IntArray | None
    direction_re: FloatArray
    direction_im: FloatArray
    span: FloatArray
    source_re: FloatArray
    source_im: FloatArray


SINGLE = Wiring(
    rows=1,
    loop=2,
    first=np.array([0]),
    second=None,
    direction_re=np.array([1.0]),
    direction_im=np.array([0.0]),
    span=np.array([1.0]),
    source_re=np.array([1.0]),
    source_im=np.array([0.0]),
)

THREE = Wiring(
    rows=4,
    loop=1,
    first=np.array([0, 1, 2, 0, 1, 2]),
    second=np.array([1, 2, 0, 3, 3, 3]),
    direction_re=np.array([_H, 0.0, -_H, 1.0, -0.5, -0.5]),
    direction_im=np.array([0.5, -1.0, 0.5, 0.0, -_H, _H]),
    span=np.array([np.sqrt(3.0)] * 3 + [1.0] * 3),
    source_re=np.array([1.0, -0.5, -0.5, 0.0]),
    source_im=np.array([0.0, -_H, _H, 0.0]),
)


def wiring_of(three_phase: bool) -> Wiring:
    """Return the wiring of three-phase or of two-conductor systems."""
    return THREE if three_phase else SINGLE


@dataclass(frozen=True)
class Taps:
    """Where units touch rows of shape (K, A): positions into the flattened rows, or None for loops."""

    first: IntArray | None
    second: IntArray | None

    @classmethod
    def at(cls, wiring: Wiring, unit_pair: IntArray, unit_column: IntArray, columns: int) -> Taps:
        """Return the taps of units (U,) with their pairs and their columns among so many."""
        if wiring.second is None:
            return cls(None, None)
        return cls(
            wiring.first[unit_pair] * columns + unit_column,
            wiring.second[unit_pair] * columns + unit_column,
        )

    def across(self, node_v: Phasors, width: int, where: slice) -> Phasors:
        """Return the voltage (width,) across the units at `where`, which sit on the first `width` columns."""
        re, im = (self._across(rows, width, where) for rows in node_v)
        return re, im

    def _across(self, rows: FloatArray, width: int, where: slice) -> FloatArray:
        if self.first is None or self.second is None:
            return rows[0, :width].copy()
        flat = rows.reshape(-1)
        return flat[self.first[where]] - flat[self.second[where]]

    def add(self, conductor_a: Phasors, width: int, where: slice, unit_a: Phasors) -> None:
        """Add to the conductors (K, A), in place, what the units at `where` inject; a column has at most one."""
        for rows, units in zip(conductor_a, unit_a, strict=True):
            if self.first is None or self.second is None:
                rows[0, :width] += units[where]
            else:
                flat = rows.reshape(-1)
                flat[self.first[where]] += units[where]
                flat[self.second[where]] -= units[where]

    def remove(self, conductor_a: Phasors, width: int, where: slice, unit_a: Phasors) -> None:
        """Take from the conductors (K, A), in place, what the units at `where` inject."""
        for rows, units in zip(conductor_a, unit_a, strict=True):
            if self.first is None or self.second is None:
                rows[0, :width] -= units[where]
            else:
                flat = rows.reshape(-1)
                flat[self.first[where]] -= units[where]
                flat[self.second[where]] += units[where]

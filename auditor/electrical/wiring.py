"""The conductors that are followed, and which of them a unit sits across.

Runs are followed by conductor: one row for the loop of a two-conductor system, the rows a, b, c, n on three phases.
Trunks are followed by voltage: one row for the loop, or the rows a, b, c. Where an arm has units to neutral, its rows
are the voltages to the neutral, which has the impedance of the phases there, and for each the current out of the phase
less that out of the neutral; elsewhere the neutral carries nothing, and a row is a conductor's own. Either way a
section changes a row's voltage by its impedance times the row's current.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors

_H = float(np.sqrt(0.75))


@dataclass(frozen=True)
class Wiring:
    """Conductors and pairs of one kind of system.

    Two-conductor systems are followed as one row: the loop, of twice a conductor's impedance. Three-phase systems
    have the conductors a, b, c, n and the pairs a-b, b-c, c-a, a-n, b-n, c-n.

    Attributes
    ----------
    rows, trunk_rows : how many rows are followed along runs, K, and along trunks, T.
    loop : conductors in the path of one row.
    first, second : (P,) the conductor a unit's current enters and the one it leaves; `second` is None for loops.
    direction : (2, P) direction of the nominal voltage across the pair.
    span : (P,) nominal voltage across the pair over that phase to neutral (loops: 1).
    source : (2, K) direction of the source voltage of each conductor.
    """

    rows: int
    trunk_rows: int
    loop: int
    first: IntArray
    second: IntArray | None
    direction: Phasors
    span: FloatArray
    source: Phasors


SINGLE = Wiring(
    rows=1,
    trunk_rows=1,
    loop=2,
    first=np.array([0]),
    second=None,
    direction=np.array([[1.0], [0.0]]),
    span=np.array([1.0]),
    source=np.array([[1.0], [0.0]]),
)

THREE = Wiring(
    rows=4,
    trunk_rows=3,
    loop=1,
    first=np.array([0, 1, 2, 0, 1, 2]),
    second=np.array([1, 2, 0, 3, 3, 3]),
    direction=np.array([[_H, 0.0, -_H, 1.0, -0.5, -0.5], [0.5, -1.0, 0.5, 0.0, -_H, _H]]),
    span=np.array([np.sqrt(3.0)] * 3 + [1.0] * 3),
    source=np.array([[1.0, -0.5, -0.5, 0.0], [0.0, -_H, _H, 0.0]]),
)


def wiring_of(three_phase: bool) -> Wiring:
    """Return the wiring of three-phase or of two-conductor systems."""
    return THREE if three_phase else SINGLE


def across(trunk_v: Phasors, pair: int) -> Phasors:
    """Return the voltage (2, ...) across a pair from the rows (2, T, ...) of a trunk; a view where a row is it."""
    if trunk_v.shape[1] == 1:
        return trunk_v[:, 0]
    if pair >= 3:
        return trunk_v[:, pair - 3]
    return trunk_v[:, pair] - trunk_v[:, (pair + 1) % 3]


def inject(trunk_a: Phasors, pair: int, unit_a: Phasors) -> None:
    """Add to the rows (2, T, ...) of a trunk, in place, currents (2, ...) that units inject across a pair."""
    if trunk_a.shape[1] == 1:
        trunk_a[:, 0] += unit_a
    elif pair >= 3:
        trunk_a += unit_a[:, None]
        trunk_a[:, pair - 3] += unit_a
    else:
        trunk_a[:, pair] += unit_a
        trunk_a[:, (pair + 1) % 3] -= unit_a

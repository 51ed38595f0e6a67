"""Currents in conductors: the phasor sum of what they carry at rated current."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from auditor.electrical.arrays import FloatArray, IntArray, total_by
from auditor.electrical.network import Network
from auditor.electrical.wiring import THREE

#: "single": two conductors; "pairs": units rotating over phase pairs; "neutral": rotating phase to neutral.
Kind = Literal["single", "pairs", "neutral"]

_ROOT3 = float(np.sqrt(3.0))
#: Relative tolerance with which a computed current meets its limit.
_MEETS = 1e-9


@dataclass(frozen=True)
class Currents:
    """Magnitudes [A] per conductor: (A, k), (C, k), (F, k), (S, k); k is 1, or 4 (a, b, c, n) on three phases.

    Those of an arm flow in its first section.
    """

    arm_a: FloatArray
    circuit_a: FloatArray
    feeder_a: FloatArray
    system_a: FloatArray


def conductor_currents(network: Network) -> Currents:
    """Return the current in each conductor at the units' rated current: the phasor sum of what it carries.

    One power factor holds for a whole system, so it turns all phasors alike and does not change a magnitude.
    """
    if not network.three_phase:
        return Currents(*(sums[:, 0, None] for sums in _sums(network, 1, network.unit_current_a, 0)))
    sums = _sums(network, len(THREE.first), network.unit_current_a, network.unit_pair)
    return Currents(*(np.stack([_in_conductor(by_pair, c) for c in range(4)], axis=1) for by_pair in sums))


def _sums(network: Network, pairs: int, current_a: FloatArray, unit_pair: IntArray | int) -> list[FloatArray]:
    """Return the units' currents by pair, summed over arms (A, P), circuits (C, P), feeders (F, P), systems (S, P)."""
    sums = []
    for index, size in (
        (network.unit_arm, len(network.arm_circuit)),
        (network.unit_circuit, len(network.circuit_feeder)),
    ):
        sums.append(total_by(index * pairs + unit_pair, current_a, size * pairs).reshape(size, pairs))
    for index, size in (
        (network.circuit_feeder, len(network.feeder_system)),
        (network.feeder_system, network.n_systems),
    ):
        sums.append(np.stack([total_by(index, values, size) for values in sums[-1].T], axis=1))
    return sums


def _in_conductor(by_pair: FloatArray, conductor: int) -> FloatArray:
    """Return the magnitude (n,) of the phasor sum in a conductor of currents by pair (n, P)."""
    assert THREE.second is not None
    enters = 1.0 * (THREE.first == conductor) - 1.0 * (THREE.second == conductor)
    re, im = (sum(by_pair[:, p] * (enters * part)[p] for p in range(enters.size)) for part in THREE.direction)
    return np.asarray(np.sqrt(re * re + im * im))


def line_factor(kind: Kind, n: npt.ArrayLike) -> FloatArray:
    """Return the worst line current of n equal units, in units of one unit's current.

    Two conductors carry n. Phase to neutral the fullest phase carries ceil(n/3). On pairs, counts p ≥ q of the two
    fullest pairs meet in one line 60° apart: sqrt(p² + q² + p·q), which is n/√3 where n divides by three.

    Parameters
    ----------
    kind : how the units sit, see `Kind`.
    n : whole numbers, any shape; units rotate, so the counts of pairs or phases differ by at most one.
    """
    count = np.asarray(n, dtype=np.float64)
    if kind == "single":
        return count
    fullest, second = np.ceil(count / 3), np.ceil((count - 1) / 3)
    if kind == "neutral":
        return fullest
    return np.asarray(np.sqrt(fullest * fullest + second * second + fullest * second))


def units_within(
    kind: Kind, unit_current_a: npt.ArrayLike, allowed_a: npt.ArrayLike, tolerance_a: npt.ArrayLike
) -> FloatArray:
    """Return the largest number of units whose worst line current stays within what is allowed.

    A printed current stands for any within half its last digit, so n units fail only where
    line_factor(n)·(I − tolerance) exceeds the allowance.

    Parameters
    ----------
    kind : how the units sit, see `Kind`.
    unit_current_a, allowed_a : one unit's printed current and the allowed line current [A].
    tolerance_a : half the last printed digit of the unit's current [A], 0.005 for a printed 0.94.

    Returns
    -------
    Whole numbers; NaN where an input is missing or the current is not above its tolerance.
    """
    current = np.asarray(unit_current_a, dtype=np.float64) - np.asarray(tolerance_a, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        current = np.where(current > 0, current, np.nan)
        factor = np.asarray(allowed_a, dtype=np.float64) * (1 + _MEETS) / current
        if kind == "single":
            return np.floor(factor)
        if kind == "neutral":
            return 3 * np.floor(factor)
        whole = 3 * np.floor(factor / _ROOT3)
        return np.where(line_factor("pairs", whole + 1) <= factor, whole + 1, whole)

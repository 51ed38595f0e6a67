"""Ladders in section-major order, and the tree of runs that feeds them.

Arms are sorted by length, longest first. The arms that have a k-th section are then the first so many, and all k-th
sections lie side by side: one step along all ladders is arithmetic on contiguous arrays. What happens to an arm does
not depend on its neighbours, so a system's result is the same to the bit in any batch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors, total_by
from auditor.electrical.network import Network
from auditor.electrical.wiring import Wiring


@dataclass(frozen=True)
class Ladders:
    """Section-major order of a network's units.

    Attributes
    ----------
    arm_order : (A,) the arm in each column, longest first.
    unit_order : (U,) the unit at each position.
    unit_column : (U,) the column of the unit at each position.
    sections : for each section from the feed point outwards, how many columns have it and their positions.
    """

    arm_order: IntArray
    unit_order: IntArray
    unit_column: IntArray
    sections: tuple[tuple[int, slice], ...]


def section_major(arm_start: IntArray) -> Ladders:
    """Return the section-major order of arms given by their offsets (A+1,)."""
    counts = np.diff(arm_start)
    arm_order = np.argsort(-counts, kind="stable")
    longest = int(counts.max(initial=0))
    arms_with = np.bincount(counts, minlength=longest + 1)[::-1].cumsum()[::-1]
    first_unit = arm_start[:-1][arm_order]
    unit_order = np.empty(int(counts.sum()), dtype=np.int64)
    unit_column = np.empty_like(unit_order)
    columns = np.arange(len(counts))
    sections = []
    begin = 0
    for section in range(longest):
        width = int(arms_with[section + 1])
        where = slice(begin, begin + width)
        unit_order[where] = first_unit[:width] + section
        unit_column[where] = columns[:width]
        sections.append((width, where))
        begin += width
    return Ladders(arm_order, unit_order, unit_column, tuple(sections))


@dataclass(frozen=True)
class Level:
    """Runs of one level: home runs, feeders or service entrances.

    Attributes
    ----------
    carries : (n,) for each element of the level below, the run that carries it.
    r_ohm, x_ohm : (K, N) impedance of each row of each run.
    """

    carries: IntArray
    r_ohm: FloatArray
    x_ohm: FloatArray

    def total(self, current_a: Phasors) -> Phasors:
        """Sum currents (K, n) of the level below over what each run carries: (K, N)."""
        re, im = (np.stack([total_by(self.carries, row, self.r_ohm.shape[1]) for row in part]) for part in current_a)
        return re, im

    def rise(self, current_a: Phasors) -> Phasors:
        """Return the rise (K, N) [V] that currents (K, N) make along the runs."""
        re, im = current_a
        return self.r_ohm * re - self.x_ohm * im, self.r_ohm * im + self.x_ohm * re


def step(node_v: Phasors, beyond_a: Phasors, r_ohm: FloatArray, x_ohm: FloatArray) -> None:
    """Move voltages (K, W) one section outwards, in place, by the rise that the currents beyond it make there.

    The arrays may be wider than the section's impedances (W,): only their first W columns move.
    """
    width = len(r_ohm)
    re, im = beyond_a[0][:, :width], beyond_a[1][:, :width]
    node_v[0][:, :width] += r_ohm * re - x_ohm * im
    node_v[1][:, :width] += r_ohm * im + x_ohm * re


def levels_of(network: Network, wiring: Wiring, arm_order: IntArray) -> tuple[Level, Level, Level]:
    """Return the home runs, feeders and entrances; the home runs carry arms in the order given."""

    def rows(phase: FloatArray, neutral: FloatArray) -> FloatArray:
        return wiring.loop * phase[None, :] if wiring.rows == 1 else np.stack([phase, phase, phase, neutral])

    n = network
    return (
        Level(
            n.arm_circuit[arm_order],
            rows(n.home_run_r_ohm, n.home_run_neutral_r_ohm),
            rows(n.home_run_x_ohm, n.home_run_neutral_x_ohm),
        ),
        Level(
            n.circuit_feeder,
            rows(n.feeder_r_ohm, n.feeder_neutral_r_ohm),
            rows(n.feeder_x_ohm, n.feeder_neutral_x_ohm),
        ),
        Level(
            n.feeder_system,
            rows(n.entrance_r_ohm, n.entrance_neutral_r_ohm),
            rows(n.entrance_x_ohm, n.entrance_neutral_x_ohm),
        ),
    )

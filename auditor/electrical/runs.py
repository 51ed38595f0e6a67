"""The tree of runs that feeds the trunks: home runs, feeders and service entrances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors, rise_through, total_by
from auditor.electrical.network import Network
from auditor.electrical.wiring import Wiring


@dataclass(frozen=True)
class Level:
    """Runs of one level: home runs, feeders or service entrances.

    Attributes
    ----------
    carries : (n,) for each element of the level below, the run that carries it; None where each has a run of its own,
        in the same order.
    r_ohm, x_ohm : (K, N) impedance of each row of each run.
    """

    carries: IntArray | None
    r_ohm: FloatArray
    x_ohm: FloatArray

    def total(self, current_a: Phasors) -> Phasors:
        """Sum currents (2, K, n) of the level below over what each run carries: (2, K, N)."""
        if self.carries is None:
            return current_a + 0.0  # as a sum of one makes it: no zero is negative
        rows, runs = self.r_ohm.shape
        sums = np.empty((2, rows, runs))
        for part in range(2):
            for row in range(rows):
                sums[part, row] = total_by(self.carries, current_a[part, row], runs)
        return sums

    def rise(self, current_a: Phasors) -> Phasors:
        """Return the rise (2, K, N) [V] that currents (2, K, N) make along the runs."""
        return rise_through(self.r_ohm, self.x_ohm, current_a)

    def below(self, values: Phasors) -> Phasors:
        """Return the values (2, K, N) of the runs for each element of the level below: (2, K, n)."""
        return values if self.carries is None else np.take(values, self.carries, axis=-1)


def rows_of(wiring: Wiring, phase: FloatArray, neutral: FloatArray) -> FloatArray:
    """Return the impedance (K, N) of each row of runs from those of their phase and neutral conductors (N,)."""
    return wiring.loop * phase[None, :] if wiring.rows == 1 else np.stack([phase, phase, phase, neutral])


def levels_of(network: Network, wiring: Wiring, arms: IntArray) -> tuple[Level, Level, Level]:
    """Return the home runs, feeders and entrances; the home runs carry these arms, in this order."""

    def level(carries: IntArray, name: str) -> Level:
        r_ohm, x_ohm, neutral_r_ohm, neutral_x_ohm = (
            getattr(network, f"{name}_{part}_ohm") for part in ("r", "x", "neutral_r", "neutral_x")
        )
        own = len(carries) == len(r_ohm) and bool((carries == np.arange(len(carries))).all())
        return Level(
            None if own else carries, rows_of(wiring, r_ohm, neutral_r_ohm), rows_of(wiring, x_ohm, neutral_x_ohm)
        )

    return (
        level(network.arm_circuit[arms], "home_run"),
        level(network.circuit_feeder, "feeder"),
        level(network.feeder_system, "entrance"),
    )


def rise_to_arms(levels: tuple[Level, ...], arm_a: Phasors) -> Phasors:
    """Return the rise (2, K, A) [V] from the sources to the arms for the currents (2, K, A) that the arms send back."""
    rises = []
    current_a = arm_a
    for level in levels:
        current_a = level.total(current_a)
        rises.append(level.rise(current_a))
    rise_v = levels[-1].below(rises[-1])
    for level, part_v in zip(reversed(levels[:-1]), reversed(rises[:-1]), strict=True):
        rise_v = level.below(rise_v + part_v)
    return rise_v

"""A batch of systems laid out for the operating solution: arms side by side, and the runs that feed them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors
from auditor.electrical.ladders import Ladders, lay_ladders
from auditor.electrical.network import Network
from auditor.electrical.runs import Level, levels_of, rise_to_arms
from auditor.electrical.wiring import Wiring, wiring_of


@dataclass(frozen=True)
class Batch:
    """A network laid out: units (U,) at positions, arms (A,) in columns.

    Attributes
    ----------
    n_systems, wiring, ladders, levels : the systems, their conductors, their arms and their runs.
    arm_system, arm_tan : (A,) the system of each arm and its reactive over its real power.
    r_ohm, x_ohm : (U,) impedance of a row along the section before each unit [Ω].
    power_w : (U,) real power [W].
    """

    n_systems: int
    wiring: Wiring
    ladders: Ladders
    levels: tuple[Level, ...]
    arm_system: IntArray
    arm_tan: FloatArray
    r_ohm: FloatArray
    x_ohm: FloatArray
    power_w: FloatArray

    @classmethod
    def of(cls, network: Network) -> Batch:
        """Lay a network out."""
        wiring, ladders = wiring_of(network.three_phase), lay_ladders(network)
        order = ladders.unit_order
        arm_system = network.arm_system[ladders.arm_order]
        return cls(
            n_systems=network.n_systems,
            wiring=wiring,
            ladders=ladders,
            levels=levels_of(network, wiring, ladders.arm_order),
            arm_system=arm_system,
            arm_tan=(network.sin_phi / network.cos_phi)[arm_system],
            r_ohm=wiring.loop * network.section_r_ohm[order],
            x_ohm=wiring.loop * network.section_x_ohm[order],
            power_w=network.unit_power_w[order],
        )

    def source_at_arms(self, source_v: FloatArray) -> Phasors:
        """Return the voltages (2, T, A) of balanced sources (S,) [V] on the rows of the trunks."""
        return self.trunk_rows(self.wiring.source[:, :, None] * source_v[self.arm_system])

    def feed_rise(self, trunk_a: Phasors) -> Phasors:
        """Return the rise (2, T, A) [V] at the feed points for currents (2, T, A) on the rows of the trunks."""
        return self.trunk_rows(rise_to_arms(self.levels, conductor_currents(self.ladders, trunk_a)))

    def trunk_rows(self, conductor_v: Phasors) -> Phasors:
        """Turn voltages (2, K, A) of the conductors into those of the trunks' rows (2, T, A)."""
        if self.wiring.trunk_rows == 1:
            return conductor_v
        rows = _taken(conductor_v, self.ladders.phase_of_row)
        rows[..., self.ladders.to_pairs :] -= conductor_v[:, 3:, self.ladders.to_pairs :]
        return rows

    def worst(self, arm_values: FloatArray, least: float) -> FloatArray:
        """Return the largest value of each system's arms (S,): NaN where one is NaN, `least` where there is none."""
        worst = np.full(self.n_systems, least)
        np.maximum.at(worst, self.arm_system, arm_values)
        return worst


def _taken(values: Phasors, at: IntArray) -> Phasors:
    """Return the three rows (2, 3, A) that lie at these places (3A,) of the rows (2, n, A)."""
    return np.take(values.reshape(2, -1), at, axis=1).reshape(2, 3, values.shape[2])


def conductor_currents(ladders: Ladders, trunk_a: Phasors) -> Phasors:
    """Return the currents (2, K, A) of the conductors from those of the rows of trunks (2, T, A)."""
    if trunk_a.shape[1] == 1:
        return trunk_a
    # A row holds its phase's current less the neutral's, and the neutral's is all the phases' with the other sign.
    out_a = (trunk_a[:, 0] + trunk_a[:, 1] + trunk_a[:, 2]) / 4
    conductor_a = np.empty((2, 4, trunk_a.shape[2]))
    conductor_a[:, :3] = _taken(trunk_a - out_a[:, None], ladders.row_of_phase)
    conductor_a[:, 3] = -out_a
    return conductor_a

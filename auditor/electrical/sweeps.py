"""The steps of a sweep over a batch of systems: outwards along the runs and ladders, and back towards the source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray, Phasors
from auditor.electrical.ladders import Ladders, Level, levels_of, section_major, step
from auditor.electrical.network import Network
from auditor.electrical.wiring import Taps, Wiring, wiring_of


@dataclass(frozen=True)
class Batch:
    """A network laid out for sweeping: units (U,) in section-major order, arms (A,) in column order.

    The voltages and currents of the units change, in place, from sweep to sweep; everything else stays.

    Attributes
    ----------
    n_systems, wiring, ladders, levels : the systems, their conductors, their arms and their runs.
    arm_system, arm_tan : (A,) the system of each arm and its reactive over its real power.
    taps : where the units touch the conductors.
    unit_pair : (U,) the pair a unit sits across.
    r_ohm, x_ohm : (U,) impedance of a row along the section before each unit [Ω].
    power_w : (U,) real power [W].
    voltage_v, current_a : (U,) voltage across each unit and its current, real and imaginary parts.
    """

    n_systems: int
    wiring: Wiring
    ladders: Ladders
    levels: tuple[Level, ...]
    arm_system: IntArray
    arm_tan: FloatArray
    taps: Taps
    unit_pair: IntArray
    r_ohm: FloatArray
    x_ohm: FloatArray
    power_w: FloatArray
    voltage_v: Phasors
    current_a: Phasors

    @classmethod
    def of(cls, network: Network) -> Batch:
        """Lay a network out; all voltages and currents are zero."""
        wiring, ladders = wiring_of(network.three_phase), section_major(network.arm_start)
        order, columns = ladders.unit_order, ladders.arm_order
        unit_pair = network.unit_pair[order] if network.three_phase else np.zeros(len(order), dtype=np.int64)
        arm_system = network.arm_system[columns]
        return cls(
            n_systems=network.n_systems,
            wiring=wiring,
            ladders=ladders,
            levels=levels_of(network, wiring, columns),
            arm_system=arm_system,
            arm_tan=network.sin_phi[arm_system] / network.cos_phi[arm_system],
            taps=Taps.at(wiring, unit_pair, ladders.unit_column, len(columns)),
            unit_pair=unit_pair,
            r_ohm=wiring.loop * network.section_r_ohm[order],
            x_ohm=wiring.loop * network.section_x_ohm[order],
            power_w=network.unit_power_w[order],
            voltage_v=(np.zeros(len(order)), np.zeros(len(order))),
            current_a=(np.zeros(len(order)), np.zeros(len(order))),
        )

    def no_current(self) -> Phasors:
        """Return currents into the arms (K, A) that are zero."""
        shape = (self.wiring.rows, len(self.arm_system))
        return np.zeros(shape), np.zeros(shape)

    def worst(self, arm_values: FloatArray, least: float) -> FloatArray:
        """Return the largest value of each system's arms (S,): NaN where one is NaN, `least` where there is none."""
        worst = np.full(self.n_systems, least)
        np.maximum.at(worst, self.arm_system, arm_values)
        return worst


def feed_voltages(batch: Batch, source_v: FloatArray, arm_a: Phasors) -> Phasors:
    """Return the voltages (K, A) at the arms' feed points for the currents (K, A) that the arms send back."""
    rises = []
    for level in batch.levels:
        arm_a = level.total(arm_a)
        rises.append(level.rise(arm_a))
    node_re = batch.wiring.source_re[:, None] * source_v
    node_im = batch.wiring.source_im[:, None] * source_v
    for level, (rise_re, rise_im) in zip(reversed(batch.levels), reversed(rises), strict=True):
        node_re = (node_re + rise_re)[:, level.carries]
        node_im = (node_im + rise_im)[:, level.carries]
    return node_re, node_im


def renew_voltages(batch: Batch, node_v: Phasors, beyond_a: Phasors) -> FloatArray:
    """Step outwards along all ladders and renew every voltage; return the largest change (S,) [V].

    The voltages and currents (K, A) at the feed points are used up.
    """
    change_v = np.zeros(len(batch.arm_system))
    old_re, old_im = batch.voltage_v
    for width, at in batch.ladders.sections:
        step(node_v, beyond_a, batch.r_ohm[at], batch.x_ohm[at])
        batch.taps.remove(beyond_a, width, at, batch.current_a)
        v_re, v_im = batch.taps.across(node_v, width, at)
        changed = np.maximum(np.abs(v_re - old_re[at]), np.abs(v_im - old_im[at]))
        np.maximum(change_v[:width], changed, out=change_v[:width])
        old_re[at], old_im[at] = v_re, v_im
    return batch.worst(change_v, 0.0)


def renew_currents(batch: Batch) -> Phasors:
    """Renew every current from its voltage, conj((P + jQ)/V); return the currents into the arms (K, A) [A]."""
    arm_a = batch.no_current()
    (voltage_re, voltage_im), (current_re, current_im) = batch.voltage_v, batch.current_a
    for width, at in reversed(batch.ladders.sections):
        v_re, v_im, tan = voltage_re[at], voltage_im[at], batch.arm_tan[:width]
        siemens = batch.power_w[at] / (v_re * v_re + v_im * v_im)
        current_re[at], current_im[at] = siemens * (v_re + tan * v_im), siemens * (v_im - tan * v_re)
        batch.taps.add(arm_a, width, at, batch.current_a)
    return arm_a


def source_lacks(batch: Batch, terminal_v: FloatArray) -> FloatArray:
    """Return by how much each source (S,) must rise for its worst unit to come up to a terminal voltage (S,) [V]."""
    arm_terminal_v = terminal_v[batch.arm_system]
    excess_v = np.full(len(batch.arm_system), -np.inf)
    for width, at in batch.ladders.sections:
        v_re, v_im = batch.voltage_v[0][at], batch.voltage_v[1][at]
        over_v = np.sqrt(v_re * v_re + v_im * v_im) - arm_terminal_v[:width]
        over_v /= batch.wiring.span[batch.unit_pair[at]]
        np.maximum(excess_v[:width], over_v, out=excess_v[:width])
    return -batch.worst(excess_v, -np.inf)


def move_voltages(batch: Batch, source_moves_v: FloatArray) -> None:
    """Move the voltages of all units, in place, by what their sources (S,) move [V]."""
    wiring, arm_moves_v = batch.wiring, source_moves_v[batch.arm_system]
    for width, at in batch.ladders.sections:
        pair = batch.unit_pair[at]
        along_v = arm_moves_v[:width] * wiring.span[pair]
        batch.voltage_v[0][at] += along_v * wiring.direction_re[pair]
        batch.voltage_v[1][at] += along_v * wiring.direction_im[pair]


def write_magnitudes(batch: Batch, systems: BoolArray, unit_v: FloatArray) -> None:
    """Write the present voltages across the units of the marked systems (S,) into `unit_v` (U,), in unit order."""
    arms = systems[batch.arm_system]
    for width, at in batch.ladders.sections:
        here = arms[:width]
        v_re, v_im = batch.voltage_v[0][at][here], batch.voltage_v[1][at][here]
        unit_v[batch.ladders.unit_order[at][here]] = np.sqrt(v_re * v_re + v_im * v_im)

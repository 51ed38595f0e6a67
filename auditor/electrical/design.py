"""The design-practice voltage rise: rated current at nominal voltage, linear.

Every unit injects its rated current I(c − j·s) along its own nominal voltage. The currents beyond a section, summed
per conductor, make a rise R + jX times themselves; a unit's figure is the part of the rise across its terminals that
lies along its own nominal voltage. On a two-conductor ladder of n equal units and sections this is
2·I·(R·c + X·s)·n(n+1)/2 at the last unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors
from auditor.electrical.ladders import Ladders, levels_of, section_major, step
from auditor.electrical.network import Network
from auditor.electrical.wiring import Taps, Wiring, wiring_of


@dataclass(frozen=True)
class DesignRise:
    """Rise in each part of the path at each unit, (U,) [V] along the unit's own nominal voltage; NaN where missing."""

    trunk_v: FloatArray
    home_run_v: FloatArray
    feeder_v: FloatArray
    entrance_v: FloatArray


def design_rise(network: Network) -> DesignRise:
    """Return the linear rise of every unit, part by part.

    A missing impedance or current gives NaN for the parts and units that depend on it, and only there.
    """
    wiring = wiring_of(network.three_phase)
    ladders = section_major(network.arm_start)
    pair = network.unit_pair if network.three_phase else np.zeros(len(network.unit_pair), dtype=np.int64)
    with np.errstate(invalid="ignore", over="ignore"):
        trunk_v, current_a = _trunk(network, wiring, ladders, pair)
        unit_run = network.unit_circuit
        parts = []
        for level in levels_of(network, wiring, ladders.arm_order):
            current_a = level.total(current_a)
            parts.append(_along(wiring, level.rise(current_a))[pair, unit_run])
            unit_run = (network.circuit_feeder if len(parts) == 1 else network.feeder_system)[unit_run]
    return DesignRise(trunk_v, *parts)


def _trunk(network: Network, wiring: Wiring, ladders: Ladders, pair: IntArray) -> tuple[FloatArray, Phasors]:
    """Return the trunk's rise (U,) in unit order and the currents (K, A) that enter the arms, in column order."""
    order, shape = ladders.unit_order, (wiring.rows, len(ladders.arm_order))
    pair = pair[order]
    toward_re, toward_im = wiring.direction_re[pair], wiring.direction_im[pair]
    taps = Taps.at(wiring, pair, ladders.unit_column, shape[1])
    unit_a = _rated_current(network, ladders, (toward_re, toward_im))
    total_a = np.zeros(shape), np.zeros(shape)
    for width, at in reversed(ladders.sections):
        taps.add(total_a, width, at, unit_a)
    beyond_a, node_v = (total_a[0].copy(), total_a[1].copy()), (np.zeros(shape), np.zeros(shape))
    r_ohm, x_ohm = wiring.loop * network.section_r_ohm[order], wiring.loop * network.section_x_ohm[order]
    rise_v = np.empty(len(order))
    for width, at in ladders.sections:
        step(node_v, beyond_a, r_ohm[at], x_ohm[at])
        across_re, across_im = taps.across(node_v, width, at)
        rise_v[order[at]] = across_re * toward_re[at] + across_im * toward_im[at]
        taps.remove(beyond_a, width, at, unit_a)
    return rise_v, total_a


def _rated_current(network: Network, ladders: Ladders, toward: Phasors) -> Phasors:
    """Return the units' rated currents I·(c − j·s) (U,) [A] along their own voltages, in section-major order."""
    system = network.arm_system[ladders.arm_order][ladders.unit_column]
    cos, sin = network.cos_phi[system], network.sin_phi[system]
    current_a = network.unit_current_a[ladders.unit_order]
    return current_a * (cos * toward[0] + sin * toward[1]), current_a * (cos * toward[1] - sin * toward[0])


def _along(wiring: Wiring, rise_v: Phasors) -> FloatArray:
    """Return for each pair and run (P, N) the part of the rise (K, N) across the pair along its nominal voltage."""
    re, im = rise_v
    if wiring.second is None:
        return re
    across_re = re[wiring.first] - re[wiring.second]
    across_im = im[wiring.first] - im[wiring.second]
    return across_re * wiring.direction_re[:, None] + across_im * wiring.direction_im[:, None]

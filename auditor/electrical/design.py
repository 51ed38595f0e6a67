"""The design-practice voltage rise: rated current at nominal voltage, linear.

Every unit injects its rated current I(c − j·s) along its own nominal voltage. The currents beyond a section, summed
per conductor, make a rise R + jX times themselves; a unit's figure is the part of the rise across its terminals that
lies along its own nominal voltage. On a two-conductor ladder of n equal units and sections this is
2·I·(R·c + X·s)·n(n+1)/2 at the last unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray, Phasors, rise_through
from auditor.electrical.batch import conductor_currents
from auditor.electrical.ladders import Block, Ladders, lay_ladders
from auditor.electrical.network import Network
from auditor.electrical.runs import levels_of, rows_of
from auditor.electrical.wiring import Wiring, across, inject, wiring_of


@dataclass(frozen=True)
class DesignRise:
    """Rise in each part of the path at each unit, (U,) [V] along the unit's own nominal voltage; NaN where missing."""

    trunk_v: FloatArray
    home_run_v: FloatArray
    feeder_v: FloatArray
    entrance_v: FloatArray


@dataclass(frozen=True)
class PartRises:
    """Rise in each part of the path [V] along the nominal voltage of a pair; NaN where missing.

    Attributes
    ----------
    trunk_v : (U,) at each unit, along its own pair.
    home_run_v, feeder_v, entrance_v : (P, C), (P, F), (P, S) in the run, along each pair; one pair in loops.
    system_a : (2, K, S) current on each row, from which the rise in whatever lies ahead follows [A].
    """

    trunk_v: FloatArray
    home_run_v: FloatArray
    feeder_v: FloatArray
    entrance_v: FloatArray
    system_a: Phasors


def design_rise(network: Network) -> DesignRise:
    """Return the linear rise of every unit, part by part.

    A missing impedance or current gives NaN for the parts and units that depend on it, and only there.
    """
    rise = part_rises(network)
    pair = network.unit_pair if network.three_phase else np.zeros(len(network.unit_pair), dtype=np.int64)
    circuit = network.unit_circuit
    feeder = network.circuit_feeder[circuit]
    system = network.feeder_system[feeder]
    return DesignRise(
        rise.trunk_v, rise.home_run_v[pair, circuit], rise.feeder_v[pair, feeder], rise.entrance_v[pair, system]
    )


@np.errstate(invalid="ignore", over="ignore")
def part_rises(network: Network) -> PartRises:
    """Return the linear rise of the trunk at every unit and of the runs along every pair."""
    wiring, ladders = wiring_of(network.three_phase), lay_ladders(network)
    trunk_v, trunk_a = _trunks(network, wiring, ladders)
    current_a, parts = conductor_currents(ladders, trunk_a), list[FloatArray]()
    for level in levels_of(network, wiring, ladders.arm_order):
        current_a = level.total(current_a)
        parts.append(_along(wiring, level.rise(current_a)))
    home_run_v, feeder_v, entrance_v = parts
    return PartRises(trunk_v, home_run_v, feeder_v, entrance_v, current_a)


def rise_ahead(network: Network, rise: PartRises, r_ohm: FloatArray, x_ohm: FloatArray) -> FloatArray:
    """Return the rise (P, S) [V] along each pair in a run ahead of each system, (S,) [Ω] a conductor."""
    wiring = wiring_of(network.three_phase)
    r, x = rows_of(wiring, r_ohm, r_ohm), rows_of(wiring, x_ohm, x_ohm)
    with np.errstate(invalid="ignore", over="ignore"):
        return _along(wiring, rise_through(r, x, rise.system_a))


def _trunks(network: Network, wiring: Wiring, ladders: Ladders) -> tuple[FloatArray, Phasors]:
    """Return the trunk's rise (U,) in unit order and the currents (2, T, A) at the feed points, in column order."""
    system, order = network.arm_system[ladders.arm_order], ladders.unit_order
    # Along the nominal voltage of the pair.
    phasor = np.stack([network.cos_phi[system], -network.sin_phi[system]])
    r_ohm, x_ohm = wiring.loop * network.section_r_ohm[order], wiring.loop * network.section_x_ohm[order]
    current_a, rise_v = network.unit_current_a[order], np.empty(order.size)
    feed_a = np.zeros((2, wiring.trunk_rows, system.size))
    for block in ladders.blocks:
        here = block.columns
        ahead = feed_a[..., here]
        _block_rise(wiring, block, phasor[:, here], (r_ohm, x_ohm, current_a), ahead, rise_v)
        if wiring.trunk_rows == 3:
            feed_a[..., here] = _turned_back(wiring, ahead, ladders.turn[here])
    trunk_v = np.empty(order.size)
    trunk_v[order] = rise_v
    return trunk_v, feed_a


def _block_rise(
    wiring: Wiring,
    block: Block,
    phasor: Phasors,
    units: tuple[FloatArray, FloatArray, FloatArray],
    feed_a: Phasors,
    rise_v: FloatArray,
) -> None:
    """Add the units' currents up to those at the feed points (2, T, n), walk out and write the rises, both in place.

    A turned arm is as one that starts on the first pair.
    """
    r_ohm, x_ohm, current_a = units
    for section in block.sections:
        unit_a = _unit_currents(wiring, section.pair, current_a[section.at], phasor)
        inject(feed_a[..., : section.width], section.pair, unit_a)
    beyond_a, node_v = feed_a.copy(), np.zeros_like(feed_a)
    for section in block.sections:
        at, a, v = section.at, beyond_a[..., : section.width], node_v[..., : section.width]
        v += rise_through(r_ohm[at], x_ohm[at], a)
        rise_v[at] = _on_pair(wiring, v, section.pair)
        inject(a, section.pair, -_unit_currents(wiring, section.pair, current_a[at], phasor))


def _unit_currents(wiring: Wiring, pair: int, current_a: FloatArray, phasor: Phasors) -> Phasors:
    """Return currents (2, n) [A] of this size across a pair; the phasor (2, N) is relative to its nominal voltage."""
    in_line, quadrature = current_a * phasor[:, : current_a.size]
    re, im = wiring.direction[:, pair]
    return np.stack([re * in_line - im * quadrature, im * in_line + re * quadrature])


def _on_pair(wiring: Wiring, trunk_v: Phasors, pair: int) -> FloatArray:
    """Return the part of the voltage across a pair that lies along its nominal voltage (n,) [V]."""
    v = across(trunk_v, pair)
    return np.asarray(v[0] * wiring.direction[0, pair] + v[1] * wiring.direction[1, pair])


def _turned_back(wiring: Wiring, trunk_a: Phasors, turn: IntArray) -> Phasors:
    """Turn the currents (2, 3, n) of arms that were taken to start on the first pair to their own phase."""
    re, im = wiring.source[:, turn]
    return np.stack([trunk_a[0] * re - trunk_a[1] * im, trunk_a[0] * im + trunk_a[1] * re])


def _along(wiring: Wiring, rise_v: Phasors) -> FloatArray:
    """Return for each pair and run (P, N) the part of the rise (2, K, N) across the pair along its nominal voltage."""
    if wiring.second is None:
        return np.asarray(rise_v[0])
    across_v = rise_v[:, wiring.first] - rise_v[:, wiring.second]
    re, im = wiring.direction[:, :, None]
    return np.asarray(across_v[0] * re + across_v[1] * im)

"""Voltages between the units: probes at the panel, the combiner, the junction box and along the trunk.

A probe is a unit of no current and no power behind no impedance. The functions that solve for units then give the
voltage at any place and across any pair of conductors, and nothing else changes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray
from auditor.electrical.design import design_rise
from auditor.electrical.network import Network
from auditor.electrical.operating import operating_voltage


@dataclass(frozen=True)
class Places:
    """Figures [V] across one pair of conductors per circuit, at the places of each circuit's path.

    Attributes
    ----------
    panel : (C,) at the main panel, behind the service entrance.
    feeder : (C,) at the end of the circuit's feeder.
    home_run : (C,) where the home run meets the trunk.
    trunk : (U,) at each unit.
    """

    panel: FloatArray
    feeder: FloatArray
    home_run: FloatArray
    trunk: FloatArray


def with_probes(network: Network, pair: IntArray) -> Network:
    """Return the network with a probe behind every unit, and one of each circuit at the ends of its runs.

    Parameters
    ----------
    network : the systems; U units, C circuits, F feeders.
    pair : (C,) the pair of conductors that the probes of each circuit sit across.

    Returns
    -------
    Unit u is unit 2u and its probe 2u + 1; behind those come the probes at the ends of the home runs, the feeders and
    the service entrances, C of each.
    """
    circuits, feeders = len(network.circuit_feeder), len(network.feeder_system)
    units = len(network.unit_power_w)
    each = np.arange(circuits)
    none = np.zeros(circuits)
    of_unit = network.unit_circuit

    def behind_units(values: FloatArray) -> FloatArray:
        beside = np.zeros(2 * units)
        beside[::2] = values
        return np.concatenate([beside, np.zeros(3 * circuits)])

    unit_pair = np.concatenate([np.stack([network.unit_pair, pair[of_unit]], axis=1).ravel(), np.tile(pair, 3)])
    runs: dict[str, Any] = {
        **{f"home_run_{name}": np.concatenate([getattr(network, f"home_run_{name}"), none, none]) for name in _RUN},
        **{f"feeder_{name}": np.concatenate([getattr(network, f"feeder_{name}"), none]) for name in _RUN},
    }
    return replace(
        network,
        arm_start=np.concatenate([2 * network.arm_start, 2 * units + 1 + np.arange(3 * circuits)]),
        arm_circuit=np.concatenate([network.arm_circuit, each, circuits + each, 2 * circuits + each]),
        circuit_feeder=np.concatenate([network.circuit_feeder, network.circuit_feeder, feeders + each]),
        feeder_system=np.concatenate([network.feeder_system, network.feeder_system[network.circuit_feeder]]),
        section_r_ohm=behind_units(network.section_r_ohm),
        section_x_ohm=behind_units(network.section_x_ohm),
        unit_current_a=behind_units(network.unit_current_a),
        unit_power_w=behind_units(network.unit_power_w),
        unit_pair=unit_pair,
        **runs,
    )


_RUN = ("r_ohm", "x_ohm", "neutral_r_ohm", "neutral_x_ohm")


def _split(values: FloatArray, network: Network) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The probes' values: at the units, the ends of the home runs, of the feeders and of the entrances."""
    units, circuits = 2 * len(network.unit_power_w), len(network.circuit_feeder)
    home, feeder, panel = (values[units + k * circuits : units + (k + 1) * circuits] for k in range(3))
    return values[1:units:2], home, feeder, panel


def operating_places(network: Network, pair: IntArray, source_v: FloatArray) -> Places:
    """Return the voltages of the exact solution at all places, NaN where a figure of the system is missing.

    `source_v` (S,) is the source's voltage [V] across a unit, or phase to neutral on three phases.
    """
    trunk, home, feeder, panel = _split(operating_voltage(with_probes(network, pair), source_v), network)
    return Places(panel, feeder, home, trunk)


def design_places(network: Network, pair: IntArray) -> Places:
    """Return the design-practice rise in each part of the path (not summed), along the pair's nominal voltage."""
    rise = design_rise(with_probes(network, pair))
    trunk = _split(rise.trunk_v, network)[0]
    home, feeder, panel = (
        _split(values, network)[place]
        for values, place in ((rise.home_run_v, 1), (rise.feeder_v, 2), (rise.entrance_v, 3))
    )
    return Places(panel, feeder, home, trunk)

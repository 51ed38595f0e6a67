"""What the wires of a system turn into heat at rated output."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from auditor.electrical.arrays import BoolArray, FloatArray, total_by
from auditor.electrical.network import Network
from auditor.prepare.frames import Prepared
from auditor.prepare.layout import column, listed_units
from auditor.prepare.networks import Batch, build, unit_rises
from auditor.prepare.prepare import _select
from auditor.prepare.specs import Frames


def wiring_loss_w(prepared: Prepared, unit: pl.DataFrame, catalog: Frames) -> FloatArray:
    """Return the loss [W] (S,) in trunks, home runs and feeders with every unit at its rated current.

    P = Σ I_u ΔV_u over the units, ΔV_u the part of the rise at a unit that lies along its current. This is the sum of
    I²R over all conductors, by conservation of power. A loss hangs on the size of the currents alone, so that the rises
    are those at unity power factor, where reactance counts for nothing in the sum. NaN where a part is not known.
    """
    listed = listed_units(prepared.circuit, unit, catalog)
    batch = Batch(prepared.system, prepared.feeder, prepared.circuit, listed)
    loss = np.full(prepared.system.height, np.nan)
    for three_phase in (False, True):
        part, (systems, _, _) = _select(batch, three_phase)
        if part.circuit.height:
            loss[systems] = _of(part, three_phase)
    return loss


def _of(batch: Batch, three_phase: bool) -> FloatArray:
    """The loss of systems that are all three-phase, or all not; those without a circuit have none that is known."""
    network, units = build(batch, three_phase)
    unmeasured = batch.circuit["home_run_no_length"].fill_null(False).to_numpy()
    rises = unit_rises(_resistive(network, unmeasured), units, batch)
    volts = column(batch.circuit, "unit_voltage_v")[units.circuit] / 100
    watts = network.unit_current_a * (rises["trunk"] + rises["home_run"] + rises["feeder"]) * volts
    of_circuit = total_by(units.circuit, watts, batch.circuit.height)
    of_system = batch.circuit["system_row"].to_numpy()
    some = np.bincount(of_system, minlength=batch.system.height) > 0
    return np.where(some, total_by(of_system, of_circuit, batch.system.height), np.nan)


def _resistive(network: Network, unmeasured: BoolArray) -> Network:
    """The network at unity power factor without reactances; a home run of unknown length has no resistance told."""
    home = np.where(unmeasured, np.nan, network.home_run_r_ohm)
    changed: dict[str, Any] = {
        name: np.zeros_like(values) for name, values in network._arrays() if name.endswith("_x_ohm")
    }
    changed |= {"cos_phi": np.ones(network.n_systems), "sin_phi": np.zeros(network.n_systems)}
    return replace(network, **changed, home_run_r_ohm=home, home_run_neutral_r_ohm=home)

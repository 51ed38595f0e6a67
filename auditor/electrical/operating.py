"""The operating point: the exact AC solution with constant-power units, by backward and forward sweeps.

A sweep sums the units' currents towards the source, then steps outwards from the source and finds every voltage, and
from it every current anew [1]_. For wiring that works at all, a sweep shrinks the error to about the rise in per unit
of what it was. A system has settled when a sweep changes none of its voltages by more than 1e-11 of the given one; its
voltages are taken then, whatever the rest of the batch still needs, so its result does not depend on the others.

.. [1] W. H. Kersting, Distribution System Modeling and Analysis, the ladder iterative technique (from memory).
"""

from __future__ import annotations

import numpy as np

from auditor.electrical.arrays import BoolArray, FloatArray
from auditor.electrical.network import Network
from auditor.electrical.sweeps import (
    Batch,
    feed_voltages,
    move_voltages,
    renew_currents,
    renew_voltages,
    source_lacks,
    write_magnitudes,
)

_SETTLED = 1e-11
#: Nearly all systems settle within the first few sweeps; the rest start again without them and may take many.
_FEW_SWEEPS, _MANY_SWEEPS = 12, 300


def operating_voltage(network: Network, source_v: FloatArray) -> FloatArray:
    """Return the terminal voltage (U,) [V] of every unit at full output: P = unit_power_w, Q = P·sin φ/cos φ.

    Parameters
    ----------
    network : the systems.
    source_v : (S,) magnitude of the balanced source [V]: across a unit, or phase to neutral on three phases.

    Returns
    -------
    Magnitudes across the units; NaN for all units of a system that does not settle or misses a figure it rests on.
    """
    return _solve(network, source_v, at_terminal=False)[0]


def no_export_voltage_at(network: Network, terminal_v: FloatArray) -> FloatArray:
    """Return the source voltage (S,) [V] at which the worst unit of a system just reaches a terminal voltage.

    With nothing exported the units would see just that source. In every sweep the source moves by what the worst unit
    lacks, before the currents are renewed, until both have settled.

    Parameters
    ----------
    network : the systems.
    terminal_v : (S,) voltage across a unit's own terminals [V].

    Returns
    -------
    Source voltage across a unit, or phase to neutral on three phases; NaN where there is none above zero.
    """
    return _solve(network, terminal_v, at_terminal=True)[1]


def _solve(network: Network, volts: FloatArray, at_terminal: bool) -> tuple[FloatArray, FloatArray]:
    """Return the voltages of the units (U,) and of the sources (S,)."""
    unit_v, source_v, settled = _sweep(network, volts, at_terminal, _FEW_SWEEPS)
    if not settled.all():
        slow = ~settled
        part, units = network.select(slow)
        unit_v[units], source_v[slow], _ = _sweep(part, volts[slow], at_terminal, _MANY_SWEEPS)
    return unit_v, source_v


@np.errstate(all="ignore")
def _sweep(
    network: Network, volts: FloatArray, at_terminal: bool, limit: int
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Sweep until every system has settled or failed, at most `limit` times; also return which have (S,)."""
    batch = Batch.of(network)
    unit_v = np.full(len(network.unit_power_w), np.nan)
    final_v = np.full(network.n_systems, np.nan)
    done = np.zeros(network.n_systems, dtype=bool)
    source_v, arm_a = volts, batch.no_current()
    for _ in range(limit):
        change_v = renew_voltages(batch, feed_voltages(batch, source_v, arm_a), arm_a)
        if at_terminal:
            moves_v = source_lacks(batch, volts)
            move_voltages(batch, moves_v)
            source_v = source_v + moves_v
            change_v = np.maximum(change_v, np.abs(moves_v))
        settled = ~done & (change_v <= _SETTLED * volts) & (source_v > 0)
        failed = np.isnan(change_v)
        if settled.any():
            write_magnitudes(batch, settled, unit_v)
            final_v[settled] = source_v[settled]
        done |= settled | failed
        if done.all():
            break
        arm_a = renew_currents(batch)
    return unit_v, final_v, done

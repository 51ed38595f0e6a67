"""Where a unit settles on its volt-watt and volt-var droops, solved in closed loop on the slot's mean."""

from __future__ import annotations

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import Profile, VoltWatt

#: Output that sun and ramp allow: one for all places, or one for each [share of rated].
Output = float | FloatArray


def volt_watt_output(v_off_pct: FloatArray, rise_pct: FloatArray, output: Output, droop: VoltWatt) -> FloatArray:
    """Output on the volt-watt droop, p = min(f, max(P2, (1 − k(V0 − V1))/(1 + k·rise))), as a share of rated output.

    v_off_pct is the voltage without own output, rise_pct the own rise at rated output [% of nominal], output the f
    that sun and ramp allow. The line p = 1 − k(V − V1) is met with V = V0 + rise·p.
    """
    k = droop.slope
    line = (1.0 - k * (v_off_pct - droop.v1_pct)) / (1.0 + k * rise_pct)
    return np.minimum(output, np.maximum(droop.p2, line))


def settled(
    v_off_pct: FloatArray, rise_pct: FloatArray, output: Output, profile: Profile
) -> tuple[FloatArray, FloatArray]:
    """Voltage at the unit [% of nominal] and its output [share of rated] where both droops are met.

    v_off_pct, rise_pct and output broadcast; output is what sun and ramp allow.
    """
    if profile.volt_var is not None:
        return _settled_on_both(v_off_pct, rise_pct, np.asarray(output, dtype=np.float64), profile)
    if profile.volt_watt is None:
        p = np.broadcast_to(np.asarray(output, dtype=np.float64), v_off_pct.shape)
    else:
        p = volt_watt_output(v_off_pct, rise_pct, output, profile.volt_watt)
    return v_off_pct + rise_pct * p, np.asarray(p, dtype=np.float64)


def _settled_on_both(
    v_off_pct: FloatArray, rise_pct: FloatArray, output: FloatArray, profile: Profile
) -> tuple[FloatArray, FloatArray]:
    """The root of V − V0 − rise·p(V) + relief·rise·q(V), which grows with V and is straight between its corners."""
    corners = _corners(profile, output)
    shape = np.broadcast_shapes(v_off_pct.shape, rise_pct.shape, output.shape)
    at = [corner - v_off_pct - rise_pct * _net(corner, output, profile) for corner in corners]
    flat_low, flat_high = _net(corners[0], output, profile), _net(corners[-1], output, profile)
    voltage = np.where(at[0] >= 0.0, v_off_pct + rise_pct * flat_low, v_off_pct + rise_pct * flat_high)
    for low, high, at_low, at_high in zip(corners[:-1], corners[1:], at[:-1], at[1:], strict=True):
        inside = (at_low < 0.0) & (at_high >= 0.0)
        share = -at_low / np.where(inside, at_high - at_low, 1.0)
        voltage = np.where(inside, low + (high - low) * share, voltage)
    voltage = np.broadcast_to(voltage, shape)
    return voltage, _active(voltage, output, profile)


def _corners(profile: Profile, output: FloatArray) -> list[FloatArray]:
    """Voltages at which a droop bends, in order, each in the shape of the output [% of nominal]."""
    found: list[FloatArray] = []
    if profile.volt_var is not None:
        found += [np.full_like(output, level) for level in (profile.volt_var.v3_pct, profile.volt_var.v4_pct)]
    if profile.volt_watt is not None:
        droop = profile.volt_watt
        found += [np.full_like(output, level) for level in (droop.v1_pct, droop.v2_pct)]
        found.append(np.minimum(droop.v1_pct + (1.0 - output) / droop.slope, droop.v2_pct))
    return list(np.sort(np.stack(found), axis=0))


def _active(v_pct: FloatArray, output: FloatArray, profile: Profile) -> FloatArray:
    """Active output that the droop allows at a voltage [share of rated]."""
    if profile.volt_watt is None:
        return np.asarray(np.broadcast_to(output, np.broadcast_shapes(v_pct.shape, output.shape)), dtype=np.float64)
    line = 1.0 - profile.volt_watt.slope * (v_pct - profile.volt_watt.v1_pct)
    return np.asarray(np.minimum(output, np.clip(line, profile.volt_watt.p2, 1.0)), dtype=np.float64)


def _net(v_pct: FloatArray, output: FloatArray, profile: Profile) -> FloatArray:
    """p(V) − relief·q(V), by which the rise is multiplied."""
    active = _active(v_pct, output, profile)
    droop = profile.volt_var
    if droop is None:
        return active
    return active - droop.relief * np.clip((v_pct - droop.v3_pct) / (droop.v4_pct - droop.v3_pct), 0.0, 1.0)

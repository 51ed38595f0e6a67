"""The no-export voltage within a day: nodes of the AR(1), its moves from slot to slot, and the peaks above a slot.

The peak law, an assumption: let M(c) be the largest, over a slot, of the voltage's running minimum over the clearing
time c, above the slot's mean. M(c) = s(c)·E, with one unit exponential E a slot for all thresholds, independent from
slot to slot given the slot's mean, and s(c) = peak_pct·ln(slot/c)/ln(slot/1 s): a running minimum over the whole slot
cannot lie above its mean, and shorter times find higher peaks. Slower clearing times than the slot have no peak.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import Supply, Threshold

#: How far the nodes reach [standard deviations], and how far they may be apart, in standard deviations of the slot and
#: of a move from one slot to the next. The trapezoid rule for a Gaussian of spread s is wrong by exp(−2π²(s/h)²).
REACH_SD = 4.75
SPACING_SD = 0.3
SPACING_MOVE = 1.5
#: Straight lines between the tabled chances are cut into so many steps.
TABLED = 8


@dataclass(frozen=True)
class Chain:
    """A discretised AR(1): node_pct (N,) [% of nominal], start (N,), move (N, N) from row to column, spacing_pct."""

    node_pct: FloatArray
    start: FloatArray
    move: FloatArray
    spacing_pct: float


def chain_of(sigma_pct: float, rho: float, finer: float = 1.0, spacing_sd: float = SPACING_SD) -> Chain:
    """Nodes of a stationary AR(1) by the Nyström method on evenly spaced nodes (trapezoid rule), rows summing to one.

    finer divides the spacing, to measure what is left of the error; spacing_sd is the most it may be against the slot's
    spread. A spread of zero gives one node.
    """
    if sigma_pct == 0.0:
        return Chain(np.zeros(1), np.ones(1), np.ones((1, 1)), 0.0)
    move_sd = np.sqrt(1.0 - rho * rho)
    half = int(np.ceil(REACH_SD * finer / min(spacing_sd, SPACING_MOVE * move_sd)))
    z = np.arange(-half, half + 1) * (REACH_SD / half)
    start = np.asarray(np.exp(-0.5 * z * z), dtype=np.float64)
    move = np.exp(-0.5 * ((z[None, :] - rho * z[:, None]) / move_sd) ** 2)
    move /= move.sum(axis=1, keepdims=True)
    start /= start.sum()
    return Chain(np.asarray(sigma_pct * z, dtype=np.float64), start, move, sigma_pct * REACH_SD / half)


def peak_scale_pct(supply: Supply, clearing_s: float) -> float:
    """Scale s(c) of the peaks at a clearing time [% of nominal]."""
    if clearing_s >= supply.slot_s:
        return 0.0
    return float(supply.peak_pct * np.log(supply.slot_s / clearing_s) / np.log(supply.slot_s))


def trip_chance(v_pct: FloatArray, supply: Supply, thresholds: tuple[Threshold, ...]) -> FloatArray:
    """Chance that a slot of mean v_pct [% of nominal] trips an instant threshold, the peaks being one draw for all.

    One exponential serves every threshold, so the chance is the largest of the thresholds' own.
    """
    chance = np.zeros_like(v_pct)
    for threshold in thresholds:
        over = v_pct - threshold.level_pct
        scale = peak_scale_pct(supply, threshold.clearing_s)
        own = np.exp(np.minimum(over, 0.0) / scale) if scale > 0.0 else (over > 0.0).astype(np.float64)
        chance = np.maximum(chance, own)
    return chance


def smoothed_trip_chance(
    supply: Supply, thresholds: tuple[Threshold, ...], spacing_pct: float
) -> Callable[[FloatArray], FloatArray]:
    """`trip_chance` for nodes spacing_pct apart, averaged over a cell by Keys' cubic kernel of zero second moment.

    The chance has a kink or a step at a threshold, and where it falls between two nodes would matter. The average
    leaves an error of the fourth order in the spacing.
    """
    if not thresholds:
        return np.zeros_like
    if spacing_pct == 0.0:
        return lambda v_pct: trip_chance(v_pct, supply, thresholds)
    fine = 24
    step = spacing_pct / fine
    below = max(45.0 * max(peak_scale_pct(supply, t.clearing_s) for t in thresholds), 3.0 * spacing_pct)
    low = min(t.level_pct for t in thresholds) - below
    count = int(np.ceil((max(t.level_pct for t in thresholds) + 3.0 * spacing_pct - low) / step))
    margin = 2 * fine
    grid = np.asarray(low + step * np.arange(-margin, count + margin), dtype=np.float64)
    weights = _keys_cubic(np.asarray(np.arange(-margin, margin + 1) / fine, dtype=np.float64))
    weights /= weights.sum()
    chance = trip_chance(grid, supply, thresholds)
    averaged = np.asarray(np.convolve(chance, weights, mode="valid"), dtype=np.float64)
    close = np.arange(TABLED * (averaged.size - 1) + 1) / TABLED
    values = np.interp(close, np.arange(averaged.size), np.clip(averaged, 0.0, 1.0))
    return _nearest(low, step / TABLED, np.asarray(values, dtype=np.float64))


def _nearest(low: float, step: float, values: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """The nearest of values at low, low + step, …; the ends go on. Faster than a search."""
    top = float(values.size - 1)
    scale, shift = 1.0 / step, 0.5 - low / step

    def at(v_pct: FloatArray) -> FloatArray:
        place = v_pct * scale
        place += shift
        np.maximum(place, 0.0, out=place)
        np.minimum(place, top, out=place)
        return values.take(place.astype(np.intp))

    return at


def _keys_cubic(x: FloatArray) -> FloatArray:
    """Keys' kernel with a = −1/2 (R. G. Keys, IEEE Trans. ASSP 29, 1153-1160, 1981, eq. 15)."""
    u = np.abs(x)
    near = (1.5 * u - 2.5) * u * u + 1.0
    far = ((-0.5 * u + 2.5) * u - 4.0) * u + 2.0
    return np.asarray(np.where(u <= 1.0, near, np.where(u < 2.0, far, 0.0)), dtype=np.float64)

"""Spread and correlation of a slot's mean within a day, the day effect, and the peaks above a slot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from auditor.evidence.averages import MOST_RHO, block_covariances, block_variance
from auditor.evidence.cells import DAYTIME
from auditor.evidence.series import Blocks, cell_of
from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, MONTHS

#: Fewer days or pairs of blocks than this leave the noise unknown.
FEWEST_DAYS, FEWEST_PAIRS = 10, 100
#: Blocks further apart than this tell of the day effect alone, nearly, and come in ever fewer pairs [h].
FARTHEST_H = 9.0
#: Slots of a block from which on the peaks' law is not undone.
MOST_PEAK_SLOTS = 3


@dataclass(frozen=True)
class Noise:
    """sigma_pct and rho of a slot, day_pct [% of nominal]; NaN where the readings cannot tell."""

    sigma_pct: float
    rho: float
    day_pct: float


def left_over(blocks: Blocks, mean_pct: FloatArray, beta_pct: float, slot_s: float) -> FloatArray:
    """What a block's voltage in DAYTIME differs from its cell's mean, (days, blocks), NaN elsewhere.

    mean_pct is (288,), without sun. A mean of n days takes 1/n of the variance away, which is given back; cells of one
    day tell nothing.
    """
    count = blocks.v_pct.shape[1]
    hour = ((np.arange(count) + 0.5) * blocks.slots * slot_s / 3600.0).astype(np.int64)
    cell = cell_of(np.repeat(blocks.day[:, None], count, axis=1), np.repeat(hour[None, :], blocks.day.size, axis=0))
    sun = np.where(np.isfinite(blocks.sun), blocks.sun, 0.0)
    v_pct = blocks.v_pct - (0.0 if np.isnan(beta_pct) else beta_pct * sun)
    inside = (hour >= DAYTIME.start) & (hour < DAYTIME.stop)
    left = np.where(inside[None, :], v_pct - mean_pct[cell], np.nan)
    known = np.isfinite(left)
    days = _days_in_cells(cell, known)
    scale = np.sqrt(days / np.maximum(days - 1.0, 1.0))
    return np.where(known & (days[cell] > 1.0), left * scale[cell], np.nan)


def _days_in_cells(cell: IntArray, known: BoolArray) -> FloatArray:
    """Days with a block in each cell, (288,)."""
    row = np.broadcast_to(np.arange(cell.shape[0])[:, None], cell.shape)
    pairs = np.unique((row * MONTHS * HOURS + cell)[known])
    return np.bincount(pairs % (MONTHS * HOURS), minlength=MONTHS * HOURS).astype(np.float64)


def covariances(left: FloatArray, weight: FloatArray, lags: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean product of blocks of one day that lie `lags` apart, (k,), the sum of its weights, and the number of pairs.

    weight (days, blocks) counts each block, and a pair by the product.
    """
    found, total, pairs = np.zeros(lags.size), np.zeros(lags.size), np.zeros(lags.size)
    for place, lag in enumerate(lags):
        last = left.shape[1] - lag
        both, counts = left[:, lag:] * left[:, :last], weight[:, lag:] * weight[:, :last]
        counts = np.where(np.isfinite(both), counts, 0.0)
        pairs[place], total[place] = (counts > 0.0).sum(), counts.sum()
        found[place] = np.nansum(counts * both) / max(total[place], 1e-300)
    return found, total, pairs


def noise_of(left: FloatArray, sun: FloatArray, slots: int, slot_s: float) -> Noise:
    """Spread, correlation and day effect from what is left over, in blocks of `slots` slots.

    Blocks count by their sun where it is known, since the noise in full sun is what trips a system. The covariance at a
    lag of k blocks is day² + σ²·Covₖ(ρ) (`averages`). Their sum at lag zero is held; ρ and the day effect are fitted to
    the other lags by least squares, weighted with what the pairs count.
    """
    unknown = Noise(np.nan, np.nan, np.nan)
    days = int(np.isfinite(left).any(axis=1).sum())
    farthest = min(int(FARTHEST_H * 3600.0 / (slots * slot_s)), left.shape[1] - 1)
    lags = np.arange(farthest + 1)
    weight = np.nan_to_num(sun) if np.isfinite(sun).any() else np.ones_like(left)
    found, total, pairs = covariances(left, weight, lags)
    told = pairs >= FEWEST_PAIRS
    if days < FEWEST_DAYS or told.sum() < 3 or not told[:2].all() or found[0] <= 0.0:
        return unknown
    return _fitted(found[told], total[told], lags[told], slots)


def _fitted(found: FloatArray, weights: FloatArray, lags: IntArray, slots: int) -> Noise:
    """The least squares of `noise_of`: the day effect's share for each ρ in closed form, then the best ρ."""

    def at(keep: float) -> tuple[float, float]:
        """Misfit and day effect's variance, for ρ = 1 − e^−keep."""
        rho = 1.0 - np.exp(-keep)
        shape = block_covariances(rho, slots, lags) / block_variance(rho, slots)
        x, y = 1.0 - shape[1:], found[1:] - found[0] * shape[1:]
        weight = weights[1:]
        day = float(np.clip(np.sum(weight * x * y) / max(np.sum(weight * x * x), 1e-300), 0.0, found[0]))
        return float(np.sum(weight * (y - day * x) ** 2)), day

    most = -np.log(1.0 - MOST_RHO)
    grid = np.linspace(0.0, most, 93)
    best = int(np.argmin([at(float(keep))[0] for keep in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, grid.size - 1)]
    keep = float(
        minimize_scalar(lambda k: at(float(k))[0], bounds=(low, high), method="bounded", options={"xatol": 1e-6}).x
    )
    day = at(keep)[1]
    rho = float(1.0 - np.exp(-keep))
    return Noise(float(np.sqrt((found[0] - day) / block_variance(rho, slots))), rho, float(np.sqrt(day)))


def peak_of(blocks: Blocks, noise: Noise, slot_s: float, window_s: float) -> float:
    """Scale of the peaks at a clearing time of 1 s [% of nominal]; NaN where the readings cannot tell.

    window_s is over how long the meter takes a maximum [s]. Over one slot the maximum lies s(window)·E above the mean,
    E exponential (`likelihood.supply`), so that its mean is s(window). Over n slots it is the largest of n such peaks,
    each on its own slot's mean, above the mean of all; s is found so that the expectation meets the mean.
    """
    above = blocks.peak_pct[np.isfinite(blocks.peak_pct)]
    if above.size < FEWEST_PAIRS or blocks.slots > MOST_PEAK_SLOTS or not 0.0 < window_s < slot_s:
        return np.nan
    mean = float(above.mean())
    if blocks.slots == 1:
        scale = mean
    elif np.isnan(noise.sigma_pct):
        return np.nan
    else:
        scale = scale_of_largest(mean, noise.sigma_pct, noise.rho, blocks.slots)
    return float(scale * np.log(slot_s) / np.log(slot_s / window_s))


def scale_of_largest(mean_pct: float, sigma_pct: float, rho: float, slots: int) -> float:
    """s for which the largest of Aᵢ + s·Eᵢ over the slots of a block lies mean_pct above the block's mean.

    Zero where the slots' own means already reach so high.
    """
    if expected_largest(0.0, sigma_pct, rho, slots) >= mean_pct:
        return 0.0
    return float(
        brentq(lambda s: expected_largest(float(s), sigma_pct, rho, slots) - mean_pct, 0.0, mean_pct, xtol=1e-9)
    )


def expected_largest(scale_pct: float, sigma_pct: float, rho: float, slots: int) -> float:
    """E max(Aᵢ + s·Eᵢ) − mean Aᵢ by Gauss-Hermite nodes for the AR(1) and the exponentials' law in closed form.

    Given A, P(max < x) = Π (1 − e^{−(x − Aᵢ)/s}) above the largest A. With a the largest, the expectation above a is
    the sum over the non-empty sets of slots of (−1)^{k+1}·(s/k)·exp(−Σ(a − Aᵢ)/s).
    """
    z, weight = np.polynomial.hermite_e.hermegauss(24)
    weight = weight / weight.sum()
    grids = np.meshgrid(*(z,) * slots, indexing="ij")
    share = np.ones_like(grids[0])
    for w in np.meshgrid(*(weight,) * slots, indexing="ij"):
        share = share * w
    means = [sigma_pct * grids[0]]
    for grid in grids[1:]:
        means.append(rho * means[-1] + sigma_pct * np.sqrt(1.0 - rho * rho) * grid)
    a = np.stack(means)
    top = a.max(axis=0)
    above = np.zeros_like(top)
    if scale_pct > 0.0:
        for chosen in range(1, 2**slots):
            members = [i for i in range(slots) if chosen >> i & 1]
            apart = sum(top - a[i] for i in members)
            above += (-1.0) ** (len(members) + 1) * scale_pct / len(members) * np.exp(-apart / scale_pct)
    return float(np.sum(share * (top + above - a.mean(axis=0))))

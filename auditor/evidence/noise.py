"""Spread and correlation of a slot's mean within a day, the day effect, and the peaks above a slot."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.optimize import brentq

from auditor.evidence.averages import MOST_RHO, block_covariances, block_variance
from auditor.evidence.cells import DAYTIME
from auditor.evidence.series import Blocks, month_of
from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, MONTHS

#: Fewer days or pairs of blocks than this leave the noise unknown.
FEWEST_DAYS, FEWEST_PAIRS = 10, 100
#: Blocks further apart than this tell of the day effect alone, nearly, and come in ever fewer pairs [h].
FARTHEST_H = 9.0
#: Slots of a block from which on the peaks' law is not undone.
MOST_PEAK_SLOTS = 3
#: Values of −ln(1 − ρ) that are tried first, then around the best one in so many rounds; each narrows it 16 times.
FIRST_TRIED, TRIED, ROUNDS = 93, 33, 4
#: Nodes for each slot of a block; together they count from this share on.
NODES, NO_WEIGHT = 24, 1e-13


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
    every = ((np.arange(blocks.v_pct.shape[1]) + 0.5) * blocks.slots * slot_s / 3600.0).astype(np.int64)
    inside = (every >= DAYTIME.start) & (every < DAYTIME.stop)
    hour, month = every[inside], month_of(blocks.day)
    sun = np.where(np.isfinite(blocks.sun[:, inside]), blocks.sun[:, inside], 0.0)
    v_pct = blocks.v_pct[:, inside] - (0.0 if np.isnan(beta_pct) else beta_pct * sun)
    found = v_pct - mean_pct.reshape(MONTHS, HOURS)[:, hour][month]
    days = _days_in_cells(np.isfinite(found), month, hour)
    scale = np.where(days > 1.0, np.sqrt(days / np.maximum(days - 1.0, 1.0)), np.nan)
    left = np.full(blocks.v_pct.shape, np.nan)
    left[:, inside] = found * scale[:, hour][month]
    return left


def _days_in_cells(known: BoolArray, month: IntArray, hour: IntArray) -> FloatArray:
    """Days with a block in each cell, (12, 24); `known` is (days, blocks), its blocks in the order of their hours."""
    first = np.flatnonzero(np.diff(hour, prepend=-1))
    seen = np.logical_or.reduceat(known, first, axis=1)
    days = np.zeros((MONTHS, HOURS))
    for number, here in zip(hour[first], seen.T, strict=True):
        days[:, number] = np.bincount(month[here], minlength=MONTHS)
    return days


def covariances(left: FloatArray, weight: FloatArray, lags: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean product of blocks of one day that lie `lags` apart, (k,), the sum of its weights, and the number of pairs.

    weight (days, blocks) counts each block, and a pair by the product.
    """
    known = np.isfinite(left)
    counted = np.where(known, weight, 0.0)
    products, total, pairs = (
        _lag_sums(values, lags)
        for values in (counted * np.where(known, left, 0.0), counted, (counted > 0.0).astype(np.float64))
    )
    pairs = np.rint(pairs)
    return np.where(pairs > 0.0, products / np.where(pairs > 0.0, total, 1.0), 0.0), total, pairs


def _lag_sums(values: FloatArray, lags: IntArray) -> FloatArray:
    """Σ over days and blocks of values[t]·values[t + lag] within a day, (k,), by way of their power spectrum.

    Rows are padded, so that no day runs round into itself (M. B. Priestley, Spectral Analysis and Time Series, 1981,
    7.6).
    """
    size = next_fast_len(values.shape[1] + int(lags.max(initial=0)), real=True)
    spectrum = rfft(values, size, axis=1)
    power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
    return np.asarray(irfft(power, size)[lags], dtype=np.float64)


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

    def at(keep: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Misfit and the day effect's variance, for each ρ = 1 − e^−keep."""
        rho = 1.0 - np.exp(-keep)
        shape = block_covariances(rho, slots, lags)[:, 1:] / block_variance(rho, slots)[:, None]
        x, y, weight = 1.0 - shape, found[1:] - found[0] * shape, weights[1:]
        day = np.sum(weight * x * y, axis=1) / np.maximum(np.sum(weight * x * x, axis=1), 1e-300)
        day = np.clip(day, 0.0, found[0])
        return np.sum(weight * (y - day[:, None] * x) ** 2, axis=1), day

    tried = np.linspace(0.0, -np.log(1.0 - MOST_RHO), FIRST_TRIED)
    misfit, variance = at(tried)
    for _ in range(ROUNDS):
        best = int(np.argmin(misfit))
        tried = np.linspace(tried[max(best - 1, 0)], tried[min(best + 1, tried.size - 1)], TRIED)
        misfit, variance = at(tried)
    best = int(np.argmin(misfit))
    rho, day = float(1.0 - np.exp(-tried[best])), float(variance[best])
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
    means = _means(sigma_pct, rho, slots)
    if _largest(0.0, *means) >= mean_pct:
        return 0.0
    return float(brentq(lambda s: _largest(float(s), *means) - mean_pct, 0.0, mean_pct, xtol=1e-9))


def expected_largest(scale_pct: float, sigma_pct: float, rho: float, slots: int) -> float:
    """E max(Aᵢ + s·Eᵢ) − mean Aᵢ by Gauss-Hermite nodes for the AR(1) and the exponentials' law in closed form.

    Given A, P(max < x) = Π (1 − e^{−(x − Aᵢ)/s}) above the largest A. With a the largest, the expectation above a is
    the sum over the non-empty sets of slots of (−1)^{k+1}·(s/k)·exp(−Σ(a − Aᵢ)/s).
    """
    return _largest(scale_pct, *_means(sigma_pct, rho, slots))


def _largest(scale_pct: float, apart_pct: FloatArray, share: FloatArray, reach_pct: float) -> float:
    """`expected_largest` from what `_means` gives."""
    if scale_pct <= 0.0:
        return reach_pct
    fading = np.exp(-apart_pct / scale_pct)
    above = np.zeros_like(share)
    for chosen in range(1, 2 ** len(fading)):
        members = [i for i in range(len(fading)) if chosen >> i & 1]
        above += (-1.0) ** (len(members) + 1) / len(members) * np.prod(fading[members], axis=0)
    return reach_pct + scale_pct * float(np.sum(share * above))


def _means(sigma_pct: float, rho: float, slots: int) -> tuple[FloatArray, FloatArray, float]:
    """Nodes of the slots' means: how far each lies below the largest (slots, n), the nodes' shares (n,), and the mean
    of the largest less the mean of all.
    """
    z, share = _nodes(slots)
    means = [sigma_pct * z[0]]
    for one in z[1:]:
        means.append(rho * means[-1] + sigma_pct * np.sqrt(1.0 - rho * rho) * one)
    a = np.stack(means)
    top = a.max(axis=0)
    return top - a, share, float(np.sum(share * (top - a.mean(axis=0))))


@lru_cache(maxsize=MOST_PEAK_SLOTS)
def _nodes(slots: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Hermite nodes of so many standard normals (slots, n) and their shares (n,), without those of no weight."""
    z, weight = np.polynomial.hermite_e.hermegauss(NODES)
    grids = np.stack(np.meshgrid(*(z,) * slots, indexing="ij")).reshape(slots, -1)
    share = np.prod(np.stack(np.meshgrid(*(weight / weight.sum(),) * slots, indexing="ij")), axis=0).ravel()
    counts = share > NO_WEIGHT
    return grids[:, counts], share[counts]

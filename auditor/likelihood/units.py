"""Units with a sensing offset each, kept for life: the most sensitive of them, and the share of units that is off.

Offsets are independent and normal. All units are taken at the rise of the worst one. The most sensitive unit trips
first, with all others running, so that the chance of any trip is that of one unit whose level lies higher by the
largest of n offsets. A unit further down the order sees the rise of those that are still on: the units with larger
offsets are off by then, except those whose offset is larger by less than the voltage moves within a slot, which trip
together with it. Where units return before a slot has passed, or cease rather than trip, all others count as on. That
is an approximation; the tests hold it against a simulation of all units.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from auditor.likelihood.arrays import FloatArray

#: Offsets that differ by less trip together [% of nominal]: about what the voltage moves within a slot, an assumption.
TOGETHER_PCT = 0.35
#: Quantiles of the offsets at which losses are taken, midpoints of even shares.
QUANTILES = tuple((k + 0.5) / 4.0 for k in range(4))
#: Counts of units whose largest offset is worked out; more units are taken as the last.
_MOST = 400


def _largest_of(most: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of the largest of n standard normals for n = 0…most (0 as 1), each (most + 1,).

    By the trapezoid rule over the distribution function Φ(x)ⁿ.
    """
    x = np.linspace(-9.0, 9.0, 3601)
    step = x[1] - x[0]
    n = np.maximum(np.arange(most + 1), 1)[:, None]
    below = ndtr(x)[None, :] ** n
    # E max = ∫₀^∞ (1 − F) − ∫_{−∞}^0 F, and E max² = 2∫ x·(1[x > 0] − F)
    excess = (x > 0.0) + 0.5 * (x == 0.0) - below
    mean = excess.sum(axis=1) * step
    square = 2.0 * (excess * x).sum(axis=1) * step
    return mean, np.sqrt(square - mean * mean)


_LARGEST_MEAN, _LARGEST_SD = _largest_of(_MOST)


def largest_offset(units: FloatArray, sensing_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of the largest offset among the units, each (n,) [% of nominal]."""
    index = np.clip(units, 0, _MOST).astype(np.int64)
    return _LARGEST_MEAN[index] * sensing_pct, _LARGEST_SD[index] * sensing_pct


def unit_at(
    quantile: float, units: FloatArray, sensing_pct: FloatArray, relieved: bool
) -> tuple[FloatArray, FloatArray]:
    """Offset [% of nominal] of the unit at a quantile of the offsets, and the share of units on when it trips, (n,).

    A single unit is alone at every quantile. relieved tells that units which have tripped stay off long enough to
    relieve the others.
    """
    z = float(ndtri(quantile))
    alone = (units <= 1.0) | (sensing_pct <= 0.0)
    if not relieved:
        return z * sensing_pct, np.ones_like(sensing_pct)
    on = ndtr(z + TOGETHER_PCT / np.where(alone, 1.0, sensing_pct))
    return z * sensing_pct, np.where(alone, 1.0, on)

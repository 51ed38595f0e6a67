"""Shrunken ratios: what a unit's ratio of observed to expected is likely to be, given how much units differ at all.

A ratio of few cases is drawn towards the mean of all. D. Clayton, J. Kaldor, Biometrics 43:671-681, 1987; moments by
R. J. Marshall, J. R. Statist. Soc. C 40:283-294, 1991.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used: they are slow to

from auditor.quality.limits import Floats


@dataclass(frozen=True)
class Spread:
    """How ratios lie among units: their mean, and their variance beyond chance (0: no evidence that they differ)."""

    mean: float
    variance: float

    @property
    def shape(self) -> float:
        """The shape a of the gamma distribution of ratios; infinite without variance."""
        return self.mean**2 / self.variance if self.variance > 0 else float("inf")

    @property
    def rate(self) -> float:
        """The rate b of the gamma distribution of ratios; infinite without variance."""
        return self.mean / self.variance if self.variance > 0 else float("inf")


def spread_of(observed: npt.ArrayLike, expected: npt.ArrayLike) -> Spread:
    """The moments of units' ratios (Marshall 1991, eq. 3-5): m = sum O / sum E, A = max(0, s2 - m / mean E)."""
    seen, mean = np.asarray(observed, float), np.asarray(expected, float)
    total = mean.sum()
    if total <= 0:
        return Spread(1.0, 0.0)
    m = float(seen.sum() / total)
    ratios = np.divide(seen, mean, out=np.full_like(mean, m), where=mean > 0)
    s2 = float((mean * (ratios - m) ** 2).sum() / total)
    return Spread(m, max(0.0, s2 - m / float(mean.mean())))


def shrunken(
    observed: npt.ArrayLike, expected: npt.ArrayLike, spread: Spread, level: float = 0.95
) -> tuple[Floats, Floats, Floats]:
    """The posterior mean and equal-tailed interval of each ratio: Gamma(a + O, b + E).

    Without any spread every unit is at the common mean, and the interval has no width: there is nothing that sets one
    apart. Counts need not be whole.
    """
    seen, mean = np.asarray(observed, float), np.asarray(expected, float)
    if spread.variance <= 0:
        common = np.full(seen.shape, spread.mean)
        return common, common, common
    shape, rate, tail = spread.shape + seen, spread.rate + mean, (1 - level) / 2
    return (
        shape / rate,
        np.asarray(scipy.stats.gamma.ppf(tail, shape, scale=1 / rate)),
        np.asarray(scipy.stats.gamma.ppf(1 - tail, shape, scale=1 / rate)),
    )


def chance_above(observed: npt.ArrayLike, expected: npt.ArrayLike, spread: Spread, ratio: float = 1.0) -> Floats:
    """The posterior chance that a unit's ratio is above `ratio`; 0 or 1 where units do not differ."""
    seen, mean = np.asarray(observed, float), np.asarray(expected, float)
    if spread.variance <= 0:
        return np.full(seen.shape, float(spread.mean > ratio))
    return np.asarray(scipy.stats.gamma.sf(ratio, spread.shape + seen, scale=1 / (spread.rate + mean)))

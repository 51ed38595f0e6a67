"""What logs say: a multiplier on the model's trip-days, Gamma before and after, and what it predicts.

The multiplier of a system is Gamma(a, b) with mean a/b and b in expected trip-days. After O observed trip-days, where
the model expected E in the logged hours and under the settings then in force, it is Gamma(a + O, b + E). Days without a
log are no exposure: a silent gateway is not a quiet site, and a winter's silence holds little of a summer's
expectation.

References
----------
.. [1] C. L. Atwood et al., Handbook of Parameter Estimation for Probabilistic Risk Assessment, NUREG/CR-6823 (2003),
   6.2.2: the conjugate Gamma prior of a Poisson rate, and the predictive negative binomial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, gammaln, xlog1py, xlogy

from auditor.likelihood.arrays import FloatArray


@dataclass(frozen=True)
class Multiplier:
    """Gamma distributions of the multiplier, one a system: shape and rate, both (n,)."""

    shape: FloatArray
    rate: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Mean of the multiplier, (n,)."""
        return self.shape / self.rate

    def quantile(self, chance: float) -> FloatArray:
        """The multiplier that is not exceeded with this chance, (n,)."""
        return np.asarray(gammaincinv(self.shape, chance), dtype=np.float64) / self.rate


@dataclass(frozen=True)
class Updated:
    """The multiplier before and after the logs."""

    prior: Multiplier
    posterior: Multiplier


def expected_in_logs(expected_per_day: FloatArray, logged_share: FloatArray) -> FloatArray:
    """E: the expected trip-days in the logged part of each day, summed over days; (n, days) to (n,).

    logged_share is the share of a day's expectation that falls into logged hours: 0 while the gateway was silent or the
    log is missing (NaN). expected_per_day is the model's under the settings in force on that day.
    """
    share = np.clip(np.nan_to_num(logged_share), 0.0, 1.0)
    return np.asarray((np.nan_to_num(expected_per_day) * share).sum(axis=1), dtype=np.float64)


def updated(prior: Multiplier, observed: FloatArray, expected: FloatArray) -> Updated:
    """Gamma(a + O, b + E); observed O [trip-days] and expected E [trip-days] in the logged hours, both (n,).

    Without an expectation there is no evidence, and the prior stands.
    """
    evidence = (expected > 0.0) & ~np.isnan(observed)
    count = np.where(evidence, np.nan_to_num(observed), 0.0)
    exposure = np.where(evidence, np.nan_to_num(expected), 0.0)
    return Updated(prior, Multiplier(prior.shape + count, prior.rate + exposure))


def predicted_chance(multiplier: Multiplier, count: int, expected: FloatArray) -> FloatArray:
    """Chance of exactly `count` trip-days where the model expects `expected` (n,): negative binomial ([1]_, 6.2.2).

    Γ(a+k)/(Γ(a)·k!) · (b/(b+E))ᵃ · (E/(b+E))ᵏ.
    """
    shape, odds = multiplier.shape, expected / multiplier.rate
    log_chance = gammaln(shape + count) - gammaln(shape) - gammaln(count + 1.0)
    log_chance -= xlog1py(shape + count, odds)
    return np.asarray(np.exp(log_chance + xlogy(count, odds)), dtype=np.float64)


def predicted_none(multiplier: Multiplier, expected: FloatArray) -> FloatArray:
    """Chance of no trip-day, (b/(b+E))ᵃ, (n,)."""
    return np.asarray(np.exp(-xlog1py(multiplier.shape, expected / multiplier.rate)), dtype=np.float64)

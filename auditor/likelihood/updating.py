"""What logs say: levels that the site may have, a multiplier at each of them, Gamma before and after, and forecasts.

What a system's trip-days a year are is uncertain in two ways: the level of the site's supply, and a multiplier for
whatever else the model has wrong. At each level the multiplier is Gamma(a, a) with mean 1. After O observed trip-days,
where the model at that level expected E in the logged hours and under the settings then in force, it is
Gamma(a + O, a + E), and the level counts by how well it foretold O: negative binomial ([1]_). So a log that holds
little of the year's expectation moves little, whatever was uncertain before, and one level known for certain leaves the
plain Gamma-Poisson pair. Days without a log are no exposure: a silent gateway is not a quiet site.

References
----------
.. [1] C. L. Atwood et al., Handbook of Parameter Estimation for Probabilistic Risk Assessment, NUREG/CR-6823 (2003),
   6.2.2: the conjugate Gamma prior of a Poisson rate, and the predictive negative binomial.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import elementwise
from scipy.special import betainc, gammainc, gammaincinv, gammaln, xlog1py, xlogy

from auditor.likelihood.arrays import FloatArray

#: Levels that weigh less than this after the logs bound no quantile.
NEGLIGIBLE = 1e-12


@dataclass(frozen=True)
class Multiplier:
    """Gamma distributions of the multiplier: shape and rate, of one shape."""

    shape: FloatArray
    rate: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Mean of the multiplier."""
        return self.shape / self.rate

    def quantile(self, chance: float) -> FloatArray:
        """The multiplier that is not exceeded with this chance."""
        return np.asarray(gammaincinv(self.shape, chance), dtype=np.float64) / self.rate


def updated(prior: Multiplier, observed: FloatArray, expected: FloatArray) -> Multiplier:
    """Gamma(a + O, b + E): observed O and expected E in the logged hours [trip-days]."""
    return Multiplier(prior.shape + observed, prior.rate + expected)


def predicted_chance(multiplier: Multiplier, count: FloatArray, expected: FloatArray) -> FloatArray:
    """Chance of exactly `count` trip-days where the model expects `expected`: negative binomial ([1]_, 6.2.2).

    Γ(a+k)/(Γ(a)·k!) · (b/(b+E))ᵃ · (E/(b+E))ᵏ.
    """
    return np.asarray(np.exp(_log_predicted(multiplier, count, expected)), dtype=np.float64)


def _log_predicted(multiplier: Multiplier, count: FloatArray, expected: FloatArray) -> FloatArray:
    shape, odds = multiplier.shape, expected / multiplier.rate
    log_chance = gammaln(shape + count) - gammaln(shape) - gammaln(count + 1.0)
    return np.asarray(log_chance - xlog1py(shape + count, odds) + xlogy(count, odds), dtype=np.float64)


def predicted_none(multiplier: Multiplier, expected: FloatArray) -> FloatArray:
    """Chance of no trip-day, (b/(b+E))ᵃ."""
    return np.asarray(np.exp(-xlog1py(multiplier.shape, expected / multiplier.rate)), dtype=np.float64)


def predicted_so_many(multiplier: Multiplier, count: FloatArray, expected: FloatArray) -> FloatArray:
    """Chance of `count` trip-days or more: the negative binomial's tail, a regularized incomplete beta function."""
    share = expected / (multiplier.rate + expected)
    return np.where(count > 0, betainc(np.maximum(count, 1.0), multiplier.shape, share), 1.0)


@dataclass(frozen=True)
class Levels:
    """What the model says of systems at each level that their sites may have, all (n, k) but the weights.

    weight      (k,) of each level before the logs; they sum to one
    per_year    trip-days a year
    none_year, none_ahead   −log of the chance of none in a year, and in the coming days
    in_log      trip-days in the logged hours
    """

    weight: FloatArray
    per_year: FloatArray
    none_year: FloatArray
    none_ahead: FloatArray
    in_log: FloatArray


@dataclass(frozen=True)
class AfterLogs:
    """What the logs leave, all (n,).

    before      predictive mean of the trip-days a year before the logs
    expected    predictive mean of the trip-days in the logs, before them
    so_many     chance, before the logs, of as many trip-days in them as there were, or more
    mean, median, low, high   trip-days a year after the logs; low and high hold 80 %
    chance_year, chance_ahead   chances of at least one trip in a year and in the coming days, after the logs
    """

    before: FloatArray
    expected: FloatArray
    so_many: FloatArray
    mean: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray
    chance_year: FloatArray
    chance_ahead: FloatArray


def after_logs(levels: Levels, observed: FloatArray, shape: float) -> AfterLogs:
    """Update systems by their logs: observed (n,) [trip-days]; shape is that of the multiplier before them."""
    prior = Multiplier(np.full_like(levels.in_log, shape), np.full_like(levels.in_log, shape))
    count = observed[:, None]
    told = np.log(levels.weight) + _log_predicted(prior, count, levels.in_log)
    weight = np.exp(told - told.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    after = updated(prior, count, levels.in_log)

    def forecast(hazard: FloatArray) -> FloatArray:
        """Chance of at least one trip."""
        return np.asarray(1.0 - (weight * predicted_none(after, hazard)).sum(axis=1), dtype=np.float64)

    def before(values: FloatArray) -> FloatArray:
        """Mean over the levels before the logs."""
        return np.asarray((levels.weight * values).sum(axis=1), dtype=np.float64)

    return AfterLogs(
        before=before(levels.per_year),
        expected=before(levels.in_log),
        so_many=before(predicted_so_many(prior, count, levels.in_log)),
        mean=np.asarray((weight * levels.per_year * after.mean).sum(axis=1), dtype=np.float64),
        **{name: _quantile(chance, weight, after, levels.per_year)
           for name, chance in (("low", 0.1), ("median", 0.5), ("high", 0.9))},
        chance_year=forecast(levels.none_year),
        chance_ahead=forecast(levels.none_ahead),
    )  # fmt: skip


def _quantile(chance: float, weight: FloatArray, after: Multiplier, per_year: FloatArray) -> FloatArray:
    """Quantile (n,) of the mixture over levels of Gamma rates, by a bracketed root of its distribution [a year].

    It lies between the least and the largest of the levels' own.
    """
    own = np.log(after.quantile(chance) * per_year)
    counts = weight > NEGLIGIBLE
    low = np.where(counts, own, np.inf).min(axis=1) - 1e-9
    high = np.where(counts, own, -np.inf).max(axis=1) + 1e-9
    scale = after.rate / per_year

    def off(log_rate: FloatArray, row: FloatArray) -> FloatArray:
        at = row.astype(np.int64)
        below = gammainc(after.shape[at], scale[at] * np.exp(log_rate)[..., None])
        return np.asarray((weight[at] * below).sum(axis=-1) - chance, dtype=np.float64)

    rows = np.arange(low.size, dtype=np.float64)
    found = elementwise.find_root(off, (low, high), args=(rows,), tolerances={"xatol": 1e-7, "fatol": 1e-9})
    return np.asarray(np.exp(found.x), dtype=np.float64)

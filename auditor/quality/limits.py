"""Limits and tests of counts: funnel limits, overdispersion, control of false discoveries, intervals of shares.

Everything takes and returns arrays of equal shape. References:

[1] D. J. Spiegelhalter, Funnel plots for comparing institutional performance, Statist. Med. 24:1185-1202, 2005.
[2] F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28:437-442, 1936.
[3] E. B. Wilson, Probable inference, the law of succession, and statistical inference, JASA 22:209-212, 1927.
[4] Y. Benjamini, Y. Hochberg, Controlling the false discovery rate, JRSS-B 57:289-300, 1995; for providers of care:
    Jones, Ohlssen, Spiegelhalter, J. Clin. Epidemiol. 61:232-240, 2008.
[5] L. D. Brown, T. T. Cai, A. DasGupta, Interval estimation for a binomial proportion, Statist. Sci. 16:101-133, 2001.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used: they are slow to

Floats = npt.NDArray[np.float64]

#: Share of units that are drawn in at either end before their spread is measured [1].
WINSORISED = 0.1
#: Units from which overdispersion is told from a few that truly differ: a tenth at either end are two.
LEAST_UNITS = 20


def binomial_limit(share: npt.ArrayLike, count: npt.ArrayLike, tail: npt.ArrayLike) -> Floats:
    """The share of `count` cases below which a chance of `tail` lies when each fails with chance `share`.

    Exact binomial with interpolation between whole numbers [1, appendix]: r is the smallest number with F(r) >= tail,
    the limit (r - (F(r) - tail) / (F(r) - F(r - 1))) / count, never below 0. NaN where count is 0.
    """
    chance, cases, at = np.broadcast_arrays(*(np.asarray(x, float) for x in (share, count, tail)))
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = scipy.stats.binom.ppf(at, cases, chance)
        step = scipy.stats.binom.pmf(whole, cases, chance)
        part = (scipy.stats.binom.cdf(whole, cases, chance) - at) / step
        limit = np.maximum(whole - part, 0.0) / cases
    return np.asarray(np.where(cases > 0, limit, np.nan))


def poisson_interval(count: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """The exact interval of a Poisson mean of which `count` was seen [2], lower and upper end.

    Divided by an expected count it is the funnel limit of the ratio observed to expected at that expectation.
    """
    seen, tail = np.asarray(count, float), (1 - level) / 2
    low = np.where(seen > 0, scipy.stats.chi2.ppf(tail, 2 * np.maximum(seen, 1e-300)) / 2, 0.0)
    return np.asarray(low), np.asarray(scipy.stats.chi2.ppf(1 - tail, 2 * seen + 2) / 2)


def wilson(failed: npt.ArrayLike, count: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Wilson's interval of a share [3], lower and upper end; NaN where count is 0."""
    seen, cases = np.asarray(failed, float), np.asarray(count, float)
    z = scipy.stats.norm.ppf((1 + level) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = seen / cases
        middle = (share + z**2 / (2 * cases)) / (1 + z**2 / cases)
        half = z * np.sqrt(share * (1 - share) / cases + z**2 / (4 * cases**2)) / (1 + z**2 / cases)
    return np.maximum(middle - half, 0.0), np.minimum(middle + half, 1.0)


def jeffreys(failed: npt.ArrayLike, count: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """The equal-tailed Jeffreys interval of a share [5]; its lower end is 0 at none, its upper 1 at all.

    Counts need not be whole. NaN where count is 0.
    """
    seen, cases, tail = np.asarray(failed, float), np.asarray(count, float), (1 - level) / 2
    low = scipy.stats.beta.ppf(tail, seen + 0.5, cases - seen + 0.5)
    high = scipy.stats.beta.ppf(1 - tail, seen + 0.5, cases - seen + 0.5)
    known = cases > 0
    return (
        np.where(known, np.where(seen <= 0, 0.0, low), np.nan),
        np.where(known, np.where(seen >= cases, 1.0, high), np.nan),
    )


def exact_scores(failed: npt.ArrayLike, expected: npt.ArrayLike, count: npt.ArrayLike) -> Floats:
    """How far a count lies from its expectation, as a standard normal deviate; above 0 where more failed.

    From the doubled exact binomial tail of `count` cases with the mean chance expected/count. The chances of the cases
    differ, which makes their sum vary less than that (W. Hoeffding, Ann. Math. Statist. 27:713-721, 1956): the score
    errs towards 0. It is 0 where nothing can be told.
    """
    seen, mean, cases = np.broadcast_arrays(*(np.asarray(x, float) for x in (failed, expected, count)))
    chance = np.clip(np.divide(mean, cases, out=np.zeros_like(mean), where=cases > 0), 0.0, 1.0)
    above = scipy.stats.binom.sf(seen - 1, cases, chance)
    below = scipy.stats.binom.cdf(seen, cases, chance)
    tail = np.clip(np.minimum(above, below), 1e-300, 0.5)
    return np.asarray(np.where(seen > mean, 1.0, -1.0) * scipy.stats.norm.isf(tail))


def winsorised(scores: npt.ArrayLike, share: float = WINSORISED) -> Floats:
    """The scores with those beyond the quantiles `share` and 1 - `share` drawn in to them [1]."""
    held = np.asarray(scores, float)
    return np.clip(held, *np.quantile(held, [share, 1 - share])) if held.size else held


def overdispersion(scores: npt.ArrayLike, share: float = WINSORISED) -> float:
    """The mean square of winsorised scores [1]: 1 where units differ by chance alone; NaN of none."""
    held = winsorised(scores, share)
    return float(np.mean(held**2)) if held.size else float("nan")


def widening(scores: npt.ArrayLike) -> float:
    """The factor by which squared limits are widened: the overdispersion where it is beyond chance, else 1.

    Beyond chance is more than two standard deviations of the mean square above 1: 1 + 2 sqrt(2 / units) [1]. Of fewer
    than `LEAST_UNITS` it is 1: two that truly differ would pass for overdispersion, and hide each other.
    """
    units, spread = np.asarray(scores).size, overdispersion(scores)
    return spread if units >= LEAST_UNITS and spread > 1 + 2 * np.sqrt(2 / units) else 1.0


def widened(tail: npt.ArrayLike, spread: float) -> Floats:
    """The tail whose exact limit lies sqrt(spread) times as many deviates out as that of `tail`."""
    return np.asarray(scipy.stats.norm.cdf(np.sqrt(spread) * scipy.stats.norm.ppf(np.asarray(tail, float))))


def two_sided(scores: npt.ArrayLike) -> Floats:
    """The two-sided chance of a deviate at least so far out."""
    return np.asarray(np.minimum(2 * scipy.stats.norm.sf(np.abs(np.asarray(scores, float))), 1.0))


def false_discovery(chances: npt.ArrayLike) -> Floats:
    """The share of false alarms among units whose chance is no larger than each unit's own [4]."""
    held = np.asarray(chances, float)
    return np.asarray(scipy.stats.false_discovery_control(held)) if held.size else held

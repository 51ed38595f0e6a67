"""Counts over time: shares by period or cases between failures with their limits, and whether a rate changed.

References:

[1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2 (proportions control charts).
[2] J. C. Benneyan, Number-between g-type statistical quality control charts, Health Care Manag. Sci. 4:305-318, 2001.
[3] Western Electric, Statistical Quality Control Handbook, 1956: a point beyond three sigma; eight in a row on a side
    (of the median here, since counts are not symmetric about their mean).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt

import numpy as np
import numpy.typing as npt
import scipy  # its parts load when they are first used: they are slow to

from auditor.quality.limits import Floats, binomial_limit, widened

#: The chance beyond three sigma at one end.
THREE_SIGMA = erfc(3 / sqrt(2)) / 2
#: So many in a row on one side of the median are a signal [3].
IN_A_ROW = 8
BEYOND = "a point beyond the limits"
ROW = f"{IN_A_ROW} in a row on one side of the median"
#: Failures expected a period below which gaps between failures tell more than shares do [1: n p of about 5].
LEAST_EXPECTED = 5.0


def p_chart(share: npt.ArrayLike, count: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Three-sigma limits of the share of `count` cases by the normal approximation [1], within 0 and 1."""
    chance, cases = np.asarray(share, float), np.asarray(count, float)
    half = 3 * np.sqrt(chance * (1 - chance) / cases)
    return np.maximum(chance - half, 0.0), np.minimum(chance + half, 1.0)


def share_limits(expected: npt.ArrayLike, count: npt.ArrayLike, spread: float = 1.0) -> tuple[Floats, Floats]:
    """Limits of the share that fails in a period at three sigma, where so many of `count` are expected to.

    By `p_chart` where five or more are expected to fail and to pass, else by the exact binomial tails; widened by
    `spread`, the factor of overdispersion.
    """
    mean, cases = np.asarray(expected, float), np.asarray(count, float)
    chance = np.clip(np.divide(mean, cases, out=np.zeros_like(mean), where=cases > 0), 0.0, 1.0)
    low, high = p_chart(chance, cases / spread)
    tail = widened(THREE_SIGMA, spread)
    enough = np.minimum(mean, cases - mean) >= LEAST_EXPECTED
    return (
        np.where(enough, low, binomial_limit(chance, cases, tail)),
        np.where(enough, high, binomial_limit(chance, cases, 1 - tail)),
    )


def gaps(failed: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """How many cases passed before each failure since the one before; cases in their order of time."""
    at = np.flatnonzero(np.asarray(failed, bool))
    return np.diff(at, prepend=-1) - 1


def g_limit(mean_gap: npt.ArrayLike) -> Floats:
    """The upper limit of the cases between failures [2]: g + 3 sqrt(g (g + 1)); the lower one is 0."""
    mean = np.asarray(mean_gap, float)
    return np.asarray(mean + 3 * np.sqrt(mean * (mean + 1)))


def g_median(mean_gap: npt.ArrayLike) -> Floats:
    """The least gap that half of all gaps do not exceed at an unchanged rate: of a geometric count of this mean."""
    mean = np.asarray(mean_gap, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.ceil(np.log(0.5) / np.log(mean / (mean + 1)) - 1 - 1e-12)
    return np.asarray(np.where(mean > 0, whole, 0.0))


def count_median(expected: npt.ArrayLike, count: npt.ArrayLike) -> Floats:
    """The least number of failures that half of all such counts do not exceed, where so many of `count` are expected.

    Above it, and below it, a count lies with a chance of one half at most, however few are expected; below the mean of
    a small count it lies nearly always.
    """
    mean, cases = np.asarray(expected, float), np.asarray(count, float)
    chance = np.clip(np.divide(mean, cases, out=np.zeros_like(mean), where=cases > 0), 0.0, 1.0)
    return np.asarray(scipy.stats.binom.ppf(0.5, cases, chance))


def in_a_row(
    above: npt.ArrayLike, below: npt.ArrayLike, begins: npt.ArrayLike, length: int = IN_A_ROW
) -> npt.NDArray[np.bool_]:
    """Whether each point ends at least so many in a row above the median, or so many below it [3].

    `begins` is true where a new course begins, across which nothing is in a row.
    """
    runs = np.zeros(np.asarray(above).shape, int)
    places = np.arange(runs.size)
    for side in (np.asarray(above, bool), np.asarray(below, bool)):
        before = np.where(side, np.where(np.asarray(begins, bool), places - 1, -1), places)
        last_off = np.maximum.accumulate(before) if runs.size else places
        runs = np.maximum(runs, places - last_off)
    return np.asarray(runs >= length)


def g_beyond(mean_gap: npt.ArrayLike) -> Floats:
    """The chance that a gap lies beyond `g_limit` at an unchanged rate: of a geometric count, about 2 in 100."""
    mean = np.asarray(mean_gap, float)
    return np.asarray((mean / (mean + 1)) ** (np.floor(g_limit(mean)) + 1))


def false_signals(points: int, beyond: float = 2 * THREE_SIGMA) -> float:
    """The chance that of so many points in control one at least lies beyond limits: 1 - (1 - beyond)^points.

    `beyond` is that of one point, by default at three sigma: 0.0027.
    """
    return float(1 - (1 - beyond) ** points)


@dataclass(frozen=True)
class Changes:
    """For each unit: the period from which its ratio differs most from before (a place, 0 for none), and the chance.

    `before` and `after` are ratios of observed to expected.
    """

    at: npt.NDArray[np.int64]
    chance: Floats
    before: Floats
    after: Floats


def changes(observed: npt.ArrayLike, expected: npt.ArrayLike, count: npt.ArrayLike, spread: float = 1.0) -> Changes:
    """Look for one change over periods of each unit's odds of failing, against those that its case mix lets expect.

    All are units by periods: failures, what is expected, and cases. The smallest two-sided chance of `parting_tail` is
    multiplied by the number of places where the unit's periods can be parted (Bonferroni). `spread` widens by
    overdispersion.
    """
    seen, mean, cases = (np.atleast_2d(np.asarray(x, float)) for x in (observed, expected, count))
    at = np.zeros(seen.shape[0], np.int64)
    chance, before, after = np.ones(seen.shape[0]), np.full(seen.shape[0], np.nan), np.full(seen.shape[0], np.nan)
    for row in range(seen.shape[0]):
        held = np.flatnonzero(cases[row] > 0)
        if held.size < 2 or not 0 < seen[row].sum() < cases[row].sum():
            continue
        o, e, n = seen[row, held], mean[row, held], cases[row, held]
        tail = parting_tail(np.cumsum(o)[:-1], np.cumsum(e)[:-1], np.cumsum(n)[:-1], (o.sum(), e.sum(), n.sum()))
        score = -scipy.special.ndtri(np.clip(tail, 1e-300, 0.5)) / np.sqrt(spread)
        best = int(np.argmax(score))
        at[row] = held[best + 1]
        chance[row] = min(2 * scipy.special.ndtr(-score[best]) * score.size, 1.0)
        before[row] = o[: best + 1].sum() / e[: best + 1].sum()
        after[row] = o[best + 1 :].sum() / e[best + 1 :].sum()
    return Changes(at, chance, before, after)


def parting_tail(seen: Floats, mean: Floats, cases: Floats, total: tuple[float, float, float]) -> Floats:
    """The smaller tail of the failures before each parting of a unit's cases, given how many of all its cases fail.

    `seen`, `mean` and `cases` are failures, expectation and cases before each parting, `total` those of the unit. Given
    the total, failures before are noncentral hypergeometric (R. A. Fisher, J. R. Statist. Soc. 98:39-82, 1935) with the
    odds ratio that is expected between before and after; any multiple of the unit's own odds drops out.
    """
    failed, mean_all, all_cases = total
    first = np.clip(mean / cases, 1e-9, 1 - 1e-9)
    second = np.clip((mean_all - mean) / (all_cases - cases), 1e-9, 1 - 1e-9)
    odds = scipy.special.logit(first) - scipy.special.logit(second)
    x = np.arange(failed + 1)[None, :]
    n, m = cases[:, None], (all_cases - cases)[:, None]
    possible = (x <= n) & (failed - x <= m)
    with np.errstate(invalid="ignore"):
        weight = x * odds[:, None] + _log_ways(n, x) + _log_ways(m, failed - x)
    weight = np.where(possible, weight, -np.inf)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    up = (weight * (x >= seen[:, None])).sum(axis=1)
    return np.asarray(np.minimum(up, (weight * (x <= seen[:, None])).sum(axis=1)))


def _log_ways(n: Floats, k: Floats) -> Floats:
    """The logarithm of n over k."""
    return np.asarray(
        scipy.special.gammaln(n + 1) - scipy.special.gammaln(k + 1) - scipy.special.gammaln(np.maximum(n - k, 0) + 1)
    )

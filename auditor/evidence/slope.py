"""What the voltage gains from full sun: clear against dull days at the same time of day and of year.

The sun's and the voltage's own course over the day and the year must not be taken for each other. Both are therefore
reduced by their mean over the days of a month at the same quarter of an hour, and the slope is taken on what is left.
Its standard error sums the scores of a day and lets days near each other be alike [1]_. What is left of a month sums to
nothing, which hides a share of the variance; it is given back (`hidden_share`).

References
----------
.. [1] W. K. Newey and K. D. West, "A simple, positive semi-definite, heteroskedasticity and autocorrelation consistent
   covariance matrix", Econometrica 55, 703-708 (1987), eq. 5: weights 1 − l/(L + 1) of lag l.
"""

from __future__ import annotations

import numpy as np

from auditor.evidence.series import DAY_S, Series, month_of
from auditor.likelihood.arrays import FloatArray, IntArray

#: A slope needs so many days with sun, and this spread of the sun around its mean [share of rated].
FEWEST_DAYS, LEAST_SPREAD = 10, 0.03
#: Days further apart than this are taken as independent [days].
ALIKE_DAYS = 10
#: The share of a variance that is given back at most.
MOST_HIDDEN = 0.7
QUARTER_S = 900


def sun_slope(series: Series) -> tuple[float, float]:
    """Slope on the sun [% of nominal at full sun] and its standard error; NaN where the readings cannot tell.

    The sun of the series must be known.
    """
    weight = series.duration_s.astype(np.float64)
    cell = (month_of(series.days) * (DAY_S // QUARTER_S))[series.row] + series.within_s // QUARTER_S
    x, y = _less_mean(series.sun, cell, weight), _less_mean(series.v_pct, cell, weight)
    lit = series.sun > 0.0
    sunny = int(np.count_nonzero(np.bincount(series.row[lit])))
    total = float(np.sum(weight * x * x))
    if sunny < FEWEST_DAYS or np.sqrt(total / np.sum(weight[lit])) < LEAST_SPREAD:
        return np.nan, np.nan
    slope = float(np.sum(weight * x * y)) / total
    scores = np.bincount(series.row, weights=weight * x * (y - slope * x)).astype(np.float64)
    variance = variance_of_sum(series.days, scores) / (1.0 - hidden_share(series.days))
    return slope, float(np.sqrt(variance)) / total


def _less_mean(values: FloatArray, cell: IntArray, weight: FloatArray) -> FloatArray:
    """Values less the mean of their cell."""
    total, whole = np.bincount(cell, weights=weight * values), np.bincount(cell, weights=weight)
    return np.asarray(values - (total / np.where(whole > 0.0, whole, 1.0))[cell], dtype=np.float64)


def variance_of_sum(day: IntArray, scores: FloatArray) -> float:
    """Variance of a sum of scores, one a day, that fade with the days between them ([1]_, eq. 5)."""
    first = int(day[0])
    filled = np.zeros(int(day[-1]) - first + 1)
    filled[day - first] = scores
    total = float(np.sum(filled * filled))
    for lag in range(1, min(ALIKE_DAYS, filled.size - 1) + 1):
        total += 2.0 * float(taper(np.array(lag))) * float(np.sum(filled[lag:] * filled[:-lag]))
    return max(total, 0.0)


def taper(apart: IntArray) -> FloatArray:
    """Weight of two days that lie `apart` days from each other ([1]_, eq. 5)."""
    return np.asarray(np.maximum(1.0 - apart / (ALIKE_DAYS + 1.0), 0.0), dtype=np.float64)


def hidden_share(days: IntArray) -> float:
    """Share of the variance of a sum that deviations from their month's mean do not show.

    For independent days x with the mean of their month's n taken off, E Σᵢⱼ w(i − j)·xᵢxⱼ falls short by the mean of w
    over the month's pairs, 1/n where only a day itself counts. Averaged over the months by their days.
    """
    month = month_of(days)
    total = 0.0
    for each in np.unique(month):
        of_month = days[month == each]
        total += float(taper(np.abs(of_month[:, None] - of_month[None, :])).sum()) / of_month.size
    return min(total / days.size, MOST_HIDDEN)

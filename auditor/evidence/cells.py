"""Level and mean by month and hour of the voltage without sun, and how far the level is known.

What lies above the prior's mean by month and hour is taken apart into a level, months, hours and single cells,

  z(day, hour) = level + month + hour + cell + noise,

each part but the level held towards zero by the spread that it is assumed to have (best linear prediction, [1]_). A
month or hour without readings thus keeps the prior's shape, at the level that the other months tell.

References
----------
.. [1] G. K. Robinson, "That BLUP is a good thing", Statistical Science 6, 15-32 (1991): with one factor, a group's
   mean of n values times n/(n + s²/τ²).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.evidence.series import Series, month_of
from auditor.evidence.slope import ALIKE_DAYS, hidden_share, taper
from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, MONTHS, Supply
from auditor.likelihood.sky import MONTH_LENGTH

#: Share of the year of each month, (12,).
MONTH_SHARE = MONTH_LENGTH / MONTH_LENGTH.sum()
#: Hours in which systems produce and trip; the level counts over them [hour of day].
DAYTIME = slice(7, 18)
#: Fewer days than this tell nothing about the spread from day to day; the prior's stands in.
FEWEST_DAYS = 10
#: How much the assumed spread of months counts against what the readings show, in months.
ASSUMED_MONTHS = 3.0
#: Passes over months and hours; they settle within a few.
PASSES = 30


@dataclass(frozen=True)
class Spreads:
    """How far a site's supply is assumed to differ from the prior's shape, standard deviations [% of nominal].

    month_pct   a month's mean from the prior's season
    hour_pct    an hour's mean over the year from the prior's course of the day; a single cell's likewise, where fewer
                than 24 cells are seen
    """

    month_pct: float = 0.5
    hour_pct: float = 0.3


@dataclass(frozen=True)
class Level:
    """What `level_of` finds.

    level_pct, level_se_pct   annual mean without sun, and standard error over the hours of DAYTIME [% of nominal]
    dev_pct     (12, 24) mean by month and hour less the level [% of nominal]
    days_seen   (12, 24) days with readings in each cell; where 0, dev_pct keeps the prior's shape
    mean_pct    (288,) plain mean of each cell with readings, else NaN [% of nominal]
    """

    level_pct: float
    level_se_pct: float
    dev_pct: FloatArray
    days_seen: IntArray
    mean_pct: FloatArray


@dataclass(frozen=True)
class _Hours:
    """Hourly means by day, all (n,): the date's row, month, hour, and what lies above the prior's shape."""

    date: IntArray
    month: IntArray
    hour: IntArray
    above_pct: FloatArray


def level_of(series: Series, beta_pct: float, prior: Supply, spreads: Spreads) -> Level:
    """Level, mean by month and hour, and standard error; beta_pct is taken off with the sun, NaN takes off nothing."""
    if series.second.size == 0:
        none = np.full(MONTHS * HOURS, np.nan)
        return Level(np.nan, np.nan, prior.dev_pct, np.zeros((MONTHS, HOURS), dtype=np.int64), none)
    off = 0.0 if np.isnan(beta_pct) else beta_pct * np.where(np.isfinite(series.sun), series.sun, 0.0)
    days, seen, hours = _hourly(series, series.v_pct - off, prior)
    at = hours.month * HOURS + hours.hour
    month, hour, noise = _parts(hours, seen, prior, spreads)
    rest = hours.above_pct - month[hours.month] - hour[hours.hour]
    cell = _cells(rest - _daily(rest, hours.date)[hours.date], rest, at, seen, spreads)
    here = seen.sum(axis=1) > 0
    share = MONTH_SHARE * here / MONTH_SHARE[here].sum()
    level = float(np.sum(share * month))
    shape = prior.dev_pct + np.where(here, month - level, 0.0)[:, None] + hour[None, :] + cell
    shift = float(np.sum(MONTH_SHARE[:, None] * shape)) / HOURS
    mean = np.bincount(at, weights=hours.above_pct, minlength=MONTHS * HOURS) / np.maximum(seen.ravel(), 1)
    return Level(
        level_pct=level + shift,
        level_se_pct=_level_se(days, rest, hours, month, seen, noise, spreads),
        dev_pct=np.asarray(shape - shift, dtype=np.float64),
        days_seen=seen,
        mean_pct=np.where(seen.ravel() > 0, mean + prior.dev_pct.ravel(), np.nan),
    )


def _hourly(series: Series, v_pct: FloatArray, prior: Supply) -> tuple[IntArray, IntArray, _Hours]:
    """Dates, days seen in each cell (12, 24), and hourly means less the prior's shape."""
    weight = series.duration_s.astype(np.float64)
    place = series.row * HOURS + series.hour
    whole = np.bincount(place, weights=weight)
    keys = np.flatnonzero(whole)
    mean = np.bincount(place, weights=weight * v_pct)[keys] / whole[keys]
    date, hour = keys // HOURS, keys % HOURS
    month = month_of(series.days)[date]
    at = month * HOURS + hour
    seen = np.bincount(at, minlength=MONTHS * HOURS).reshape(MONTHS, HOURS)
    return series.days, seen, _Hours(date, month, hour, mean - prior.dev_pct.ravel()[at])


def _parts(hours: _Hours, seen: IntArray, prior: Supply, spreads: Spreads) -> tuple[FloatArray, FloatArray, float]:
    """Months with the level in them (12,), hours (24,), and the variance of an hour around them."""
    table = np.bincount(hours.month * HOURS + hours.hour, weights=hours.above_pct, minlength=MONTHS * HOURS)
    table = table.reshape(MONTHS, HOURS)
    by_month, by_hour = seen.sum(axis=1), seen.sum(axis=0)
    month, hour = np.zeros(MONTHS), np.zeros(HOURS)
    noise = prior.sigma_pct**2 + prior.day_pct**2
    for number in range(PASSES):
        month = (table - seen * hour).sum(axis=1) / np.maximum(by_month, 1)
        if number == PASSES // 2:
            rest = hours.above_pct - month[hours.month] - hour[hours.hour]
            noise = float(np.mean(rest * rest)) if by_month.sum() >= FEWEST_DAYS * 4 else noise
        held = noise / max(spreads.hour_pct**2, 1e-12)
        hour = (table - seen * month[:, None]).sum(axis=0) / (by_hour + held)
        hour = np.where(by_hour > 0, hour - hour[by_hour > 0].mean(), 0.0)
    # a month of few days is held towards the mean of the others
    here = by_month > 0
    days = _days_of_month(hours)
    mean = float(np.sum(days * month) / days.sum())
    held = (prior.sigma_pct**2 + prior.day_pct**2) / max(spreads.month_pct**2, 1e-12)
    return np.where(here, mean + (month - mean) * days / (days + held), 0.0), hour, noise


def _days_of_month(hours: _Hours) -> FloatArray:
    """Days with readings in each month, (12,)."""
    first = np.flatnonzero(np.diff(hours.date, prepend=-1))
    return np.bincount(hours.month[first], minlength=MONTHS).astype(np.float64)


def _daily(values: FloatArray, date: IntArray) -> FloatArray:
    """Mean of each date, (dates,)."""
    return np.asarray(np.bincount(date, weights=values) / np.bincount(date), dtype=np.float64)


def _cells(within: FloatArray, rest: FloatArray, at: IntArray, seen: IntArray, spreads: Spreads) -> FloatArray:
    """What single cells add to their month and hour, (12, 24); τ² by moments where enough cells are seen."""
    count = seen.ravel().astype(np.float64)
    here = count > 0
    found = np.bincount(at, weights=rest, minlength=count.size) / np.maximum(count, 1.0)
    noise = float(np.mean(within * within))
    spread = spreads.hour_pct**2
    if here.sum() >= HOURS and count[here].mean() >= 2.0:
        spread = max(float(np.mean(found[here] ** 2 - noise / count[here])), 0.0)
    kept = count * spread / np.maximum(count * spread + noise, 1e-12)
    return (found * kept * here).reshape(seen.shape)


def _level_se(
    days: IntArray, rest: FloatArray, hours: _Hours, month: FloatArray, seen: IntArray, noise: float, spreads: Spreads
) -> float:
    """Standard error of the level: days alike within a month, months not seen, hours of the day not seen.

    The months' own spread τ² is what the seen months show, with the assumed one counted as ASSUMED_MONTHS of them. An
    unseen month adds τ² by its share of the year, and the seen ones stand for it with an error of their own.
    """
    daily, of_month = _daily(rest, hours.date), month_of(days)
    count = np.bincount(of_month, minlength=MONTHS).astype(np.float64)
    here = count > 0
    alike = _alike(days, daily, of_month, count, noise)
    each = np.array([_mean_variance(days[of_month == m], alike) if here[m] else 0.0 for m in range(MONTHS)])
    share = MONTH_SHARE * here / MONTH_SHARE[here].sum()
    shown = float(np.sum((month[here] - month[here].mean()) ** 2))
    spread = (ASSUMED_MONTHS * spreads.month_pct**2 + shown) / (ASSUMED_MONTHS + here.sum() - 1.0)
    unseen = float(MONTH_SHARE[~here].sum())
    months = spread * (float(np.sum(MONTH_SHARE[~here] ** 2)) + unseen**2 * float(np.sum(share**2)))
    by_hour = seen.sum(axis=0)[DAYTIME] > 0
    dark = spreads.hour_pct * (1.0 - float(by_hour.mean()))
    return float(np.sqrt(np.sum(share**2 * each) + months + dark**2))


def _alike(days: IntArray, daily: FloatArray, of_month: IntArray, count: FloatArray, noise: float) -> FloatArray:
    """Covariance of daily means by days between them, (ALIKE_DAYS + 1,), tapered; from all months together."""
    found = np.zeros(ALIKE_DAYS + 1)
    if days.size < FEWEST_DAYS:
        found[0] = noise
        return found
    mean = np.bincount(of_month, weights=daily, minlength=MONTHS) / np.maximum(count, 1.0)
    left = (daily - mean[of_month]) / np.sqrt(1.0 - hidden_share(days))
    first = int(days[0])
    filled = np.full(int(days[-1]) - first + 1, np.nan)
    filled[days - first] = left
    for lag in range(ALIKE_DAYS + 1):
        both = filled[lag:] * filled[: filled.size - lag]
        pairs = int(np.isfinite(both).sum())
        if pairs >= FEWEST_DAYS:
            found[lag] = float(taper(np.array(lag))) * float(np.nansum(both)) / pairs
    return found


def _mean_variance(days: IntArray, alike: FloatArray) -> float:
    """Variance of the mean over these days, at least that of independent days."""
    apart = np.abs(days[:, None] - days[None, :])
    total = float(np.where(apart < alike.size, alike[np.minimum(apart, alike.size - 1)], 0.0).sum())
    return max(total, float(alike[0]) * days.size) / days.size**2

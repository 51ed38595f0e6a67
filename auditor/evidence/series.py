"""Readings as they come, the reasons why some are left out, and the series by day that is left."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import lcm

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, MONTHS

#: Lengths of an interval that a fit takes [s].
SHORTEST_S, LONGEST_S = 60, 900
#: A mean outside is no supply that runs: an outage, or a wrong unit [% of nominal].
PLAUSIBLE_PCT = (70.0, 130.0)
#: A maximum may lie so far above its mean [% of nominal].
PLAUSIBLE_PEAK_PCT = 30.0
#: The longest block that readings are averaged over to make whole slots [s].
LONGEST_BLOCK_S = 3600
DAY_S = 86_400


@dataclass(frozen=True)
class Readings:
    """Voltage readings of one place and leg, all (n,), in any order; NaN where a value is missing.

    start       when the interval begins, in the zone's standard time all year
    duration_s  its length, 60 to 900 [s]
    mean_pct    mean voltage [% of nominal across the unit]
    max_pct     highest voltage within the interval [% of nominal], None where the meter tells none
    own_output  own output [share of rated, 0 to 1], None where it is not known at all
    sun         output that the sun would have allowed [share of rated], where trips or curtailment keep the own output
                below it, or before there was a system; None takes the own output, if it is ever above nothing
    leg         which leg or pair was read; None for one leg
    """

    start: npt.NDArray[np.datetime64]
    duration_s: FloatArray
    mean_pct: FloatArray
    max_pct: FloatArray | None = None
    own_output: FloatArray | None = None
    sun: FloatArray | None = None
    leg: npt.NDArray[np.str_] | None = None


@dataclass(frozen=True)
class Series:
    """Readings that are used, in order of time, all (n,).

    second      start, since 1970 in local standard time [s]
    duration_s  [s]
    v_pct       mean voltage without own rise [% of nominal]
    peak_pct    maximum less mean [% of nominal], NaN where unknown
    sun         output that the sun allows, NaN throughout where unknown
    """

    second: IntArray
    duration_s: IntArray
    v_pct: FloatArray
    peak_pct: FloatArray
    sun: FloatArray

    @cached_property
    def day(self) -> IntArray:
        """Days since 1970, (n,)."""
        return self.second // DAY_S

    @cached_property
    def _by_day(self) -> tuple[IntArray, IntArray]:
        return distinct(self.day)

    @property
    def days(self) -> IntArray:
        """The days that were read, in order, (days,)."""
        return self._by_day[0]

    @property
    def row(self) -> IntArray:
        """Place in `days` of each reading's day, (n,)."""
        return self._by_day[1]

    @cached_property
    def within_s(self) -> IntArray:
        """Start since midnight, (n,) [s]."""
        return self.second - self.day * DAY_S

    @property
    def hour(self) -> IntArray:
        """Hour of day in which the middle of the interval lies, (n,)."""
        hour = (self.within_s + self.duration_s // 2) // 3600
        return np.where(hour < HOURS, hour, hour - HOURS)

    @property
    def has_sun(self) -> bool:
        """Whether the sun is known."""
        return bool(np.isfinite(self.sun).any())


def distinct(ordered: IntArray) -> tuple[IntArray, IntArray]:
    """The distinct values of an array that is in order, and the place of each of its values among them (n,)."""
    first = np.ones(ordered.size, dtype=np.bool_)
    first[1:] = ordered[1:] != ordered[:-1]
    return ordered[first], np.cumsum(first) - 1


def month_of(day: IntArray) -> IntArray:
    """Month of each day since 1970, 0 to 11."""
    return np.asarray(day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % MONTHS)


def usable(readings: Readings, own_rise_pct: float) -> tuple[Series, dict[str, int]]:
    """The series without own rise, and how many readings are left out for which reason.

    own_rise_pct is the rise from the source to the place of the readings at rated output [% of nominal]; NaN where it
    is unknown, and only readings without own output are then used. Raises ValueError on shapes that do not fit and on
    several legs at once.
    """
    _check(readings)
    second = _seconds(readings.start)
    own = np.zeros(second.size) if readings.own_output is None else readings.own_output
    own_pct = np.where(own == 0.0, 0.0, own * own_rise_pct)
    reasons = _reasons(readings, second, own_rise_pct)
    left_out: dict[str, int] = {}
    keep = np.ones(second.size, dtype=np.bool_)
    for reason, faulty in reasons:
        left_out[reason] = int(np.sum(keep & faulty))
        keep &= ~faulty
    order = np.argsort(np.where(keep, second, np.iinfo(np.int64).max), kind="stable")[: int(keep.sum())]
    twice = np.zeros(order.size, dtype=np.bool_)
    twice[1:] = second[order][1:] < (second + readings.duration_s.astype(np.int64))[order][:-1]
    left_out["begins within another reading"] = int(twice.sum())
    order = order[~twice]
    sun = own if readings.sun is None else readings.sun
    unknown = readings.sun is None and not np.any(own > 0.0)
    top = np.full(second.size, np.nan) if readings.max_pct is None else readings.max_pct
    peak = top - readings.mean_pct
    peak = np.where((peak >= 0.0) & (peak <= PLAUSIBLE_PEAK_PCT), peak, np.nan)
    series = Series(
        second=second[order],
        duration_s=readings.duration_s[order].astype(np.int64),
        v_pct=(readings.mean_pct - own_pct)[order],
        peak_pct=peak[order],
        sun=np.full(order.size, np.nan) if unknown else sun[order],
    )
    return series, {reason: count for reason, count in left_out.items() if count}


def _seconds(start: npt.NDArray[np.datetime64]) -> IntArray:
    return np.asarray(start.astype("datetime64[s]").astype(np.int64))


def _check(readings: Readings) -> None:
    """Raise ValueError where the columns do not fit together."""
    columns = (
        readings.duration_s,
        readings.mean_pct,
        readings.max_pct,
        readings.own_output,
        readings.sun,
        readings.leg,
    )
    if readings.start.ndim != 1 or any(c is not None and c.shape != readings.start.shape for c in columns):
        raise ValueError("readings need one value for each time")
    if readings.leg is not None and np.unique(readings.leg).size > 1:
        raise ValueError("readings of several legs: fit each leg by itself")


def _reasons(readings: Readings, second: IntArray, own_rise_pct: float) -> list[tuple[str, BoolArray]]:
    """Reasons to leave readings out with the readings concerned, the first that holds counts."""
    low, high = PLAUSIBLE_PCT
    none = np.zeros(second.size, dtype=np.bool_)
    own, sun = readings.own_output, readings.sun
    no_output = none if own is None else ~((own >= 0.0) & (own <= 1.0 + 1e-9))
    no_sun = none if sun is None else ~((sun >= 0.0) & (sun <= 1.0 + 1e-9))
    rising = none
    if own is None and own_rise_pct != 0.0:
        no_output = ~none
    elif own is not None and np.isnan(own_rise_pct):
        rising = own != 0.0
    length = readings.duration_s
    whole = (length >= SHORTEST_S) & (length <= LONGEST_S) & (length == np.floor(length))
    plausible = (readings.mean_pct >= low) & (readings.mean_pct <= high)
    return [
        ("no time", np.isnat(readings.start)),
        (f"not {SHORTEST_S} to {LONGEST_S} s long", ~whole),
        ("no voltage", ~np.isfinite(readings.mean_pct)),
        (f"voltage outside {low:g} to {high:g} % of nominal", ~plausible),
        ("own output not known", no_output),
        ("own rise not known", rising),
        ("sun not known", no_sun),
    ]


@dataclass(frozen=True)
class Blocks:
    """Means over whole blocks of slots in a grid of days, (days, blocks a day), NaN where not whole.

    day        (days,) days since 1970
    slots      slots in a block
    v_pct      mean voltage without own rise; sun likewise
    peak_pct   maximum of the block less its mean, NaN where a reading of it has none
    """

    day: IntArray
    slots: int
    v_pct: FloatArray
    peak_pct: FloatArray
    sun: FloatArray


def blocks_of(series: Series, slot_s: float) -> Blocks | None:
    """The readings of the most common length, averaged to the shortest block of whole slots that they divide.

    None where that block is longer than an hour or does not divide the day, or where there are no readings.
    """
    if series.second.size == 0:
        return None
    counts = np.bincount(series.duration_s)
    length = int(np.argmax(counts * np.arange(counts.size)))
    block = lcm(length, round(slot_s))
    if block > LONGEST_BLOCK_S or DAY_S % block or slot_s != round(slot_s):
        return None
    chosen = series.duration_s == length
    v_pct = series.v_pct[chosen]
    days, row = distinct(series.day[chosen])
    place = row * (DAY_S // block) + series.within_s[chosen] // block
    shape = (days.size, DAY_S // block)
    seen = np.bincount(place, minlength=shape[0] * shape[1])
    whole = seen == block // length

    def mean(values: FloatArray) -> FloatArray:
        total = np.bincount(place, weights=values, minlength=whole.size)
        return np.where(whole, total / np.maximum(seen, 1), np.nan).reshape(shape)

    top = np.full(whole.size, -np.inf)
    peak = series.peak_pct[chosen]
    np.maximum.at(top, place, np.where(np.isnan(peak), np.inf, v_pct + peak))
    v = mean(v_pct)
    above = np.where(whole & np.isfinite(top), top, np.nan).reshape(shape) - v
    return Blocks(days, block // round(slot_s), v, above, mean(series.sun[chosen]))

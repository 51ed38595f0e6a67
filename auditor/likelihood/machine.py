"""The running, tripped, waiting chain of a unit over a day, solved as a distribution over states and voltage nodes.

The state at the start of a slot is what the unit does (never tripped today, running again, ramping, waiting with so
much of the delay left) and the node of the AR(1). Within the slot the unit settles on its droops, may trip, may be
under the return ceiling or not; then the voltage moves on. Nothing is drawn at random.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, MONTHS, DayShapes, Profile, Supply
from auditor.likelihood.settle import settled
from auditor.likelihood.slot import (
    COUNTS,
    LOST,
    OVER,
    TRIPS,
    Part,
    Points,
    Setting,
    Slot,
    off_voltage,
    one_slot,
    setting_of,
    share_under,
    top_voltage,
)

#: Points times day shapes that are solved side by side: enough to hide what a step costs, few enough to stay near the
#: processor.
TOGETHER = 768


@dataclass(frozen=True)
class DayResults:
    """What one day of each shape holds at each point.

    tripped    (shapes, p) chance of at least one trip
    trips, episodes            (shapes, p) expected number
    lost_h, curtailed_h        (shapes, p) output lost to trips, waiting, ramps and cessation, and to volt-watt, in
    hours
                               at rated output [h]
    over_h     (shapes, p) hours in which the unit's mean voltage would lie above the first threshold if it never
               tripped [h]
    ceased_h   (shapes, p) hours in cessation [h]
    by_hour    (12, 24, p) expected trips a year by month and hour
    """

    tripped: FloatArray
    trips: FloatArray
    episodes: FloatArray
    lost_h: FloatArray
    curtailed_h: FloatArray
    over_h: FloatArray
    ceased_h: FloatArray
    by_hour: FloatArray


def solve_days(
    profile: Profile, supply: Supply, shapes: DayShapes, points: Points, finer: float = 1.0, *, over: bool = True
) -> DayResults:
    """Solve each day shape at each point; finer divides the node spacing; over_h stays zero without `over`.

    Raises ValueError where a ten-minute rule meets slots that are neither five nor ten minutes long.
    """
    setting = setting_of(profile, supply, finer)
    count, size = shapes.output.shape[0], points.level_pct.shape[0]
    hours = (np.arange(shapes.output.shape[1]) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    found = np.zeros((len(COUNTS), count, size))
    by_hour = np.zeros((MONTHS, HOURS, size))
    together = max(1, TOGETHER // max(size, 1))
    for start in range(0, count, together):
        days = slice(start, min(start + together, count))
        here = days.stop - days.start
        each = Points(*(np.tile(v, here) for v in (points.level_pct, points.rise_pct, points.beta_pct)))
        dev = supply.dev_pct[shapes.month[days]][:, hours]
        by_day, counts = _solve_together(setting, each, _slots(shapes.output[days], dev, hours, size), over)
        found[:, days] = counts.reshape(len(COUNTS), here, size)
        weighted = shapes.days[days, None] * by_day.reshape(HOURS, here, size)
        for k in range(here):
            by_hour[shapes.month[start + k]] += weighted[:, k]
    tripped, trips, episodes, lost_h, curtailed_h, over_h, ceased_h = found
    return DayResults(tripped, trips, episodes, lost_h, curtailed_h, over_h, ceased_h, by_hour)


def _slots(output: FloatArray, dev_pct: FloatArray, hours: IntArray, size: int) -> list[Slot]:
    """The slots from the first to the last with any output; output and dev_pct (days, slots), `size` points each."""
    bright = output > 0.0
    lit = np.logical_or.accumulate(bright, axis=1) & np.logical_or.accumulate(bright[:, ::-1], axis=1)[:, ::-1]
    return [
        Slot(
            index=int(index),
            hour=int(hours[index]),
            output=np.repeat(output[:, index], size),
            dev_pct=np.repeat(dev_pct[:, index], size),
            lit=np.repeat(lit[:, index], size),
        )
        for index in np.nonzero(lit.any(axis=0))[0]
    ]


def _solve_together(setting: Setting, points: Points, slots: list[Slot], over: bool) -> tuple[FloatArray, FloatArray]:
    """Walk through the days side by side: trips by hour (24, p), and the counts in the order of `DayResults` (7, p).

    A point takes part from the slot in which anything first becomes possible: until then its state is the stationary
    one. It leaves when its day's output ends.
    """
    size = points.level_pct.shape[0]
    found, by_hour = np.zeros((len(COUNTS), size)), np.zeros((HOURS, size))
    asleep = np.arange(size)
    part = Part(setting, points, asleep[:0])
    for slot in slots:
        if over:
            found[OVER] += _share_over_first(setting, points, slot)
        wakes = slot.lit[asleep] & setting.may_act(top_voltage(setting, points, asleep, slot))
        if wakes.any():
            part = part.joined(Part(setting, points, asleep[wakes]))
            asleep = asleep[~wakes]
        if not slot.lit[part.index].all():
            part.kept(slot.lit[part.index])
        if part.index.size:
            counts = one_slot(setting, part, slot)
            found[:, part.index] += counts
            by_hour[slot.hour, part.index] += counts[TRIPS]
    found[LOST:] *= setting.slot_s / 3600.0
    return by_hour, found


def _share_over_first(setting: Setting, points: Points, slot: Slot) -> FloatArray:
    """Chance that the unit's mean voltage, were it never to trip, lies above the first threshold in this slot, (p,)."""
    share = np.zeros(points.level_pct.shape[0])
    first = setting.profile.first_pct
    top_v = top_voltage(setting, points, np.arange(share.size), slot)
    concerned = np.nonzero(slot.lit & (top_v > first - setting.chain.spacing_pct))[0]
    if concerned.size:
        off_v = off_voltage(setting, points, concerned, slot)
        v_pct, _ = settled(off_v, points.rise_pct[concerned, None], slot.output[concerned, None], setting.profile)
        over = 1.0 - share_under(first - v_pct, setting.chain.spacing_pct)
        share[concerned] = (over * setting.chain.start).sum(axis=1)
    return share

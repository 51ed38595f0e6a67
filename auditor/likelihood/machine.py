"""The running, tripped, waiting chain of a unit over a day, solved as a distribution over states and voltage nodes.

The state at the start of a slot is what the unit does (never tripped today, running again, ramping, waiting with so
much of the delay left) and the node of the AR(1). Within the slot the unit settles on its droops, may trip, may be
under the return ceiling or not; then the voltage moves on. Nothing is drawn at random.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray
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


def solve_days(profile: Profile, supply: Supply, shapes: DayShapes, points: Points, finer: float = 1.0) -> DayResults:
    """Solve each day shape at each point; finer divides the node spacing.

    Raises ValueError where a ten-minute rule meets slots that are neither five nor ten minutes long.
    """
    setting = setting_of(profile, supply, finer)
    count, size = shapes.output.shape[0], points.level_pct.shape[0]
    found = np.zeros((7, count, size))
    by_hour = np.zeros((MONTHS, HOURS, size))
    for day in range(count):
        month = int(shapes.month[day])
        slots = _slots_of_day(shapes.output[day], supply, month)
        hours, found[:, day] = _solve_day(setting, points, slots)
        by_hour[month] += float(shapes.days[day]) * hours
    tripped, trips, episodes, lost_h, curtailed_h, over_h, ceased_h = found
    return DayResults(tripped, trips, episodes, lost_h, curtailed_h, over_h, ceased_h, by_hour)


def _slots_of_day(output: FloatArray, supply: Supply, month: int) -> list[Slot]:
    """The slots from the first to the last with output."""
    lit = np.nonzero(output > 0.0)[0]
    if lit.size == 0:
        return []
    hours = (np.arange(output.size) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    return [
        Slot(int(index), int(hours[index]), float(output[index]), float(supply.dev_pct[month, hours[index]]))
        for index in range(int(lit[0]), int(lit[-1]) + 1)
    ]


def _solve_day(setting: Setting, points: Points, slots: list[Slot]) -> tuple[FloatArray, FloatArray]:
    """Walk through one day: trips by hour (24, p), and the counts in the order of `DayResults` (7, p).

    A point takes part from the slot in which anything first becomes possible: until then its state is the stationary
    one.
    """
    size = points.level_pct.shape[0]
    found, by_hour = np.zeros((len(COUNTS), size)), np.zeros((HOURS, size))
    asleep = np.arange(size)
    part = Part(setting, points, asleep[:0])
    for slot in slots:
        found[OVER] += _share_over_first(setting, points, slot)
        wakes = setting.may_act(top_voltage(setting, points, asleep, slot))
        if wakes.any():
            part = part.joined(Part(setting, points, asleep[wakes]))
            asleep = asleep[~wakes]
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
    concerned = np.nonzero(top_v > first - setting.chain.spacing_pct)[0]
    if concerned.size:
        off_v = off_voltage(setting, points, concerned, slot)
        v_pct, _ = settled(off_v, points.rise_pct[concerned, None], slot.output, setting.profile)
        over = 1.0 - share_under(first - v_pct, setting.chain.spacing_pct)
        share[concerned] = (over * setting.chain.start).sum(axis=1)
    return share

"""Trips, episodes and losses as ratios to the headline and to the figures without a chain.

The whole machine is solved on some of the day shapes, on fewer margins, and on nodes of its own: whether a unit can
return at once depends on the own rise alone, as a trip happens at the threshold and the voltage without own output then
lies lower by the own rise, over or under the return ceiling.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.block import Block
from auditor.likelihood.grid import APART, Nodes, around_jump
from auditor.likelihood.inputs import DayShapes, Profile, Supply
from auditor.likelihood.lines import blurred, to_log
from auditor.likelihood.machine import solve_days
from auditor.likelihood.slot import Points
from auditor.likelihood.static import static_hours
from auditor.likelihood.year import Year, pairs

#: Finished axes of the ratios, straight lines between [% of nominal]; the own rise also around the distance from the
#: return ceiling to the first threshold.
OWN_FINE_PCT = (*np.linspace(0.0, 8.0, 21).tolist(), 9.0, 11.0, 13.0)
AROUND_FINE_PCT = tuple(np.linspace(-0.7, 1.7, 13).tolist())
BETA_FINE_PCT = np.array([0.0, 0.4, 1.0, 2.0, 3.5])
#: Where trip-days or hours a year are fewer than this, the ratios of the next margin hold.
TOO_RARE = 1e-3


def some_days(shapes: DayShapes, count: int) -> DayShapes:
    """So many day shapes that stand for all: the middle one of each stratum of Σf⁴, which goes with trips.

    Strata hold even shares of the year's Σf⁴; each stands for the days of its own. All shapes where count is 0.
    """
    if count == 0 or shapes.days.size <= count:
        return shapes
    power = (shapes.output**4).sum(axis=1)
    order = np.argsort(power, kind="stable")
    weight = np.cumsum((shapes.days * power)[order])
    if weight[-1] <= 0.0:
        return shapes
    middle = weight - 0.5 * (shapes.days * power)[order]
    stratum = np.minimum((middle / weight[-1] * count).astype(np.int64), count - 1)
    chosen, days = [], []
    for number in np.unique(stratum):
        rows = order[stratum == number]
        half = np.searchsorted(np.cumsum(shapes.days[rows]), 0.5 * shapes.days[rows].sum())
        chosen.append(int(rows[min(int(half), rows.size - 1)]))
        days.append(float(shapes.days[rows].sum()))
    return DayShapes(shapes.output[chosen], shapes.month[chosen], np.array(days))


def ratio_block(profile: Profile, supply: Supply, shapes: DayShapes, year: Year, nodes: Nodes, finer: float) -> Block:
    """RATIOS of the table, in the margin of trips."""
    own_pct, beta_pct = nodes.ratio_own_pct, nodes.ratio_beta_pct
    own, beta, low = pairs(profile, nodes, own_pct, beta_pct, year.weight)
    hours = static_hours(profile, supply, shapes, own, beta, low, nodes.spacing_pct, nodes.count)[1:, :, ::-1]
    trip_days = np.stack([year.at(nodes, *pair) for pair in zip(own.tolist(), beta.tolist(), strict=True)])
    ratios = _solved(profile, supply, some_days(shapes, nodes.days), nodes, (own, beta, low), trip_days, finer)
    bases = np.stack([trip_days, trip_days, trip_days, *to_log(hours)])
    logs = np.stack([_spread(bases, ratios, spread / nodes.spacing_pct) for spread in nodes.ratio_spreads_pct])
    shape = (len(nodes.ratio_spreads_pct), len(bases), len(own_pct), len(beta_pct), nodes.count)
    logs = np.moveaxis(logs.reshape(shape), 1, -1)
    own_axis, beta_axis = np.array(own_pct), np.array(beta_pct)
    if nodes.between:
        fine = _own_fine(profile)
        logs = PchipInterpolator(own_axis, logs, axis=1)(fine)
        logs = PchipInterpolator(np.log1p(beta_axis), logs, axis=2)(np.log1p(BETA_FINE_PCT))
        own_axis, beta_axis = fine, BETA_FINE_PCT
    single = np.ascontiguousarray(logs, dtype=np.float32)
    return Block(single, np.array(nodes.ratio_spreads_pct), own_axis, beta_axis, APART, year.weight, nodes.soft_pct2)


def _own_fine(profile: Profile) -> FloatArray:
    """Own rises of the finished block [% of nominal]."""
    around = around_jump(profile, AROUND_FINE_PCT)
    between = (own for own in around if OWN_FINE_PCT[0] < own < OWN_FINE_PCT[-1])
    return np.asarray(sorted({*OWN_FINE_PCT, *between}), dtype=np.float64)


def _spread(bases: FloatArray, ratios: FloatArray, sd_cells: float) -> FloatArray:
    """Logs of the ratios of means over a level of this spread: bases and ratios (5, q, m) are logs at a known level."""
    return to_log(blurred(bases + ratios, sd_cells)) - to_log(blurred(bases, sd_cells))


def _solved(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    nodes: Nodes,
    lines: tuple[FloatArray, FloatArray, FloatArray],
    trip_days: FloatArray,
    finer: float,
) -> FloatArray:
    """Logs of the ratios at a known level, (5, q, m); lines are own rise, sun and lowest level of each pair (q,).

    trip_days (q, m) are logs of a year's trip-days.
    """
    own, beta, low = lines
    place = np.arange(nodes.count, dtype=np.int64)[:: nodes.ratio_step]
    spacing, size = nodes.spacing_pct, place.size
    level = low[:, None] + spacing * (nodes.count - 1 - place)
    wanted = (trip_days[:, place] > np.log(TOO_RARE)).ravel()
    points = Points(level.ravel()[wanted], np.repeat(own, size)[wanted], np.repeat(beta, size)[wanted])
    found = solve_days(profile, supply, shapes, points, finer, over=False)
    names = ("tripped", "trips", "episodes", "lost_h", "ceased_h", "curtailed_h")
    sums = np.zeros((len(names), own.size * size))
    sums[:, wanted] = [(shapes.days[:, None] * getattr(found, name)).sum(axis=0) for name in names]
    tripped, trips, episodes, lost_h, ceased_h, curtailed_h = sums.reshape(len(names), own.size, size)
    static = static_hours(profile, supply, shapes, own, beta, low, spacing, nodes.count)[1:, :, ::-1]
    above = (trips, episodes, lost_h - ceased_h, ceased_h, curtailed_h)
    below = (tripped, tripped, tripped, *static[:, :, place])
    return np.stack([_filled(a, b, place, nodes.count) for a, b in zip(above, below, strict=True)])


def _filled(above: FloatArray, below: FloatArray, place: IntArray, count: int) -> FloatArray:
    """Logs of above/below (q, some margins) on all margins, (q, m); held where too rare to have a ratio."""
    whole = np.zeros((above.shape[0], count))
    for row, (a, b) in enumerate(zip(above, below, strict=True)):
        good = (b > TOO_RARE) & (a > 0.0)
        if good.sum() > 1:
            there = np.clip(np.arange(count), place[good][0], place[good][-1])
            whole[row] = PchipInterpolator(place[good], np.log(a[good] / b[good]))(there)
        elif good.any():
            whole[row] = float(np.log(a[good] / b[good])[0])
    return whole

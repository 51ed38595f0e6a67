"""A year's trip-days, chances and hours along the margin, with the level's spread, as blocks of a table."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.block import Block
from auditor.likelihood.grid import (
    ALIKE,
    APART,
    MOST_OWN_PCT,
    Nodes,
    has_droop,
    output_at_trip,
    own_acts,
    trip_weight,
)
from auditor.likelihood.inputs import MONTHS, DayShapes, Profile, Supply
from auditor.likelihood.lines import blurred, chance_of, log_hazard_of, to_log
from auditor.likelihood.static import static_hours
from auditor.likelihood.survival import Lines, day_chances

#: Finished axes, evenly spaced in log(1 + rise), straight lines between.
FINE_PCT = np.expm1(np.linspace(0.0, np.log1p(MOST_OWN_PCT), 39))
FINE_OWN_PCT = np.expm1(np.linspace(0.0, np.log1p(MOST_OWN_PCT), 18))
FINE_BETA_PCT = np.expm1(np.linspace(0.0, np.log1p(6.0), 12))


@dataclass(frozen=True)
class Year:
    """A year with the level known, on the nodes of own rise and neighbours' sun.

    trip_days   (u, h, m) log of the trip-days a year
    hazard      (12, u, h, m) log of −log(1 − chance of a trip on a day), with the day effect, by month
    month_days  (12,) days a year in each month
    day_pct     the day effect [% of nominal]
    acts, weight   how the own rise acts on trips, and its weight in their margin
    """

    trip_days: FloatArray
    hazard: FloatArray
    month_days: FloatArray
    day_pct: float
    acts: int
    weight: float

    def at(self, nodes: Nodes, own_pct: float, beta_pct: float) -> FloatArray:
        """Logs of the trip-days along the margin at one place, (m,)."""
        own = own_pct if self.acts == APART else 0.0
        beta = own_pct + beta_pct if self.acts == ALIKE else beta_pct
        logs = along(self.trip_days, nodes.own_pct, np.array([own]), 0)
        return np.asarray(along(logs, nodes.beta_pct, np.array([beta]), 1)[0, 0], dtype=np.float64)


def along(logs: FloatArray, nodes_pct: tuple[float, ...], places_pct: FloatArray, axis: int) -> FloatArray:
    """Cubic splines over log(1 + rise) along one axis, held beyond its ends."""
    if len(nodes_pct) == 1:
        return np.repeat(logs, places_pct.size, axis=axis)
    held = np.clip(places_pct, nodes_pct[0], nodes_pct[-1])
    if len(nodes_pct) == places_pct.size and np.array_equal(held, nodes_pct):
        return logs
    return np.asarray(CubicSpline(np.log1p(nodes_pct), logs, axis=axis)(np.log1p(held)), dtype=np.float64)


def solved_year(profile: Profile, supply: Supply, shapes: DayShapes, nodes: Nodes, finer: float) -> Year:
    """Solve the days of all shapes for the never-tripped state."""
    weight = trip_weight(profile, supply)
    own, beta, low = pairs(profile, nodes, nodes.own_pct, nodes.beta_pct, weight)
    lines = Lines(own, beta, low, nodes.cells, nodes.count)
    rising = day_chances(profile, supply, shapes, lines, nodes.spacing_pct, finer)
    shape = (len(nodes.own_pct), len(nodes.beta_pct), nodes.count)
    chance = rising[..., ::-1].reshape(-1, *shape)
    month_days = shapes.month_days()
    by_month = np.zeros((MONTHS, *shape))
    np.add.at(by_month, shapes.month, chance * shapes.days[:, None, None, None])
    year = to_log(by_month.sum(axis=0))
    by_month /= np.maximum(month_days, 1e-9)[:, None, None, None]
    hazard = log_hazard_of(blurred(log_hazard_of(by_month), supply.day_pct / nodes.spacing_pct, chance_of))
    return Year(year, hazard, month_days, supply.day_pct, own_acts(profile, supply), weight)


def pairs(
    profile: Profile, nodes: Nodes, own_pct: tuple[float, ...], beta_pct: tuple[float, ...], weight: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Each pair of own rise and neighbours' sun, and the lowest level of its line, each (u·h,) [% of nominal]."""
    own, beta = (grid.ravel() for grid in np.meshgrid(own_pct, beta_pct, indexing="ij"))
    return own, beta, profile.first_pct - nodes.margin_pct[-1] - beta - weight * own


def spread_over(logs: FloatArray, spreads: tuple[float, ...], nodes: Nodes) -> FloatArray:
    """Logs of the means over a level of each spread, (s, …, m)."""
    return np.stack([to_log(blurred(logs, spread / nodes.spacing_pct)) for spread in spreads])


def mean_block(year: Year, nodes: Nodes) -> Block:
    """Trip-days a year."""
    logs = spread_over(year.trip_days, nodes.spreads_pct, nodes)[..., None]
    return finished(logs, nodes, (nodes.spreads_pct, nodes.own_pct, nodes.beta_pct), year.acts, year.weight)


def chance_block(year: Year, nodes: Nodes, window_days: FloatArray) -> Block:
    """Chances of at least one trip in a year and in the coming days: the mean over sites of the product over days."""
    hazard = np.exp(year.hazard)
    sums = [(days[:, None, None, None] * hazard).sum(axis=0) for days in (year.month_days, window_days)]
    logs = to_log(np.stack(sums, axis=-2))
    found = [log_hazard_of(blurred(logs, spread / nodes.spacing_pct, chance_of)) for spread in nodes.chance_spreads_pct]
    axes = (nodes.chance_spreads_pct, nodes.own_pct, nodes.beta_pct)
    block = finished(np.swapaxes(np.stack(found), -1, -2), nodes, axes, year.acts, year.weight)
    return replace(block, soft_pct2=block.soft_pct2 + year.day_pct**2)


Axes = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


def finished(logs: FloatArray, nodes: Nodes, axes: Axes, acts: int, weight: float) -> Block:
    """A block (s, u, h, m, columns) on the finished axes, from the axes of spread, own rise and sun [% of nominal]."""
    spread, own, beta = (np.array(axis) for axis in axes)
    if nodes.between:
        if acts == APART:
            logs, own = along(logs, axes[1], FINE_OWN_PCT, 1), FINE_OWN_PCT
        fine = FINE_BETA_PCT if acts == APART else FINE_PCT
        logs, beta = along(logs, axes[2], fine, 2), fine
    return Block(np.ascontiguousarray(logs, dtype=np.float32), spread, own, beta, acts, weight, nodes.soft_pct2)


def over_block(profile: Profile, supply: Supply, shapes: DayShapes, nodes: Nodes) -> Block:
    """Hours over the first threshold, and in cessation, were the unit never to trip."""
    alike = not has_droop(profile)
    weight = 1.0 if alike else output_at_trip(profile)
    return _static_block(
        profile, supply, shapes, nodes, ALIKE if alike else APART, weight, (0, 1) if profile.ceases else (0,)
    )


def curtailed_block(profile: Profile, supply: Supply, shapes: DayShapes, nodes: Nodes) -> Block | None:
    """Hours at rated output that volt-watt takes, were the unit never to trip; its margin holds all of the own rise."""
    if profile.volt_watt is None:
        return None
    return _static_block(profile, supply, shapes, nodes, APART, 1.0, (2,))


def _static_block(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    nodes: Nodes,
    acts: int,
    weight: float,
    columns: tuple[int, ...],
) -> Block:
    """Some of the figures of `static_hours` as a block."""
    own_pct, beta_pct = nodes.static_axes(acts)
    own, beta, low = pairs(profile, nodes, own_pct, beta_pct, weight)
    rising = static_hours(profile, supply, shapes, own, beta, low, nodes.spacing_pct, nodes.count)
    hours = rising[list(columns), :, ::-1].reshape(len(columns), len(own_pct), len(beta_pct), nodes.count)
    logs = np.moveaxis(spread_over(to_log(hours), nodes.spreads_pct, nodes), 1, -1)
    return finished(logs, nodes, (nodes.spreads_pct, own_pct, beta_pct), acts, weight)

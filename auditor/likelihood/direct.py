"""A handful of systems solved directly, each at its own place and on all day shapes, without a table between."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.grid import nodes_at
from auditor.likelihood.inputs import DayShapes, Profile, Supply, Systems
from auditor.likelihood.machine import solve_days
from auditor.likelihood.results import SystemResults, most_sensitive_unit, system_results, true_voltage
from auditor.likelihood.slot import Points
from auditor.likelihood.table import make_table
from auditor.likelihood.units import QUANTILES, unit_at

#: Nodes of the trapezoid rule over the spread of the level, and how far they reach [standard deviations].
LEVELS, REACH_SD = 31, 4.5


def solve_one(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    systems: Systems,
    window_days: FloatArray,
    band_edges: tuple[float, ...],
) -> SystemResults:
    """The columns of `system_results` for a few systems, one at a time; no assumption is moved.

    window_days (12,) are the days of the coming 30 in each month [days]; band_edges are as there.
    """
    found = [
        _solved(profile, supply, shapes, _row(systems, row), window_days, band_edges) for row in range(systems.size)
    ]
    missing = {field.name: np.isnan(getattr(systems, field.name)) for field in fields(Systems)}
    return SystemResults(
        columns={name: np.concatenate([one.columns[name] for one in found]) for name in found[0].columns},
        band=np.concatenate([one.band for one in found]),
        most_sensitive_input=np.concatenate([one.most_sensitive_input for one in found]),
        missing={name: absent for name, absent in missing.items() if absent.any()},
    )


def _row(systems: Systems, row: int) -> Systems:
    """One of the systems."""
    return Systems(**{field.name: getattr(systems, field.name)[row : row + 1] for field in fields(Systems)})


def _solved(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    system: Systems,
    window_days: FloatArray,
    band_edges: tuple[float, ...],
) -> SystemResults:
    """One system in a table that holds just the places it asks for."""
    known = Systems(**{field.name: np.nan_to_num(getattr(system, field.name)) for field in fields(Systems)})
    places = (most_sensitive_unit(shapes.trip_output(), known), true_voltage(shapes.trip_output(), known))
    sites = tuple(float(place.site_pct[0]) for place in places)
    spreads = (0.0, *sites, *(float(np.sqrt(site**2 + supply.day_pct**2)) for site in sites))
    service, wiring, target = (float(v[0]) for v in (known.service_pct, known.wiring_pct, known.target_pct))
    rise, beta = float(places[0].rise_pct[0]), float(known.beta_pct[0])
    relieved = not profile.ceases and profile.delay_s >= supply.slot_s
    on = [float(unit_at(q, known.units, known.sensing_pct, relieved)[1][0]) for q in QUANTILES]
    loss_rises = (rise, *(rise * share for share in on))
    trip_rises = (0.0, service, wiring, service + min(wiring, target), *loss_rises)
    nodes = nodes_at(profile, supply, trip_rises, (0.0, beta), spreads, (loss_rises, (beta,)), ratio_step=2)
    return system_results(make_table(profile, supply, shapes, window_days, nodes), system, band_edges)


def month_by_hour(profile: Profile, supply: Supply, shapes: DayShapes, systems: Systems, row: int) -> FloatArray:
    """Expected trips a year of one system by month and hour of day, (12, 24), with day effect and site."""
    place = most_sensitive_unit(shapes.trip_output(), _row(systems, row))
    spread = float(np.hypot(place.site_pct[0], supply.day_pct))
    z = np.linspace(-REACH_SD, REACH_SD, LEVELS) if spread > 0.0 else np.zeros(1)
    weight = np.exp(-0.5 * z * z)
    rise, beta = (np.full(z.size, float(values[0])) for values in (place.rise_pct, place.beta_pct))
    points = Points(float(place.level_pct[0]) + spread * z, rise, beta)
    by_hour = solve_days(profile, supply, shapes, points).by_hour
    return np.asarray((by_hour * weight).sum(axis=-1) / weight.sum(), dtype=np.float64)

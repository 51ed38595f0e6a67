"""How far interpolation in a table is from solving the machine at the place itself."""

from __future__ import annotations

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.grid import nodes_at
from auditor.likelihood.inputs import DayShapes, Profile, Supply
from auditor.likelihood.lookup import Places, loss_results, lost_hours, trip_results
from auditor.likelihood.table import Table, make_table

Results = dict[str, FloatArray]
#: Answers from this many a year on are judged: trip-days, trips, episodes, hours; chances from a hundredth on.
JUDGED_FROM, CHANCE_FROM = 1.0, 0.01
#: Figures that ride on the trip-days are judged up to this many a year: beyond, a unit trips all day long.
ON_TRIP_DAYS, JUDGED_TO = ("trips", "episodes", "lost_h"), 300.0
#: How much finer the voltage nodes of the direct solution are.
FINER = 4.0 / 3.0


def interpolation_error(
    table: Table, profile: Profile, supply: Supply, shapes: DayShapes, rise_beta_pct: tuple[tuple[float, float], ...]
) -> dict[str, float]:
    """Largest relative errors at places between all nodes, by name of the result.

    For each pair of own rise and neighbours' sun [% of nominal] all day shapes are solved afresh by the whole machine
    at exactly that pair, with margins and voltage nodes closer together, and compared at margins and spreads of the
    site between the table's. "mean" is the trip-days.
    """
    worst: dict[str, float] = {}
    spreads = _between_sites(table)
    weight = table.mean.weight
    middle = table.low_pct + table.spacing_pct * np.asarray(np.arange(2, table.count - 3) + 0.5, dtype=np.float64)
    for rise, beta in rise_beta_pct:
        with_day = tuple(float(np.hypot(spread, table.day_pct)) for spread in spreads)
        nodes = nodes_at(profile, supply, (rise,), (beta,), spreads + with_day, ((rise,), (beta,)), FINER)
        direct = make_table(profile, supply, shapes, np.full(12, 2.5), nodes, FINER)
        level = table.first_pct - middle - beta - weight * rise
        for site in spreads:
            at = Places(level, np.full(level.size, rise), np.full(level.size, beta), np.full(level.size, site))
            _compare(worst, _answers(table, at), _answers(direct, at))
    return worst


def _answers(table: Table, at: Places) -> Results:
    return {**trip_results(table, at), **loss_results(table, at), "lost_h": lost_hours(table, at)}


def _compare(worst: dict[str, float], ours: Results, theirs: Results) -> None:
    """Raise the worst relative errors where the direct answer is large enough to be judged."""
    for name, direct in theirs.items():
        judged = direct >= (CHANCE_FROM if name.startswith("chance") else JUDGED_FROM)
        if name in ON_TRIP_DAYS:
            judged &= theirs["mean"] <= JUDGED_TO
        if judged.any():
            error = float(np.abs(ours[name][judged] / direct[judged] - 1.0).max())
            worst[name] = max(worst.get(name, 0.0), error)


def _between_sites(table: Table) -> tuple[float, ...]:
    """Spreads of the site's level half-way between those of the table, by every second of them."""
    nodes = table.mean.spread_pct
    return tuple(float(middle) for middle in (0.5 * (nodes[1:] + nodes[:-1]))[::2])

"""How far interpolation in a table is from solving the machine at the place itself."""

from __future__ import annotations

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import DayShapes, Profile, Supply
from auditor.likelihood.lookup import Places, loss_results, trip_results
from auditor.likelihood.table import Nodes, Table, make_table

Results = dict[str, FloatArray]
#: Answers from this many a year on are judged: trip-days, trips, hours lost at rated output.
JUDGED_FROM = 1.0


def interpolation_error(
    table: Table, profile: Profile, supply: Supply, shapes: DayShapes, rise_beta_pct: tuple[tuple[float, float], ...]
) -> dict[str, float]:
    """Largest relative errors at places between all nodes, from one a year on: "mean", "trips" and "lost_h".

    For each pair of own rise and neighbours' sun [% of nominal] the machine is solved afresh at exactly that pair, on
    half the spacing of the margin and three quarters of the voltage nodes' spacing, and compared at margins and site
    spreads between the table's. "mean" is the trip-days.
    """
    nodes = table.nodes
    half = nodes.spacing_pct / 2.0
    middle = nodes.margin_pct[2:-3] + half
    worst = {"mean": 0.0, "trips": 0.0, "lost_h": 0.0}
    for rise, beta in rise_beta_pct:
        level = table.first_pct - middle - beta - table.weight_at_trip * rise
        for off in {False, table.trips_off}:
            own = 0.0 if off else rise
            sun = own + beta
            place = Nodes((sun,), (own / sun if sun > 0.0 else 0.0,), nodes.low_pct, half, 2 * nodes.count - 1)
            direct = make_table(profile, supply, shapes, np.zeros(12), place, finer=4.0 / 3.0)
            judged = _judged(table.trips_off, off)
            for site in table.site_pct:
                spread = _between_sites(table, site)
                at = Places(level, np.full(level.size, rise), np.full(level.size, beta), np.full(level.size, spread))
                _compare(worst, judged, _answers(table, at), _answers(direct, at))
    return worst


def _answers(table: Table, at: Places) -> Results:
    return {**trip_results(table, at), **loss_results(table, at)}


def _judged(trips_off: bool, off: bool) -> tuple[str, ...]:
    """What a direct solution with or without the own rise can judge: a profile that ceases trips without it."""
    if not trips_off:
        return ("mean", "trips", "lost_h")
    return ("mean", "trips") if off else ("lost_h",)


def _compare(worst: dict[str, float], names: tuple[str, ...], ours: Results, theirs: Results) -> None:
    """Raise the worst relative errors where the direct answer is one or more."""
    for name in names:
        judged = theirs[name] >= JUDGED_FROM
        if judged.any():
            error = float(np.abs(ours[name][judged] / theirs[name][judged] - 1.0).max())
            worst[name] = max(worst[name], error)


def _between_sites(table: Table, site: float) -> float:
    """A spread of the site's level half-way to the table's next one."""
    above = table.site_pct[table.site_pct > site]
    return site if above.size == 0 else 0.5 * (site + float(above[0]))

"""What event logs make of the trip columns of systems that share a table.

The figures after the logs stand in the place of those before, which are kept beside. What goes with trips is scaled by
what the trip-days changed by: trips, episodes, what trips lose, what the wiring target would save. Hours over the
threshold, cessation, curtailment and headroom stay: a log of trips says little of them.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.inputs import MONTHS, Systems
from auditor.likelihood.logged import NODES_SD, Logs, after_each_log, levels_of
from auditor.likelihood.lookup import Places
from auditor.likelihood.results import most_sensitive_unit
from auditor.likelihood.table import Table, hazard_block
from auditor.likelihood.updating import AfterLogs
from auditor.trips.tables import Wanted

#: Columns of systems with a log; null for others.
LOG_FIGURES = (
    "logged_days", "logged_trip_days", "expected_trip_days_in_log", "chance_of_so_many_in_log", "log_multiplier",
    "log_multiplier_low", "log_multiplier_high", "trip_days_per_year_before_logs",
    "trip_days_per_year_median_before_logs", "trip_days_per_year_low_before_logs",
    "trip_days_per_year_high_before_logs", "trip_chance_year_before_logs", "trip_chance_30d_before_logs",
)  # fmt: skip
#: What is replaced, and kept under its name with this behind it.
REPLACED = (
    "trip_days_per_year", "trip_days_per_year_median", "trip_days_per_year_low", "trip_days_per_year_high",
    "trip_chance_year", "trip_chance_30d",
)  # fmt: skip
BEFORE = "_before_logs"
#: Chance of at least so many trip-days as the log holds, by the model before the log.
CHANCE = "chance_of_so_many_in_log"
SCALED = ("trips_per_year", "episodes_per_year", "lost_kwh_per_year", "trip_days_saved_at_target")
MOST_DAYS = 365.0

Columns = dict[str, FloatArray]


def with_logs(
    columns: Columns,
    table: Table,
    wanted: Wanted,
    systems: Systems,
    logs: Logs,
    window_days: FloatArray,
    prior_shape: float,
) -> Columns:
    """The columns (n,) after the logs, with LOG_FIGURES; a system without a log has NaN for `observed`.

    window_days (12,) are the coming days in each month [days].
    """
    found = columns | {name: np.full(systems.size, np.nan) for name in LOG_FIGURES}
    known = ~np.isnan(logs.observed) & ~np.isnan(columns["trip_days_per_year"])
    if logs.in_log is not None:
        known &= ~np.isnan(logs.in_log[:, 0])
    rows = np.flatnonzero(known)
    if not rows.size:
        return found
    places, hazard = _places(table, systems, rows), hazard_block(table, wanted.profile, wanted.supply)
    after = after_each_log(table, hazard, places, logs.some(rows), window_days, prior_shape)
    for name, values in _replaced(columns, rows, after).items():
        found[name] = found[name].copy()
        found[name][rows] = values
    return found


def expected_with_logs(
    columns: Columns,
    table: Table,
    wanted: Wanted,
    systems: Systems,
    logs: Logs,
    window_days: FloatArray,
    prior_shape: float,
) -> Columns:
    """The columns of `with_logs` for those that are given, and no others."""
    absent = dict.fromkeys({*REPLACED, *SCALED} - set(columns), np.full(systems.size, np.nan))
    found = with_logs(columns | absent, table, wanted, systems, logs, window_days, prior_shape)
    return {name: found[name] for name in columns}


def expected_in_logs(table: Table, wanted: Wanted, systems: Systems, logs: Logs) -> FloatArray:
    """What was to be expected in the logs at each level of the site, (n, k) [trip-days]; NaN without a log."""
    found = np.full((systems.size, NODES_SD.size), np.nan)
    rows = np.flatnonzero(~np.isnan(logs.observed))
    if rows.size:
        places, hazard = _places(table, systems, rows), hazard_block(table, wanted.profile, wanted.supply)
        found[rows] = levels_of(table, hazard, places, logs.some(rows), np.zeros(MONTHS)).in_log
    return found


def _places(table: Table, systems: Systems, rows: IntArray) -> Places:
    """Where the unit of some systems stands that trips first."""
    some = Systems(**{field.name: getattr(systems, field.name)[rows] for field in fields(Systems)})
    return most_sensitive_unit(table.trip_output, some)


def _replaced(columns: Columns, rows: IntArray, after: AfterLogs) -> Columns:
    """New values of the rows with a log.

    The levels' own mean differs from the table's by what interpolation costs; the table's counts.
    """
    held = {name: columns[name][rows] for name in (*REPLACED, *SCALED)}
    before = held["trip_days_per_year"]
    scale = np.where(before > 0.0, before / after.before, 1.0)
    mean, median, low, high = (
        np.minimum(values * scale, MOST_DAYS) for values in (after.mean, after.median, after.low, after.high)
    )
    times = after.mean / after.before
    return {
        **{name + BEFORE: held[name] for name in REPLACED},
        "trip_days_per_year": mean,
        "trip_days_per_year_median": median,
        "trip_days_per_year_low": low,
        "trip_days_per_year_high": high,
        "trip_chance_year": after.chance_year,
        "trip_chance_30d": after.chance_ahead,
        **{name: held[name] * times for name in SCALED},
        "expected_trip_days_in_log": after.expected * scale,
        "chance_of_so_many_in_log": np.minimum(after.so_many, 1.0),
        "log_multiplier": times,
        "log_multiplier_low": after.low / after.before,
        "log_multiplier_high": after.high / after.before,
    }

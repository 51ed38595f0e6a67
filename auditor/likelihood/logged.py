"""Systems with a log: what the table says of them at each level that the site may have, and what the log leaves.

The level runs over the site's normal spread on evenly spaced nodes. A day of a month trips with the month's chance, by
the table's own hazards, which hold the day effect; a log's expectation is that chance times its days in the month.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.block import Block
from auditor.likelihood.inputs import MONTHS
from auditor.likelihood.lookup import Places, month_hazards
from auditor.likelihood.table import Table
from auditor.likelihood.updating import AfterLogs, Levels, after_logs

#: Nodes over the site's level, in standard deviations; a trapezoid rule.
NODES_SD = np.linspace(-5.0, 5.0, 51)
#: Systems worked out at a time, which bounds the memory.
CHUNK = 2_048


@dataclass(frozen=True)
class Logs:
    """What the logs of systems hold: observed (n,) [trip-days], logged_days (n, 12) by month [days].

    in_log (n, k) is what was to be expected at each of NODES_SD of the site's level [trip-days], where the systems
    stood otherwise while their logs were kept; None where they stood as they do.
    """

    observed: FloatArray
    logged_days: FloatArray
    in_log: FloatArray | None = None

    def some(self, rows: IntArray) -> Logs:
        """The logs of some of the systems."""
        in_log = None if self.in_log is None else self.in_log[rows]
        return Logs(self.observed[rows], self.logged_days[rows], in_log)


def after_each_log(
    table: Table, hazard: Block, places: Places, logs: Logs, window_days: FloatArray, shape: float
) -> AfterLogs:
    """What logs leave of the trip-days of systems.

    `hazard` is the table's `hazard_block`, window_days (12,) the coming days in each month [days], shape that of the
    multiplier before the logs.
    """
    parts = []
    for start in range(0, max(logs.observed.size, 1), CHUNK):
        rows = np.arange(start, min(start + CHUNK, logs.observed.size))
        cut = Places(*(getattr(places, field.name)[rows] for field in fields(Places)))
        levels = levels_of(table, hazard, cut, logs.some(rows), window_days)
        parts.append(after_logs(levels, logs.observed[rows], shape))
    return AfterLogs(
        **{field.name: np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(AfterLogs)}
    )


def levels_of(table: Table, hazard: Block, places: Places, logs: Logs, window_days: FloatArray) -> Levels:
    """The model at each level that the sites may have; arguments as of `after_each_log`."""
    assert table.month_days is not None, "a table of the headline holds no months"
    size, count = places.level_pct.size, NODES_SD.size

    def each(values: FloatArray) -> FloatArray:
        return np.repeat(values, count)

    level = (places.level_pct[:, None] + places.site_pct[:, None] * NODES_SD).ravel()
    there = Places(level, each(places.rise_pct), each(places.beta_pct), np.zeros(level.size))
    hazards = month_hazards(table, hazard, there).reshape(MONTHS, size, count)
    chances = -np.expm1(-hazards)
    per_year, in_log, none_year, none_ahead = (np.zeros((size, count)) for _ in range(4))
    for month in range(MONTHS):
        per_year += table.month_days[month] * chances[month]
        in_log += logs.logged_days[:, month, None] * chances[month]
        none_year += table.month_days[month] * hazards[month]
        none_ahead += window_days[month] * hazards[month]
    weight = np.exp(-0.5 * NODES_SD**2)
    expected = in_log if logs.in_log is None else logs.in_log
    return Levels(weight / weight.sum(), per_year, none_year, none_ahead, expected)

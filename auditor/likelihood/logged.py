"""Systems with a log: what the table says of them at each level that the site may have, and what the log leaves.

The level runs over the site's normal spread on evenly spaced nodes. A day of a month trips with the month's chance, by
the table's own hazards, which hold the day effect; a log's expectation is that chance times its days in the month.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.block import Block
from auditor.likelihood.inputs import MONTHS
from auditor.likelihood.lookup import Places, month_hazards
from auditor.likelihood.sky import MONTH_LENGTH
from auditor.likelihood.table import Table
from auditor.likelihood.updating import AfterLogs, Levels, after_logs

#: Nodes over the site's level, in standard deviations; a trapezoid rule.
NODES_SD = np.linspace(-5.0, 5.0, 51)
#: Systems worked out at a time, which bounds the memory.
CHUNK = 2_048


def after_each_log(
    table: Table,
    hazard: Block,
    places: Places,
    observed: FloatArray,
    logged_days: FloatArray,
    window_days: FloatArray,
    shape: float,
) -> AfterLogs:
    """What logs leave of the trip-days of systems: observed (n,) [trip-days], logged_days (n, 12) by month [days].

    `hazard` is the table's `hazard_block`, window_days (12,) the coming days in each month [days], shape that of the
    multiplier before the logs.
    """
    parts = []
    for start in range(0, max(observed.size, 1), CHUNK):
        part = slice(start, start + CHUNK)
        cut = Places(*(getattr(places, field.name)[part] for field in fields(Places)))
        levels = levels_of(table, hazard, cut, logged_days[part], window_days)
        parts.append(after_logs(levels, observed[part], shape))
    return AfterLogs(
        **{field.name: np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(AfterLogs)}
    )


def levels_of(table: Table, hazard: Block, places: Places, logged_days: FloatArray, window_days: FloatArray) -> Levels:
    """The model at each level that the sites may have; arguments as of `after_each_log`."""
    size, count = places.level_pct.size, NODES_SD.size

    def each(values: FloatArray) -> FloatArray:
        return np.repeat(values, count)

    level = (places.level_pct[:, None] + places.site_pct[:, None] * NODES_SD).ravel()
    there = Places(level, each(places.rise_pct), each(places.beta_pct), np.zeros(level.size))
    hazards = month_hazards(table, hazard, there).reshape(MONTHS, size, count)
    chances = -np.expm1(-hazards)
    per_year, in_log, none_year, none_ahead = (np.zeros((size, count)) for _ in range(4))
    for month in range(MONTHS):
        per_year += MONTH_LENGTH[month] * chances[month]
        in_log += logged_days[:, month, None] * chances[month]
        none_year += MONTH_LENGTH[month] * hazards[month]
        none_ahead += window_days[month] * hazards[month]
    weight = np.exp(-0.5 * NODES_SD**2)
    return Levels(weight / weight.sum(), per_year, none_year, none_ahead, in_log)

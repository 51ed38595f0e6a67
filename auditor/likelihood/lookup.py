"""Systems in a table: cubic along the margin, straight along rise, sun and a measure of the level's spread."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.block import Block, Logs
from auditor.likelihood.grid import ALIKE, APART
from auditor.likelihood.inputs import MONTHS
from auditor.likelihood.lines import chance_of
from auditor.likelihood.table import OVER, RATIOS, Table

#: Systems that are interpolated at a time, which bounds the memory and keeps it near the processor.
CHUNK = 8_192
#: Less than this a year is nothing.
NOTHING = 1e-10
#: z of the 90th percentile of a normal distribution.
Z_80 = 1.2815515655446004


@dataclass(frozen=True)
class Places:
    """Where systems stand, all (n,) [% of nominal]: level of the no-export voltage, own rise, sun, site's spread."""

    level_pct: FloatArray
    rise_pct: FloatArray
    beta_pct: FloatArray
    site_pct: FloatArray


@dataclass(frozen=True)
class _Along:
    """Places along one axis: the lower of two nodes, and the share of the upper one."""

    index: IntArray
    share: FloatArray


def trip_days(table: Table, places: Places, day_pct: float | None = None) -> FloatArray:
    """Predictive mean of the trip-days a year, (n,); day_pct replaces the supply's day effect [% of nominal].

    The mean does not ask whether a level is uncertain by the day or by the site.
    """
    day = table.day_pct if day_pct is None else day_pct
    return np.exp(_interpolated(table, table.mean, places, places.site_pct**2 + day * day, (0,))[0])


def trip_results(table: Table, places: Places) -> dict[str, FloatArray]:
    """Trip-days, trips and episodes a year, quantiles over the site, and chances of at least one, each (n,).

    The answer grows with the level, so its quantiles over sites are the answers at the level's.
    """
    mean = trip_days(table, places)
    found = {"mean": figures(mean)}
    known = replace(places, site_pct=np.zeros_like(places.site_pct))
    for name, z in (("median", 0.0), ("low", -Z_80), ("high", Z_80)):
        there = replace(known, level_pct=places.level_pct + z * places.site_pct)
        found[name] = figures(trip_days(table, there))
    chance = _interpolated(table, _needed(table.chance), places, places.site_pct**2, (0, 1))
    found |= {"chance_year": chance_of(chance[0]), "chance_30d": chance_of(chance[1])}
    ratios = _ratios(table, places, ("trips", "episodes"))
    return found | {name: figures(mean * ratio) for name, ratio in ratios.items()}


def month_hazards(table: Table, hazard: Block, places: Places) -> FloatArray:
    """−log of the chance of no trip on a day of each month, (12, n), with the level known: the site's spread is not
    asked for. `hazard` is the table's `hazard_block`.
    """
    logs = _interpolated(table, hazard, places, np.zeros_like(places.level_pct), tuple(range(MONTHS)))
    return np.exp(np.stack(logs))


def lost_hours(table: Table, places: Places) -> FloatArray:
    """Output lost a year to trips, waiting, ramps and cessation, in hours at rated output, (n,) [h]."""
    ratio = _ratios(table, places, ("lost_h",))["lost_h"]
    return trip_days(table, places) * ratio + loss_results(table, places, ("ceased_h",))["ceased_h"]


def loss_results(
    table: Table, places: Places, names: tuple[str, ...] = ("over_h", "ceased_h", "curtailed_h")
) -> dict[str, FloatArray]:
    """Hours over the first threshold, in cessation, and curtailed (at rated output), each (n,) [h a year]."""
    variance = places.site_pct**2 + table.day_pct**2
    over = _needed(table.over)
    found = {name: np.zeros(places.level_pct.shape[0]) for name in names}
    wanted = tuple(name for name in OVER if name in names and (name == "over_h" or table.ceases))
    if wanted:
        logs = _interpolated(table, over, places, variance, tuple(OVER.index(name) for name in wanted))
        found |= dict(zip(wanted, (np.exp(log) for log in logs), strict=True))
    if "curtailed_h" in names and table.curtailed is not None:
        found["curtailed_h"] = np.exp(_interpolated(table, table.curtailed, places, variance, (0,))[0])
    for name, ratio in _ratios(table, places, tuple(n for n in names if found[n].any() and n != "over_h")).items():
        found[name] = found[name] * np.minimum(ratio, 1.0)
    return {name: figures(values) for name, values in found.items()}


def _ratios(table: Table, places: Places, names: tuple[str, ...]) -> dict[str, FloatArray]:
    """Some of RATIOS, each (n,)."""
    if not names:
        return {}
    variance = places.site_pct**2 + table.day_pct**2
    logs = _interpolated(table, _needed(table.ratio), places, variance, tuple(RATIOS.index(name) for name in names))
    return dict(zip(names, (np.exp(log) for log in logs), strict=True))


def _needed(block: Block | None) -> Block:
    """The block; raises ValueError where the table holds the headline only."""
    if block is None:
        raise ValueError("this table was made for the trip-days only")
    return block


def figures(values: FloatArray) -> FloatArray:
    """What lies at the table's floor is nothing."""
    return np.where(values < NOTHING, 0.0, values)


def _interpolated(
    table: Table, block: Block, places: Places, variance: FloatArray, columns: tuple[int, ...]
) -> list[FloatArray]:
    """Logs of some columns of a block at the places, each (n,); variance (n,) is the level's [(% of nominal)²]."""
    size = places.level_pct.shape[0]
    found = [np.empty(size) for _ in columns]
    flat = [block.columns[column] for column in columns]
    for start in range(0, size, CHUNK):
        part = slice(start, start + CHUNK)
        cut = Places(places.level_pct[part], places.rise_pct[part], places.beta_pct[part], places.site_pct[part])
        for values, logs in zip(found, _chunk(table, block, cut, variance[part], flat), strict=True):
            values[part] = logs
    return found


def _chunk(table: Table, block: Block, places: Places, variance: FloatArray, flat: list[Logs]) -> list[FloatArray]:
    """One chunk of `_interpolated`."""
    own, beta = np.maximum(places.rise_pct, 0.0), np.maximum(places.beta_pct, 0.0)
    if block.acts == ALIKE:
        beta, own = beta + own, own * 0.0
    elif block.acts != APART:
        own = own * 0.0
    margin = table.first_pct - places.level_pct - beta - block.weight * own
    cells = np.clip((margin - table.low_pct) * (1.0 / table.spacing_pct), 0.0, table.count - 1.0)
    low = np.clip(cells.astype(np.int64), 1, table.count - 3)
    weights = _cubic_columns(cells - low)
    outer = (
        _along(-1.0 / (block.spread_pct**2 + block.soft_pct2), -1.0 / (variance + block.soft_pct2)),
        _along(block.own_pct, own),
        _along(block.beta_pct, beta),
    )
    sizes = (block.spread_pct.size, block.own_pct.size, block.beta_pct.size)
    found = [np.zeros(low.size) for _ in flat]
    for row, weight in _corners(outer, sizes):
        base = row * table.count + low
        for k, logs in enumerate(flat):
            line = np.take(logs, base - 1) * weights[0]
            for step in (1, 2, 3):
                line += np.take(logs, base + (step - 1)) * weights[step]
            line *= weight
            found[k] += line
    return found


def _cubic_columns(t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Lagrange weights of the points −1, 0, 1, 2, each (n,)."""
    before, here, after, beyond = t + 1.0, t, t - 1.0, t - 2.0
    return (
        here * after * beyond * (-1.0 / 6.0),
        before * after * beyond * 0.5,
        before * here * beyond * (-0.5),
        before * here * after * (1.0 / 6.0),
    )


def _along(axis: FloatArray, values: FloatArray) -> _Along:
    """Place of each value on an axis; the ends hold beyond them. An axis of one node has no other place."""
    if axis.size == 1:
        return _Along(np.zeros(values.shape, dtype=np.int64), np.zeros_like(values))
    index = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, axis.size - 2)
    share = np.clip((values - axis[index]) / (axis[index + 1] - axis[index]), 0.0, 1.0)
    return _Along(index.astype(np.int64), share)


def _corners(outer: tuple[_Along, ...], sizes: tuple[int, ...]) -> Iterator[tuple[IntArray, FloatArray]]:
    """Each corner of the cell that holds a place: its row before the margin, and its weight."""
    for corner in np.ndindex(*(min(size, 2) for size in sizes)):
        row = np.zeros(outer[0].index.shape, dtype=np.int64)
        weight = np.ones(outer[0].share.shape)
        for along, size, upper in zip(outer, sizes, corner, strict=True):
            row = row * size + along.index + upper
            if size > 1:
                weight = weight * (along.share if upper else 1.0 - along.share)
        yield row, weight

"""Systems interpolate in a table: cubic along the margin, straight along sun, own share and the site's variance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.lines import chance_of
from auditor.likelihood.table import LOSS_COLUMNS, TRIP_COLUMNS, Table

#: Systems that are interpolated at a time, which bounds the memory.
CHUNK = 16_384
#: Less than this a year is nothing.
NOTHING = 1e-10
_CHANCES = ("chance_year", "chance_30d")


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


def trip_days(table: Table, places: Places) -> FloatArray:
    """Predictive mean of the trip-days a year, (n,)."""
    flat = np.ascontiguousarray(table.trip[..., 0]).reshape(-1, 1)
    return np.exp(_interpolated(table, _for_trips(table, places), flat, table.weight_at_trip)[:, 0])


def lost_hours(table: Table, places: Places) -> FloatArray:
    """Output lost a year to trips, waiting, ramps and cessation, in hours at rated output, (n,) [h]."""
    flat = np.ascontiguousarray(table.loss[..., 0]).reshape(-1, 1)
    return np.exp(_interpolated(table, places, flat, table.weight_at_trip)[:, 0])


def trip_results(table: Table, places: Places) -> dict[str, FloatArray]:
    """TRIP_COLUMNS, each (n,): trip-days, trips and episodes a year, chances of at least one."""
    flat = table.trip.reshape(-1, len(TRIP_COLUMNS))
    logs = _interpolated(table, _for_trips(table, places), flat, table.weight_at_trip)
    return {
        name: chance_of(logs[:, k]) if name in _CHANCES else _figures(logs[:, k]) for k, name in enumerate(TRIP_COLUMNS)
    }


def loss_results(table: Table, places: Places) -> dict[str, FloatArray]:
    """LOSS_COLUMNS and curtailed_h, each (n,) [h a year]."""
    logs = _interpolated(table, places, table.loss.reshape(-1, len(LOSS_COLUMNS)), table.weight_at_trip)
    found = {name: _figures(logs[:, k]) for k, name in enumerate(LOSS_COLUMNS)}
    found["curtailed_h"] = _figures(_interpolated(table, places, table.curtailed.reshape(-1, 1), 1.0)[:, 0])
    return found


def _figures(logs: FloatArray) -> FloatArray:
    """Figures of logarithms; what lies at the table's floor is nothing."""
    values = np.exp(logs)
    return np.where(values < NOTHING, 0.0, values)


def _for_trips(table: Table, places: Places) -> Places:
    """The places as trips see them: without own rise where a profile ceases."""
    return replace(places, rise_pct=np.zeros_like(places.rise_pct)) if table.trips_off else places


def _interpolated(table: Table, places: Places, flat: FloatArray, weight: float) -> FloatArray:
    """Logs at the places, (n, k), from a table of a row a node (nodes, k); `weight` is the own rise's in the margin."""
    size = places.level_pct.shape[0]
    found = np.empty((size, flat.shape[1]))
    for start in range(0, size, CHUNK):
        part = slice(start, start + CHUNK)
        cut = Places(places.level_pct[part], places.rise_pct[part], places.beta_pct[part], places.site_pct[part])
        found[part] = _chunk(table, cut, flat, weight)
    return found


def _chunk(table: Table, places: Places, flat: FloatArray, own_weight: float) -> FloatArray:
    """One chunk of `_interpolated`."""
    own, others = np.maximum(places.rise_pct, 0.0), np.maximum(places.beta_pct, 0.0)
    sun = others + own
    margin = table.first_pct - places.level_pct - others - own_weight * own
    spacing = table.nodes.spacing_pct
    cells = np.clip((margin - table.margin_pct[0]) * (1.0 / spacing), 0.0, table.margin_pct.size - 1.0)
    low = np.clip(np.floor(cells).astype(np.int64), 1, table.margin_pct.size - 3)
    weights = _cubic_columns(cells - low)
    outer = (
        _along(table.site_pct**2, places.site_pct**2),
        _along(table.sun_pct, sun),
        _along(table.share, own / np.where(sun > 0.0, sun, 1.0)),
    )
    sizes = (table.site_pct.size, table.sun_pct.size, table.share.size)
    total = np.zeros((places.level_pct.shape[0], flat.shape[1]))
    for row, weight in _corners(outer, sizes):
        base = row * table.margin_pct.size + low
        for step, cubic in enumerate(weights):
            total += np.take(flat, base + (step - 1), axis=0) * (weight * cubic)[:, None]
    return total


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
            weight = weight * (along.share if upper else 1.0 - along.share)
        yield row, weight

"""Readings of many systems as columns, taken apart by place and leg: what the fitter takes one at a time.

A frame of readings holds them in the order of their imports, each in the order of its keys, so that a channel is a few
slices of the columns and hardly anything is copied.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.evidence.daylight import is_dark, zones_h
from auditor.evidence.series import distinct
from auditor.likelihood.arrays import FloatArray, IntArray

KEYS = ("system_id", "place", "circuit_id", "unit", "leg")
FIGURES = ("duration_s", "mean_v", "max_v", "power_kw")
#: Output somewhat outside 0 to rated is taken as the end it passed; further off, it is not believed [share of rated].
BEYOND = (-0.05, 1.1)


@dataclass(frozen=True)
class Channel:
    """The readings of one place and leg in order of time, all (n,); NaN where a value is missing.

    start   when each begins, in UTC
    """

    place: str
    circuit_id: str | None
    unit: str | None
    leg: str | None
    start: npt.NDArray[np.datetime64]
    duration_s: FloatArray
    mean_v: FloatArray
    max_v: FloatArray
    power_kw: FloatArray


@dataclass(frozen=True)
class Told(Channel):
    """A channel at its site.

    start   in the zone's standard time
    own     own output as a share of rated; NaN where it is not known or not believed
    """

    own: FloatArray

    @cached_property
    def day(self) -> IntArray:
        """Days since 1970, (n,)."""
        return np.asarray(self.start.astype("datetime64[s]").astype(np.int64) // 86_400)

    def days_of(self, chosen: npt.NDArray[np.bool_]) -> IntArray:
        """The days on which the chosen readings lie."""
        return distinct(self.day[chosen])[0]


def channels_of(readings: pl.DataFrame) -> dict[str, list[Channel]]:
    """The channels of each system, in the order of KEYS, nulls first; `readings` are the declared columns."""
    changed = readings.select(pl.any_horizontal(pl.col(key).ne_missing(pl.col(key).shift()) for key in KEYS))
    first = np.union1d([0], np.flatnonzero(changed.to_series().to_numpy())) if readings.height else np.empty(0, int)
    runs = readings[first.tolist()].select(
        *KEYS, pl.Series("first", first, pl.Int64), pl.Series("last", [*first[1:], readings.height], pl.Int64)
    )
    ordered = runs.sort(*KEYS, "first", nulls_last=False).rows()
    columns = [readings["start"].to_numpy(), *(readings[name].cast(pl.Float64).to_numpy() for name in FIGURES)]
    found: dict[str, list[Channel]] = {}
    for key, rows in groupby(ordered, key=lambda row: row[: len(KEYS)]):
        slices = [slice(*row[len(KEYS) :]) for row in rows]
        parts = [_joined(column, slices) for column in columns]
        if (np.diff(parts[0]) < np.timedelta64(0)).any():
            order = np.argsort(parts[0], kind="stable")
            parts = [values[order] for values in parts]
        found.setdefault(key[0], []).append(Channel(*key[1:], *parts))
    return found


def _joined(column: npt.NDArray[Any], slices: list[slice]) -> npt.NDArray[Any]:
    return column[slices[0]] if len(slices) == 1 else np.concatenate([column[part] for part in slices])


def local(channel: Channel, site: Mapping[str, Any]) -> Told:
    """The channel in the zone's standard time, with the own output: in the dark 0.

    `site` has latitude_deg, longitude_deg and rated_kw.
    """
    zone_h = int(zones_h(np.array([site["longitude_deg"]]))[0])
    start = channel.start + np.timedelta64(zone_h, "h")
    share = channel.power_kw / (np.nan if site["rated_kw"] is None else site["rated_kw"])
    believed = (share >= BEYOND[0]) & (share <= BEYOND[1])
    own = np.where(believed, np.clip(share, 0.0, 1.0), np.nan)
    silent = np.flatnonzero(np.isnan(channel.power_kw))
    if silent.size:
        dark = is_dark(site["latitude_deg"], site["longitude_deg"], start[silent], channel.duration_s[silent])
        own[silent[dark]] = 0.0
    return Told(**(vars(channel) | {"start": start}), own=own)

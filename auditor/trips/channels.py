"""Readings of many systems by place and leg: slices of a few long columns, so that hardly anything is copied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.evidence.daylight import is_dark, zones_h
from auditor.evidence.series import distinct
from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray

KEYS = ("system_id", "place", "circuit_id", "unit", "leg")
FIGURES = ("start", "duration_s", "mean_v", "max_v", "power_kw")
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

    def days_of(self, chosen: BoolArray) -> IntArray:
        """The days on which the chosen readings lie."""
        return distinct(self.day[chosen])[0]


def channels_of(readings: pl.DataFrame) -> dict[str, list[Channel]]:
    """The channels of each system, in the order of KEYS, nulls first.

    `readings` has one row a channel: the texts of KEYS, and lists of FIGURES, each of one length in a row.
    """
    last = readings["start"].list.len().cum_sum()
    columns = [_flat(readings[name]) for name in FIGURES]
    rows = readings.select(*KEYS, last.shift(1, fill_value=0).alias("first"), last.alias("last"))
    found: dict[str, list[Channel]] = {}
    for system_id, place, circuit_id, unit, leg, *ends in rows.sort(KEYS, nulls_last=False).iter_rows():
        start, *rest = (column[slice(*ends)] for column in columns)
        if (np.diff(start) < np.timedelta64(0)).any():
            order = np.argsort(start, kind="stable")
            start, rest = start[order], [values[order] for values in rest]
        found.setdefault(system_id, []).append(Channel(place, circuit_id, unit, leg, start, *rest))
    return found


def _flat(lists: pl.Series) -> npt.NDArray[Any]:
    """All the lists' values one after the other."""
    values = lists.explode()
    return values.to_numpy() if values.dtype.is_temporal() else values.cast(pl.Float64).to_numpy()


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

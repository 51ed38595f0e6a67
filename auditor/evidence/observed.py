"""What event logs say of each system: trip-days in the hours in which trips would have been recorded, month by month.

Expected and observed must cover the same hours. So a trip counts only on a day that a log covers in part at least, and
a system without any log has no count at all: what is left out is told with its reason. Exposure is the logged share of
a day's daylight; days of one month in several years add up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl

from auditor.evidence.logged import in_local_time, rests, settings_since, watched, whole_days
from auditor.likelihood.arrays import FloatArray
from auditor.records.evidence_schema import LOGGING, TRIP

#: Trips closer together than this are one episode.
EPISODE = timedelta(hours=1)
MONTHS = 12

#: What a snapshot holds: days in the log [days], days with a trip, trips, episodes; for each month of the year.
MONTH_SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "month": pl.Int64(),
    "logged_days": pl.Float64(),
    "trip_days": pl.Int64(),
    "trips": pl.Int64(),
    "episodes": pl.Int64(),
    "first_day": pl.Date(),
    "last_day": pl.Date(),
}
UNUSED_SCHEMA: dict[str, pl.DataType] = {"system_id": pl.String(), "reason": pl.String(), "trips": pl.Int64()}
DAY_SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "day": pl.Date(),
    "logged_share": pl.Float64(),
    "trips": pl.Int64(),
}

NO_PLACE = "no latitude and longitude: its local days are not known"
NO_LOG = "no log says when trips would have been recorded"
OLD_SETTINGS = "before the settings now in force"
OUTSIDE = "outside the hours that its log covers"


@dataclass(frozen=True)
class Observed:
    """Counts by system and month of the year (`MONTH_SCHEMA`), and the trips that do not count (`UNUSED_SCHEMA`)."""

    months: pl.DataFrame
    unused: pl.DataFrame


def observe(events: pl.DataFrame, systems: pl.DataFrame) -> Observed:
    """Count what the events of the systems say.

    `events` has system_id, circuit_id, unit, start, end, known_until (UTC) and kind; `systems` system_id, latitude_deg
    and longitude_deg, null where unknown.
    """
    local = in_local_time(events, systems)
    intervals = watched(local)
    runs, parts = whole_days(intervals), rests(intervals, systems)
    trips = _trips(local, intervals, runs, parts)
    counted = trips.filter("counts")
    months = (
        _exposure(runs, parts)
        .join(_by_month(counted), on=("system_id", "month"), how="left")
        .with_columns(pl.col("trip_days", "trips", "episodes").fill_null(0))
        .select(pl.col(name).cast(kind) for name, kind in MONTH_SCHEMA.items())
        .sort("system_id", "month")
    )
    return Observed(months, _unused(events, local, trips))


def by_day(events: pl.DataFrame, systems: pl.DataFrame) -> pl.DataFrame:
    """Each local day with something in the log: its logged share of daylight, and its trips (`DAY_SCHEMA`)."""
    local = in_local_time(events, systems)
    intervals = watched(local)
    runs, parts = whole_days(intervals), rests(intervals, systems)
    full = runs.select(
        "system_id", pl.date_ranges("first", "behind", closed="left").alias("day"), pl.lit(1.0).alias("logged_share")
    ).explode("day")
    days = pl.concat([full, parts.rename({"share": "logged_share"})])
    trips = (
        _trips(local, intervals, runs, parts).filter("counts").group_by("system_id", "day").agg(pl.len().alias("trips"))
    )
    return (
        days.join(trips, on=("system_id", "day"), how="left")
        .with_columns(pl.col("trips").fill_null(0))
        .select(pl.col(name).cast(kind) for name, kind in DAY_SCHEMA.items())
        .sort("system_id", "day")
    )


def in_order(months: pl.DataFrame, system_ids: pl.Series) -> tuple[FloatArray, FloatArray]:
    """Trip-days O, (n,), NaN without a log, and logged days by month, (n, 12), of systems in a given order."""
    place = pl.DataFrame({"system_id": system_ids}).with_row_index("place")
    rows = months.join(place, on="system_id", how="inner")
    logged = np.zeros((place.height, MONTHS))
    logged[rows["place"].to_numpy(), rows["month"].to_numpy() - 1] = rows["logged_days"].to_numpy()
    count = np.zeros(place.height)
    np.add.at(count, rows["place"].to_numpy(), rows["trip_days"].to_numpy())
    return np.where(logged.sum(axis=1) > 0, count, np.nan), logged


def _trips(local: pl.DataFrame, intervals: pl.DataFrame, runs: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Trips, each told once: system_id, start, day, and whether it counts: in a log, on a day with a share in it."""
    own = local.filter(pl.col("kind") == TRIP).unique(["system_id", "circuit_id", "unit", "start"])
    trips = own.select("system_id", "start", pl.col("start").dt.date().alias("day")).sort("start")
    found = trips.join_asof(
        intervals.sort("begin"),
        left_on="start",
        right_on="begin",
        by="system_id",
        strategy="backward",
        check_sortedness=False,
    )
    found = found.sort("day").join_asof(
        runs.sort("first"), left_on="day", right_on="first", by="system_id", strategy="backward", check_sortedness=False
    )
    found = found.join(parts, on=("system_id", "day"), how="left")
    inside = (pl.col("start") < pl.col("end")).fill_null(False)
    shared = (pl.col("day") < pl.col("behind")).fill_null(False) | pl.col("share").is_not_null()
    return found.select("system_id", "start", "day", (inside & shared).alias("counts")).sort("system_id", "start")


def _by_month(trips: pl.DataFrame) -> pl.DataFrame:
    """Trip-days, trips and episodes by system and month of the year; an episode belongs to the month it begins in."""
    since = pl.col("start").diff().over("system_id")
    return (
        trips.with_columns((since.is_null() | (since >= EPISODE)).alias("begins"))
        .group_by("system_id", pl.col("day").dt.month().cast(pl.Int64).alias("month"))
        .agg(
            pl.col("day").n_unique().alias("trip_days"),
            pl.len().alias("trips"),
            pl.col("begins").sum().alias("episodes"),
        )
    )


def _exposure(runs: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Logged days by system and month of the year, with the first and last of them."""
    last = pl.col("behind") - timedelta(days=1)
    starts = pl.date_ranges(pl.col("first").dt.month_start(), last.dt.month_start(), "1mo").alias("of")
    cut = (
        runs.with_columns(starts)
        .explode("of")
        .with_columns(
            pl.max_horizontal("first", "of").alias("first"),
            pl.min_horizontal("behind", pl.col("of").dt.offset_by("1mo")).alias("behind"),
        )
    )
    whole = cut.select(
        "system_id",
        pl.col("of").dt.month().cast(pl.Int64).alias("month"),
        (pl.col("behind") - pl.col("first")).dt.total_days().cast(pl.Float64).alias("days"),
        "first",
        last.alias("last"),
    )
    rest = parts.select(
        "system_id",
        pl.col("day").dt.month().cast(pl.Int64).alias("month"),
        pl.col("share").alias("days"),
        pl.col("day").alias("first"),
        pl.col("day").alias("last"),
    )
    return (
        pl.concat([whole, rest])
        .sort("system_id", "month", "first")
        .group_by("system_id", "month", maintain_order=True)
        .agg(
            pl.col("days").sum().alias("logged_days"),
            pl.col("first").min().alias("first_day"),
            pl.col("last").max().alias("last_day"),
        )
    )


def _unused(events: pl.DataFrame, local: pl.DataFrame, trips: pl.DataFrame) -> pl.DataFrame:
    """Trips that do not count, by system and reason."""
    told = events.filter(pl.col("kind") == TRIP).unique(["system_id", "circuit_id", "unit", "start"])
    placed = local.select("system_id").unique()
    nowhere = told.join(placed, on="system_id", how="anti").select("system_id", pl.lit(NO_PLACE).alias("reason"))
    logs = local.filter(pl.col("kind") == LOGGING).select("system_id", pl.lit(True).alias("has_log")).unique()
    reason = (
        pl.when(pl.col("has_log").is_null())
        .then(pl.lit(NO_LOG))
        .when(pl.col("start") < pl.col("since"))
        .then(pl.lit(OLD_SETTINGS))
        .otherwise(pl.lit(OUTSIDE))
    )
    rest = trips.filter(~pl.col("counts")).join(logs, on="system_id", how="left")
    left = rest.join(settings_since(local), on="system_id", how="left").select("system_id", reason.alias("reason"))
    return (
        pl.concat([nowhere, left])
        .group_by("system_id", "reason")
        .agg(pl.len().cast(pl.Int64).alias("trips"))
        .select(list(UNUSED_SCHEMA))
        .sort("system_id", "reason")
    )

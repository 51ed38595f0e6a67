"""When trips would have been recorded: the union of logs less the hours without communication, in whole days and rests.

Nothing says that a system was watched but rows of the kind "logging". A log without an end is known to have run until
the last moment that its file tells of; lost communication without an end lasts until the next log begins, or for good.
Whatever part of a system lost its communication, the system counts as unwatched. What lies before the last change of
settings says nothing of the settings now in force. Hours are of local standard time (`daylight.zones_h`): no day has 23
or 25 of them, and clocks that people change move nothing.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from auditor.evidence.daylight import daylight_share, zones_h
from auditor.records.evidence_schema import LOGGING, LOST, SETTINGS

ONE_DAY = timedelta(days=1)
_HOUR = timedelta(hours=1)


def in_local_time(events: pl.DataFrame, systems: pl.DataFrame) -> pl.DataFrame:
    """Events of the systems whose place is known, their times in local standard time, with latitude and longitude.

    `events` has system_id, circuit_id, unit, start, end, known_until (UTC) and kind; `systems` system_id, latitude_deg
    and longitude_deg.
    """
    placed = systems.select("system_id", "latitude_deg", "longitude_deg").drop_nulls()
    zone = pl.Series("zone_h", zones_h(placed["longitude_deg"].to_numpy()), dtype=pl.Int64)
    ahead = pl.duration(hours="zone_h")
    return (
        events.join(placed.with_columns(zone), on="system_id", how="inner", maintain_order="left")
        .with_columns(pl.col("start", "end", "known_until") + ahead)
        .drop("zone_h")
    )


def settings_since(events: pl.DataFrame) -> pl.DataFrame:
    """Since when each system's settings are in force, where an event tells: system_id, since."""
    return events.filter(pl.col("kind") == SETTINGS).group_by("system_id").agg(pl.col("start").max().alias("since"))


def watched(events: pl.DataFrame) -> pl.DataFrame:
    """Intervals in which trips would have been recorded: system_id, begin, end; apart, and in order.

    `events` are in local time.
    """
    logs = (
        events.filter(pl.col("kind") == LOGGING)
        .join(settings_since(events), on="system_id", how="left")
        .select(
            "system_id",
            pl.max_horizontal("start", "since").alias("begin"),
            pl.coalesce("end", "known_until", "start").alias("end"),
        )
        .filter(pl.col("end") > pl.col("begin"))
    )
    steps = pl.concat([_steps(logs, "logs"), _steps(_lost(events, logs), "losses")], how="diagonal")
    depth = (
        steps.group_by("system_id", "at")
        .agg(pl.col("logs", "losses").sum())
        .sort("system_id", "at")
        .with_columns(
            pl.col("logs", "losses").cum_sum().over("system_id"),
            pl.col("at").shift(-1).over("system_id").alias("end"),
        )
        .filter((pl.col("logs") > 0) & (pl.col("losses") == 0) & pl.col("end").is_not_null())
    )
    apart = (pl.col("at") != pl.col("end").shift(1).over("system_id")).fill_null(True)
    return (
        depth.with_columns(apart.cum_sum().over("system_id").alias("part"))
        .group_by("system_id", "part")
        .agg(pl.col("at").min().alias("begin"), pl.col("end").max())
        .select("system_id", "begin", "end")
        .sort("system_id", "begin")
    )


def _steps(intervals: pl.DataFrame, name: str) -> pl.DataFrame:
    """Where the count of intervals steps up and down: system_id, at, and the step under the name."""
    up = intervals.select("system_id", pl.col("begin").alias("at"), pl.lit(1).alias(name))
    down = intervals.select("system_id", pl.col("end").alias("at"), pl.lit(-1).alias(name))
    return pl.concat([up, down])


def _lost(events: pl.DataFrame, logs: pl.DataFrame) -> pl.DataFrame:
    """Hours without communication: system_id, begin, end."""
    lost = events.filter(pl.col("kind") == LOST).select("system_id", pl.col("start").alias("begin"), "end")
    begins = events.filter(pl.col("kind") == LOGGING).select("system_id", pl.col("start").alias("next")).sort("next")
    last = logs.group_by("system_id").agg(pl.col("end").max().alias("last"))
    found = lost.sort("begin").join_asof(
        begins,
        left_on="begin",
        right_on="next",
        by="system_id",
        strategy="forward",
        allow_exact_matches=False,
        check_sortedness=False,
    )
    return (
        found.join(last, on="system_id", how="left")
        .select("system_id", "begin", pl.coalesce("end", "next", "last").alias("end"))
        .filter(pl.col("end") > pl.col("begin"))
    )


def whole_days(intervals: pl.DataFrame) -> pl.DataFrame:
    """Runs of whole days within intervals of `watched`: system_id, first, behind (the day after the last)."""
    first = (pl.col("begin") - pl.duration(microseconds=1)).dt.truncate("1d") + ONE_DAY
    return (
        intervals.select("system_id", first.dt.date().alias("first"), pl.col("end").dt.date().alias("behind"))
        .filter(pl.col("behind") > pl.col("first"))
        .sort("system_id", "first")
    )


def rests(intervals: pl.DataFrame, systems: pl.DataFrame) -> pl.DataFrame:
    """Days that intervals of `watched` hold a part of: system_id, day, share of the day's daylight, once a day."""
    begin, end = pl.col("begin"), pl.col("end")
    up = (begin - pl.duration(microseconds=1)).dt.truncate("1d") + ONE_DAY
    down = end.dt.truncate("1d")
    ahead = intervals.filter(begin < up).select("system_id", "begin", pl.min_horizontal(end, up).alias("end"))
    behind = intervals.filter((end > down) & (down >= up)).select("system_id", down.alias("begin"), "end")
    pieces = pl.concat([ahead, behind])
    midnight = begin.dt.truncate("1d")
    hours = pieces.join(
        systems.select("system_id", "latitude_deg", "longitude_deg"), on="system_id", how="left"
    ).select(
        "system_id",
        begin.dt.date().alias("day"),
        begin.dt.ordinal_day().alias("of_year"),
        ((begin - midnight) / _HOUR).alias("from_h"),
        ((end - midnight) / _HOUR).alias("to_h"),
        "latitude_deg",
        "longitude_deg",
    )
    share = daylight_share(
        *(hours[name].to_numpy() for name in ("latitude_deg", "longitude_deg", "of_year", "from_h", "to_h"))
    )
    return (
        hours.with_columns(pl.Series("share", share, dtype=pl.Float64))
        .sort("system_id", "day", "from_h")
        .group_by("system_id", "day", maintain_order=True)
        .agg(pl.col("share").sum())
        .filter(pl.col("share") > 0)
    )

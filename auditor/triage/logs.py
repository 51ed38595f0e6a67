"""What the event log of one system says of a complaint: which trips, on how many days, of which units."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from auditor.records.evidence_schema import CURTAILED, LOGGING, OTHER_TRIP, SETTINGS, TRIP


@dataclass(frozen=True)
class Log:
    """Days with an overvoltage trip and with another one, days with output held down, days in the log.

    `alone` is the only unit that ever tripped on overvoltage, by circuit and place on the cable, where at least
    FEWEST_DAYS days name one; None where several did or none is named.
    """

    trip_days: int
    other_days: int
    curtailed_days: int
    logged_days: float
    alone: tuple[str | None, str] | None


FEWEST_DAYS = 3


def log_of(events: pl.DataFrame) -> Log:
    """Count the events of one system: kind, start, end, known_until (UTC), circuit_id, unit."""

    def days(kind: str) -> int:
        return events.filter(pl.col("kind") == kind)["start"].dt.date().n_unique()

    return Log(days(TRIP), days(OTHER_TRIP), days(CURTAILED), _logged(events), _alone(events))


def in_force(events: pl.DataFrame) -> pl.DataFrame:
    """The events without what lies before the last change of settings: it says nothing of the settings now in force."""
    since = events.filter(pl.col("kind") == SETTINGS)["start"].max()
    if since is None:
        return events
    begins = pl.col("start") >= pl.lit(since)
    lasts = (pl.col("kind") == LOGGING) & (pl.coalesce("end", "known_until", "start") > pl.lit(since))
    return events.filter(begins | lasts).with_columns(pl.max_horizontal("start", pl.lit(since)).alias("start"))


def _logged(events: pl.DataFrame) -> float:
    logs = events.filter(pl.col("kind") == LOGGING).with_columns(
        pl.coalesce("end", "known_until", "start").alias("until")
    )
    # Logs that overlap count once: each from where those before it ended.
    apart = logs.sort("start").with_columns(pl.col("until").cum_max().shift(1).alias("covered"))
    seconds = (pl.col("until") - pl.max_horizontal("start", "covered")).dt.total_seconds().clip(lower_bound=0)
    return float(apart.select(seconds.sum()).item() or 0) / 86_400


def _alone(events: pl.DataFrame) -> tuple[str | None, str] | None:
    trips = events.filter(pl.col("kind") == TRIP)
    named = trips.filter(pl.col("unit").is_not_null())
    who = named.select("circuit_id", "unit").unique()
    if who.height != 1 or named["start"].dt.date().n_unique() < FEWEST_DAYS or named.height < trips.height:
        return None
    circuit, unit = who.row(0)
    return circuit, unit

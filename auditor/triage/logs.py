"""What the event log of one system says of a complaint: which trips, on how many days, of which units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from auditor.evidence.logged import watched
from auditor.records.evidence_schema import OTHER_TRIP, SETTINGS, TRIP


@dataclass(frozen=True)
class Log:
    """Days with an overvoltage trip and with another one, and the days in which they would have been recorded.

    `alone` is the only unit that ever tripped on overvoltage, by circuit and place on the cable, where at least
    FEWEST_DAYS days name one; None where several did or none is named. `alone_other` is that of other stops.
    """

    trip_days: int
    other_days: int
    logged_days: float
    alone: tuple[str | None, str] | None
    alone_other: tuple[str | None, str] | None


FEWEST_DAYS = 3


def log_of(events: pl.DataFrame, since: datetime | None = None, until: datetime | None = None) -> Log:
    """Count the events of one system, system_id, kind, start, end, known_until (UTC), circuit_id, unit, between two
    moments and under the settings that were in force at the second.
    """
    stops = in_force(between(events, since, until))

    def days(kind: str) -> int:
        return stops.filter(pl.col("kind") == kind)["start"].dt.date().n_unique()

    return Log(
        days(TRIP), days(OTHER_TRIP), _logged(events, since, until), _alone(stops, TRIP), _alone(stops, OTHER_TRIP)
    )


def between(rows: pl.DataFrame, since: datetime | None, until: datetime | None) -> pl.DataFrame:
    """The rows that start from one moment on and before another; None is no limit."""
    found = rows if since is None else rows.filter(pl.col("start") >= since)
    return found if until is None else found.filter(pl.col("start") < until)


def in_force(events: pl.DataFrame) -> pl.DataFrame:
    """The events without what lies before the last change of settings: it says nothing of the settings now in force."""
    return between(events, events.filter(pl.col("kind") == SETTINGS)["start"].max(), None)  # type: ignore[arg-type]


def _logged(events: pl.DataFrame, since: datetime | None, until: datetime | None) -> float:
    """Days between two moments in which a trip would have been recorded [d]."""
    # Settings that were changed afterwards change nothing before; the intervals of the rest are cut.
    settings = pl.col("kind") == SETTINGS
    spans = watched(pl.concat([events.filter(~settings), between(events.filter(settings), None, until)]))
    begin = pl.max_horizontal("begin", pl.lit(since, pl.Datetime("us")))
    end = pl.min_horizontal("end", pl.lit(until, pl.Datetime("us")))
    return float(spans.select(((end - begin) / timedelta(days=1)).clip(lower_bound=0).sum()).item())


def one_unit(log: Log) -> str:
    """What to do besides where other stops are one unit's; empty where they are not."""
    if log.alone_other is None:
        return ""
    circuit, unit = log.alone_other
    of = f" of circuit {circuit}" if circuit else ""
    return f" All of them are unit {unit}{of}: check that unit's AC connection too, dead and proved so."


def _alone(events: pl.DataFrame, kind: str) -> tuple[str | None, str] | None:
    trips = events.filter(pl.col("kind") == kind)
    named = trips.filter(pl.col("unit").is_not_null())
    who = named.select("circuit_id", "unit").unique()
    if who.height != 1 or named["start"].dt.date().n_unique() < FEWEST_DAYS or named.height < trips.height:
        return None
    circuit, unit = who.row(0)
    return circuit, unit

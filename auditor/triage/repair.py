"""Whether a repair worked: trip-days that would have been expected since, under the old state, against those seen.

The old state's rate is what the log showed in the same months of the year before the repair: a winter's silence is no
evidence about a summer's trips, and days without a log are none at all. Where at least three trip-days would have been
expected and none was seen, chance alone would show that in exp(−3) = 5 % of cases [1]_.

References
----------
.. [1] F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28, 437-442 (1936): with none seen the
   one-sided 95 % limit of the mean is 2.9957.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from auditor.evidence.observed import by_day
from auditor.records.evidence_schema import SETTINGS

PROVED, OPEN, FAILED, UNTOLD = "proved", "not proved yet", "tripped again", "cannot tell"


@dataclass(frozen=True)
class Proof:
    """What the log says since a repair: state, trip-days expected under the old state, seen, and logged days since."""

    state: str
    expected: float
    seen: int
    logged_days: float
    sentence: str


def proof(days: pl.DataFrame, repaired_on: date, needed: float) -> Proof:
    """Judge a repair by the days of `evidence.observed.by_day` of one system: day, logged_share, trips."""
    months = days.with_columns(
        pl.col("day").dt.month().alias("month"), (pl.col("day") >= repaired_on).alias("since"), pl.col("trips") > 0
    )
    # The day of the repair itself belongs to neither state.
    months = months.filter(pl.col("day") != repaired_on)
    old, new = (months.filter(pl.col("since") == since) for since in (False, True))
    rate = old.group_by("month").agg((pl.col("trips").sum() / pl.col("logged_share").sum()).alias("rate"))
    expected = float(
        new.group_by("month")
        .agg(pl.col("logged_share").sum().alias("logged"))
        .join(rate, on="month")
        .select((pl.col("rate") * pl.col("logged")).sum())
        .item()
        or 0.0
    )
    seen, logged = int(new["trips"].sum()), float(new["logged_share"].sum())
    state = FAILED if seen else PROVED if expected >= needed else OPEN if old["trips"].sum() else UNTOLD
    return Proof(state, expected, seen, logged, _told(state, expected, seen, logged, repaired_on, needed))


def _told(state: str, expected: float, seen: int, logged: float, on: date, needed: float) -> str:
    since = f"Since the repair of {on:%Y-%m-%d} the log covers {logged:.0f} days"
    if state == UNTOLD:
        return f"{since}; it holds no trip before the repair, so that nothing can be proved by it."
    told = f"{since}, in which {expected:.1f} trip-days would have been expected before it, and holds {seen}"
    if state == FAILED:
        return f"{told}: it trips still."
    if state == PROVED:
        return f"{told}: the repair worked."
    return f"{told}. It is proved once {needed:g} would have been expected and none is seen."


def days_of(
    events: pl.DataFrame, system_id: str, latitude_deg: float | None, longitude_deg: float | None
) -> pl.DataFrame:
    """The logged days of one system, whatever settings were in force; none where its place is not known."""
    place = pl.DataFrame(
        {"system_id": [system_id], "latitude_deg": [latitude_deg], "longitude_deg": [longitude_deg]},
        schema={"system_id": pl.String, "latitude_deg": pl.Float64, "longitude_deg": pl.Float64},
    )
    return by_day(events.filter(pl.col("kind") != SETTINGS), place)

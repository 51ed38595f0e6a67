"""How units did over time: shares by year within limits, cases between failures, and which of it is a signal."""

from __future__ import annotations

import numpy as np
import polars as pl

from auditor.quality import over_time
from auditor.quality.over_time import BEYOND, LEAST_EXPECTED, ROW

CHANGE = "the odds of failing are others from here on"
#: Which course a signal is of, which rule it breaks and when, and what was seen there within which limits. `course` is
#: ALL for all units together, whose `value` is null; `worse` says whether it tells of more failures or of fewer, and
#: `by_chance` how likely one point breaks the rule where nothing changed (null for a change, of which 5 % are false).
SIGNALS: dict[str, pl.DataType] = {
    "course": pl.String(),
    "value": pl.String(),
    "measure": pl.String(),
    "rule": pl.String(),
    "worse": pl.Boolean(),
    "year": pl.Int32(),
    "day": pl.Date(),
    "seen": pl.Float64(),
    "centre": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
    "by_chance": pl.Float64(),
}
#: The chance that eight in a row lie on one side of the median, which is one half for each at most.
ROW_BY_CHANCE = 2 * 0.5**over_time.IN_A_ROW
ALL = "all together"
SHARE, GAP, RATIO = "share that fails", "cases between failures", "times as many as expected"


def by_year(years: pl.DataFrame, spread: float = 1.0) -> pl.DataFrame:
    """Shares by year of rows `value, year, judged, failed, expected`, a course for each value.

    Adds share, centre (the share expected), low, high (limits at three sigma) and signal: the rule that a year breaks,
    empty where none. Cases without a date are left out.
    """
    dated = years.filter(pl.col("year").is_not_null() & (pl.col("judged") > 0))
    frame = dated.group_by("value", "year").agg(pl.col("judged", "failed", "expected").sum())
    frame = frame.sort("value", "year", nulls_last=True)
    judged, failed, expected = (frame[name].to_numpy().astype(float) for name in ("judged", "failed", "expected"))
    low, high = over_time.share_limits(expected, judged, spread)
    share = failed / judged
    outside = (share > high) | (share < low)
    median = over_time.count_median(expected, judged)
    row = over_time.in_a_row(failed > median, failed < median, _begins(frame))
    return frame.with_columns(
        pl.Series("share", share), pl.Series("centre", expected / judged), pl.Series("low", low),
        pl.Series("high", high), _signals(outside, row),
    )  # fmt: skip


def between_failures(cases: pl.DataFrame) -> pl.DataFrame:
    """Cases that passed before each failure, in the order of time: value, number, day, gap, centre, limit, beyond
    (the chance that one gap lies beyond the limit), signal.

    `cases` has value, day, system_id and failed; each value has a course of its own, whose centre is its mean gap. A
    gap beyond the limit or eight in a row on one side of the median is a signal. Cases without a date are left out.
    """
    ordered = cases.filter(pl.col("day").is_not_null()).sort("value", "day", "system_id", maintain_order=True)
    at = pl.int_range(pl.len()).over("value")
    failures = ordered.select("value", "day", "failed", at.alias("at")).filter("failed")
    gap = pl.col("at") - pl.col("at").shift(1).fill_null(-1).over("value") - 1
    frame = failures.select(
        "value", "day", gap.alias("gap"), pl.int_range(1, pl.len() + 1).over("value").alias("number")
    ).with_columns(pl.col("gap").mean().over("value").alias("centre"))
    gaps, mean = frame["gap"].to_numpy(), frame["centre"].to_numpy().astype(float)
    limit, median = over_time.g_limit(mean), over_time.g_median(mean)
    row = over_time.in_a_row(gaps > median, gaps < median, _begins(frame))
    beyond = pl.Series("beyond", over_time.g_beyond(mean), dtype=pl.Float64)
    return frame.with_columns(pl.Series("limit", limit, dtype=pl.Float64), beyond, _signals(gaps > limit, row))


def together(frame: pl.DataFrame) -> pl.DataFrame:
    """Years or cases as one course of all values."""
    return frame.with_columns(value=pl.lit(None, pl.String))


def rare(years: pl.DataFrame) -> pl.Expr:
    """Which values fail so rarely, by rows of `by_year`, that gaps between failures tell more than shares do."""
    few = years.group_by("value").agg(pl.col("expected").mean()).filter(pl.col("expected") < LEAST_EXPECTED)
    return pl.col("value").is_in(few["value"].implode(), nulls_equal=True)


def signals(units: pl.DataFrame, years: pl.DataFrame, cases: pl.DataFrame, spread: float, by: str) -> pl.DataFrame:
    """Every signal of a comparison, all together and of each unit that the records name: `SIGNALS`.

    The tables are those of a comparison by `by`; design years have no course of their own. Shares by year are looked at
    everywhere, gaps where failures are rare.
    """
    named = pl.col("value").is_not_null() & pl.lit(by != "year")
    own = by_year(years.filter(named), spread)
    of_each = [_of_shares(own), _of_gaps(between_failures(cases.filter(named & rare(own)))), _of_changes(units)]
    parts = [
        _of_shares(by_year(together(years), spread)).with_columns(course=pl.lit(ALL)),
        *(part.with_columns(course=pl.lit(by)) for part in of_each),
    ]
    told = [part.select(pl.col(name).cast(kind) for name, kind in SIGNALS.items()) for part in parts]
    return pl.concat(told).sort("value", "measure", "year", "day", nulls_last=False, maintain_order=True)


def _of_shares(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.filter(pl.col("signal") != "").select(
        "value", "year", "centre", "low", "high", pl.col("share").alias("seen"), pl.col("signal").alias("rule"),
        pl.lit(SHARE).alias("measure"), (pl.col("share") > pl.col("centre")).alias("worse"),
        pl.lit(None).alias("day"), _by_chance(pl.lit(2 * over_time.THREE_SIGMA)),
    )  # fmt: skip


def _of_gaps(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.filter(pl.col("signal") != "").select(
        "value", "day", "centre", pl.col("day").dt.year().alias("year"), pl.col("gap").alias("seen"),
        pl.col("signal").alias("rule"), pl.lit(GAP).alias("measure"), pl.lit(0.0).alias("low"),
        pl.col("limit").alias("high"), (pl.col("gap") < pl.col("centre")).alias("worse"),
        _by_chance(pl.col("beyond")),
    )  # fmt: skip


def _by_chance(beyond: pl.Expr) -> pl.Expr:
    return pl.when(pl.col("signal") == ROW).then(ROW_BY_CHANCE).otherwise(beyond).alias("by_chance")


def _of_changes(units: pl.DataFrame) -> pl.DataFrame:
    return units.filter(pl.col("changed").is_not_null()).select(
        "value", pl.col("changed").alias("year"), pl.col("before").alias("centre"), pl.col("after").alias("seen"),
        (pl.col("after") > pl.col("before")).alias("worse"), pl.lit(CHANGE).alias("rule"),
        pl.lit(RATIO).alias("measure"), pl.lit(None).alias("day"), pl.lit(None).alias("low"),
        pl.lit(None).alias("high"), pl.lit(None).alias("by_chance"),
    )  # fmt: skip


def _begins(frame: pl.DataFrame) -> np.ndarray:
    """Where another value's course begins, in rows sorted by value."""
    first = pl.int_range(pl.len()) == 0
    return frame.select(first | pl.col("value").ne_missing(pl.col("value").shift(1))).to_series().to_numpy()


def _signals(outside: np.ndarray, row: np.ndarray) -> pl.Series:
    told = np.where(outside, BEYOND, np.where(row, ROW, ""))
    return pl.Series("signal", told.tolist(), dtype=pl.String)

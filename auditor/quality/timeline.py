"""How a unit did over time: its share by year within limits, and its cases between failures, with what they signal."""

from __future__ import annotations

import numpy as np
import polars as pl

from auditor.quality import over_time


def by_year(years: pl.DataFrame, spread: float = 1.0) -> pl.DataFrame:
    """Shares by year of rows `year, judged, failed, expected` (several of a year are added up).

    Adds share, centre (the share expected), low, high (limits at three sigma) and signal: the rule that a year breaks,
    empty where none. Cases without a date are left out.
    """
    dated = years.filter(pl.col("year").is_not_null() & (pl.col("judged") > 0))
    frame = dated.group_by("year").agg(pl.col("judged", "failed", "expected").sum()).sort("year")
    judged, failed, expected = (frame[name].to_numpy().astype(float) for name in ("judged", "failed", "expected"))
    low, high = over_time.share_limits(expected, judged, spread)
    share = failed / judged
    outside = (share > high) | (share < low)
    row = over_time.in_a_row(failed > expected, failed < expected)
    return frame.with_columns(
        pl.Series("share", share), pl.Series("centre", expected / judged), pl.Series("low", low),
        pl.Series("high", high), _signals(outside, row),
    )  # fmt: skip


def between_failures(cases: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    """Cases that passed before each failure, in the order of time: number, day, gap, signal; and the upper limit.

    `cases` has day, system_id and failed. The centre is the mean gap of these cases; a gap beyond the limit or eight in
    a row on one side of the median is a signal. Cases without a date are left out.
    """
    ordered = cases.filter(pl.col("day").is_not_null()).sort("day", "system_id", maintain_order=True)
    gaps = over_time.gaps(ordered["failed"].to_numpy())
    failures = ordered.filter(pl.col("failed"))
    mean = float(gaps.mean()) if gaps.size else 0.0
    limit, median = over_time.g_limit(mean), over_time.g_median(mean)
    row = over_time.in_a_row(gaps > median, gaps < median)
    frame = pl.DataFrame({"number": np.arange(1, gaps.size + 1), "day": failures["day"], "gap": gaps})
    return frame.with_columns(_signals(gaps > limit, row)), limit


def _signals(outside: np.ndarray, row: np.ndarray) -> pl.Series:
    told = np.where(outside, over_time.BEYOND, np.where(row, over_time.ROW, ""))
    return pl.Series("signal", told.tolist(), dtype=pl.String)

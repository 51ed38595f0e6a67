"""What fails most, and which faults repeat: the same fault by the same unit in the same year."""

from __future__ import annotations

import polars as pl
from scipy import stats

from auditor.quality.limits import false_discovery

#: The least number of systems that makes a pattern.
LEAST_REPEATS = 3
#: Share of false alarms that is borne among the patterns that are told.
FALSE_ALARMS = 0.05


def pareto(causes: pl.DataFrame) -> pl.DataFrame:
    """Causes by how often they come, the most frequent first: `cause`, `failed`, `share`, `cumulative` (shares).

    `causes` has `cause` and `failed`, a count each.
    """
    frame = causes.group_by("cause").agg(pl.col("failed").sum()).filter(pl.col("failed") > 0)
    frame = frame.sort("failed", "cause", descending=[True, False])
    share = pl.col("failed") / pl.col("failed").sum()
    return frame.with_columns(share.alias("share"), share.cum_sum().alias("cumulative"))


def repeats(counts: pl.DataFrame) -> pl.DataFrame:
    """The faults that a unit repeats within a year more often than chance explains.

    `counts` has `value` (the unit), `year`, `cause`, `judged` and `failed` systems. What is expected is the share of
    all systems of that year in which the cause fails; the chance of as many or more is the exact binomial tail, and
    the share of false alarms among those told is at most `FALSE_ALARMS`. The unit's own systems count in the share of
    all, which errs towards silence. Adds `expected` and `chance`; most systems first.
    """
    of_all = counts.group_by("year", "cause").agg(pl.col("judged").sum().alias("all"), pl.col("failed").sum().alias("f"))
    frame = counts.filter(pl.col("failed") >= LEAST_REPEATS).join(of_all, on=["year", "cause"], nulls_equal=True)
    share = frame["f"].to_numpy() / frame["all"].to_numpy()
    judged, failed = frame["judged"].to_numpy(), frame["failed"].to_numpy()
    chance = stats.binom.sf(failed - 1, judged, share)
    frame = frame.with_columns(pl.Series("expected", judged * share), pl.Series("chance", chance)).drop("all", "f")
    # Patterns that are too small to be told were looked at, too: they count among the tests, with a chance of one.
    tests = counts.filter(pl.col("judged") > 0).height
    told = false_discovery([*chance, *[1.0] * (tests - frame.height)])[: frame.height] <= FALSE_ALARMS
    return frame.filter(pl.Series(told, dtype=pl.Boolean)).sort("failed", "value", "year", "cause", descending=[True, False, False, False])

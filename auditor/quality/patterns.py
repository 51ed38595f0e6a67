"""What fails most, and which faults repeat: the same fault by the same unit in the same year."""

from __future__ import annotations

import polars as pl
import scipy  # its parts load when they are first used: they are slow to

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
    the share of false alarms among those told is at most `FALSE_ALARMS`. Counts that could not reach that chance even
    if all failed are no test (R. E. Tarone, Biometrics 46:515-522, 1990). The unit's own systems count in the share of
    all, which errs towards silence; so do those of no named unit, which repeat nobody's fault. Adds `expected` and
    `chance`; most systems first.
    """
    sums = counts.group_by("year", "cause").agg(pl.col("judged").sum().alias("all"), pl.col("failed").sum().alias("f"))
    frame = counts.join(sums, on=["year", "cause"], nulls_equal=True)
    share = pl.col("f") / pl.col("all")
    named = pl.col("value").is_not_null()
    tests = frame.filter(named & (pl.col("f") > 0) & (share.pow(pl.col("judged")) <= FALSE_ALARMS))
    tests = tests.with_columns((share * pl.col("judged")).alias("expected"))
    failed, judged, expected = (tests[name].to_numpy() for name in ("failed", "judged", "expected"))
    chance = scipy.stats.binom.sf(failed - 1, judged, expected / judged)
    told = (false_discovery(chance) <= FALSE_ALARMS) & (failed >= LEAST_REPEATS)
    found = tests.drop("all", "f").with_columns(pl.Series("chance", chance, dtype=pl.Float64))
    order = {"failed": True, "value": False, "year": False, "cause": False}
    return found.filter(pl.Series(told, dtype=pl.Boolean)).sort(list(order), descending=list(order.values()))

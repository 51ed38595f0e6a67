"""What to mend first: the candidates that remove the most expected trip-days under a budget, or under crew days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from auditor.errors import AuditorError
from auditor.remedies.programme import Options, solved

Spent = Literal["cost", "crew_days"]

#: Budgets along the curve.
BUDGETS = 10


@dataclass(frozen=True)
class Plan:
    """A plan: `chosen` rows of the table, what they remove and spend, and the most that any plan could remove.

    `removed` and `at_most` are trip-days a year; they are equal where the plan is proved best.
    """

    chosen: pl.DataFrame
    budget: float
    removed: float
    spent: float
    at_most: float


def eligible(table: pl.DataFrame, spent: Spent) -> pl.DataFrame:
    """The candidates that a plan may choose from: proposed, with a price, and removing some trip-days.

    A candidate is left out where another of its system removes no less and costs no more: no plan needs it.
    """
    frame = table.filter(pl.col("proposed") & (pl.col("trip_days_removed") > 0) & pl.col(spent).is_not_null())
    frame = frame.sort("system_id", spent, -pl.col("trip_days_removed"), "candidate")
    best_before = pl.col("trip_days_removed").cum_max().shift(1).over("system_id")
    return frame.filter((pl.col("trip_days_removed") > best_before).fill_null(True))


def plan(frame: pl.DataFrame, budget: float, spent: Spent) -> Plan:
    """Return the plan under a budget, at most one candidate a system; `frame` is what `eligible` returns.

    Solved exactly, see `programme`. AuditorError for a budget that is no amount.
    """
    if not budget >= 0 or budget == float("inf"):
        raise AuditorError(f"{budget}: a budget is an amount, zero or more.")
    if not frame.height:
        return Plan(frame, budget, 0.0, 0.0, 0.0)
    gain, cost = (frame[name].to_numpy() for name in ("trip_days_removed", spent))
    first = frame.select(pl.col("system_id").ne_missing(pl.col("system_id").shift(1))).to_series().arg_true().to_numpy()
    taken, at_most = solved(Options(gain, cost, first.astype(np.int64)), budget)
    total = float(gain[taken].sum())
    return Plan(frame.filter(pl.Series(taken)), budget, total, float(cost[taken].sum()), max(total, at_most))


def whole_cost(frame: pl.DataFrame, spent: Spent) -> float:
    """What it takes to remove all that can be removed: the best candidate of every system."""
    best = frame.group_by("system_id").agg(pl.col(spent).get(pl.col("trip_days_removed").arg_max()))
    return float(best[spent].sum())


def curve(frame: pl.DataFrame, spent: Spent) -> pl.DataFrame:
    """Return one row per budget: `budget`, `removed` trip-days a year, `spent`, `at_most` and `systems`.

    Budgets go in even steps from nothing to what removes all that can be removed.
    """
    whole = whole_cost(frame, spent)
    rows = [plan(frame, whole * step / BUDGETS, spent) for step in range(BUDGETS + 1)]
    return pl.DataFrame(
        [(p.budget, p.removed, p.spent, p.at_most, p.chosen.height) for p in rows],
        schema={"budget": pl.Float64, "removed": pl.Float64, "spent": pl.Float64, "at_most": pl.Float64,
                "systems": pl.Int64},
        orient="row",
    )  # fmt: skip

"""What to mend first: the candidates that remove the most expected trip-days under a budget, or under crew days."""

from __future__ import annotations

import ctypes
import os
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from auditor.errors import AuditorError

Spent = Literal["cost", "crew_days"]

#: Longest time for one plan [s]; a plan that is not proved best by then says how far from it it may be.
LONGEST_S = 20.0
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


_QUIET = threading.Lock()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the solver from printing: it says a line of its own for some solutions, whatever its options ask."""
    if os.name != "posix":
        yield
        return
    flush = ctypes.CDLL(None).fflush
    with _QUIET, open(os.devnull, "wb") as nowhere:  # noqa: PTH123
        sys.stdout.flush()
        held = os.dup(1)
        try:
            os.dup2(nowhere.fileno(), 1)
            yield
        finally:
            flush(None)
            os.dup2(held, 1)
            os.close(held)


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

    An integer programme, solved exactly by HiGHS: maximise Σ removed x with Σ cost x <= budget, Σ x <= 1 for each
    system, x in {0, 1}. AuditorError for a budget that is no amount.
    """
    if not budget >= 0 or budget == float("inf"):
        raise AuditorError(f"{budget}: a budget is an amount, zero or more.")
    if not frame.height:
        return Plan(frame, budget, 0.0, 0.0, 0.0)
    removed, cost = (frame[name].to_numpy() for name in ("trip_days_removed", spent))
    _, system = np.unique(frame["system_id"].to_numpy(), return_inverse=True)
    ones, columns = np.ones(frame.height), np.arange(frame.height)
    one_each = csr_array((ones, (system, columns)))
    # The solver's tolerance is absolute: in shares of the budget it does not depend on the currency.
    share = cost / budget if budget > 0 else np.where(cost > 0, 2.0, 0.0)
    within = LinearConstraint(csr_array(share[None, :]), ub=1.0)
    with _quiet():
        found = milp(
            -removed,
            integrality=ones,
            bounds=Bounds(0, 1),
            constraints=[LinearConstraint(one_each, ub=1.0), within],
            options={"mip_rel_gap": 0.0, "time_limit": LONGEST_S},
        )
    if found.x is None:
        raise AuditorError(f"No plan was found within {LONGEST_S:.0f} s. Plan for fewer systems.")
    taken = np.round(found.x) > 0
    total = float(removed[taken].sum())
    bound = -float(found.mip_dual_bound) if found.mip_dual_bound is not None else total
    return Plan(frame.filter(pl.Series(taken)), budget, total, float(cost[taken].sum()), max(total, bound))


def whole_cost(frame: pl.DataFrame, spent: Spent) -> float:
    """What it takes to remove all that can be removed: the best candidate of every system."""
    best = frame.group_by("system_id").agg(pl.col(spent).get(pl.col("trip_days_removed").arg_max()))
    return float(best[spent].sum())


def curve(frame: pl.DataFrame, spent: Spent, budgets: Sequence[float] | None = None) -> pl.DataFrame:
    """Return one row per budget: `budget`, `removed` trip-days a year, `spent`, `at_most` and `systems`.

    Without budgets they go in even steps from nothing to what removes all that can be removed.
    """
    whole = whole_cost(frame, spent)
    steps = [whole * step / BUDGETS for step in range(BUDGETS + 1)] if budgets is None else budgets
    rows = [plan(frame, budget, spent) for budget in steps]
    return pl.DataFrame(
        [(p.budget, p.removed, p.spent, p.at_most, p.chosen.height) for p in rows],
        schema={"budget": pl.Float64, "removed": pl.Float64, "spent": pl.Float64, "at_most": pl.Float64,
                "systems": pl.Int64},
        orient="row",
    )  # fmt: skip

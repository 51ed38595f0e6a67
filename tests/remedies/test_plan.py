"""A plan removes as much as the best of all plans, found by trying them all."""

from __future__ import annotations

import io
import os
from concurrent.futures import ThreadPoolExecutor
from itertools import product

import numpy as np
import polars as pl
import pytest

from auditor.errors import AuditorError
from auditor.remedies.plan import curve, eligible, plan, whole_cost


def table(rng: np.random.Generator, systems: int, each: int) -> pl.DataFrame:
    """Candidates as a mended table holds them; costs in whole units, so that sums are exact."""
    rows = systems * each
    removed = np.where(rng.random(rows) > 0.1, rng.exponential(3, rows), np.nan)
    cost = np.where(rng.random(rows) > 0.1, rng.integers(1, 40, rows) * 25.0, np.nan)
    return pl.DataFrame(
        {
            "system_id": [f"S{n // each}" for n in range(rows)],
            "candidate": [n % each + 1 for n in range(rows)],
            "proposed": rng.random(rows) > 0.15,
            "trip_days_removed": pl.Series(removed).fill_nan(None),
            "cost": pl.Series(cost).fill_nan(None),
        }
    )  # fmt: skip


def best_of_all(frame: pl.DataFrame, budget: float) -> float:
    """The most trip-days that any choice of at most one candidate a system removes under the budget."""
    usable = frame.filter("proposed", pl.col("cost").is_not_null(), pl.col("trip_days_removed") > 0)
    groups = [
        [(0.0, 0.0), *rows.select("cost", "trip_days_removed").rows()] for _, rows in usable.group_by("system_id")
    ]
    plans = (tuple(map(sum, zip(*chosen, strict=True))) for chosen in product(*groups))
    return max((removed for cost, removed in plans if cost <= budget), default=0.0)


@pytest.mark.parametrize("seed", range(6))
def test_a_small_plan_equals_the_best_of_all_plans(seed):
    held = table(np.random.default_rng(seed), 5, 4)
    frame = eligible(held, "cost")
    for budget in (0.0, 100.0, 475.0, 1000.0, whole_cost(frame, "cost")):
        found = plan(frame, budget, "cost")
        assert found.removed == pytest.approx(best_of_all(held, budget), rel=1e-9)
        assert found.spent <= budget and found.at_most == pytest.approx(found.removed, rel=1e-6)
        assert found.chosen["system_id"].is_unique().all()
        assert found.chosen["trip_days_removed"].sum() == pytest.approx(found.removed)


def best_by_table(frame: pl.DataFrame, budget: int) -> float:
    """The same by a table over the budget in steps of 25: each system takes one of its options, or none."""
    gains = np.zeros(budget // 25 + 1)
    for _, rows in frame.group_by("system_id"):
        taken = [gains]
        for cost, gain in rows.select("cost", "trip_days_removed").rows():
            step = int(cost) // 25
            moved = np.full(gains.size, -np.inf)
            moved[step:] = gains[: gains.size - step] + gain if step < gains.size else moved[step:]
            taken.append(moved)
        gains = np.maximum.reduce(taken)
    return float(np.maximum.accumulate(gains)[-1])


@pytest.mark.parametrize("budget", [1_000, 9_975, 60_000])
def test_a_large_plan_equals_the_one_of_a_table_over_the_budget(budget):
    frame = eligible(table(np.random.default_rng(11), 600, 4), "cost")
    found = plan(frame, float(budget), "cost")
    assert found.removed == pytest.approx(best_by_table(frame, budget), rel=1e-9)
    assert found.at_most == pytest.approx(found.removed, rel=1e-9) and found.spent <= budget


def test_a_greedy_loop_would_be_wrong():
    """By hand: 10 to spend. The best for its cost is 6 for 5, then nothing else fits; 5 and 5 for 5 each remove 10."""
    frame = pl.DataFrame(
        {"system_id": ["A", "B", "C"], "candidate": [1, 1, 1], "proposed": [True] * 3,
         "trip_days_removed": [7.0, 5.0, 5.0], "cost": [6.0, 5.0, 5.0]}
    )  # fmt: skip
    assert plan(eligible(frame, "cost"), 10.0, "cost").removed == 10.0


def test_the_curve_rises_to_all_that_can_be_removed():
    frame = eligible(table(np.random.default_rng(7), 30, 4), "cost")
    found = curve(frame, "cost")
    assert found["removed"][0] == 0.0 and found["removed"].is_sorted()
    best = frame.group_by("system_id").agg(pl.col("trip_days_removed").max())
    assert found["removed"][-1] == pytest.approx(best["trip_days_removed"].sum())
    assert (found["spent"] <= found["budget"] + 1e-6).all()


def test_nothing_to_plan_and_no_amount(capfd):
    empty = table(np.random.default_rng(1), 2, 2).clear()
    assert plan(eligible(empty, "cost"), 100.0, "cost").removed == 0.0
    assert curve(eligible(empty, "cost"), "cost")["removed"].to_list() == [0.0] * 11
    with pytest.raises(AuditorError, match="a budget is an amount"):
        plan(eligible(empty, "cost"), float("nan"), "cost")


def test_the_solver_prints_nothing(capfd):
    """Some solutions make HiGHS print a line of its own to the standard output."""
    rng = np.random.default_rng(3)
    frame = eligible(table(rng, 100, 4).with_columns(cost=pl.col("cost") * 1.0371), "cost")
    plan(frame, whole_cost(frame, "cost") / 5, "cost")
    assert capfd.readouterr().out == ""


def test_a_plan_needs_no_standard_output(monkeypatch):
    """A closed one is no fault, and a server's threads leave the process's output where it is."""
    rng = np.random.default_rng(3)
    frame = eligible(table(rng, 100, 4).with_columns(cost=pl.col("cost") * 1.0371), "cost")
    budget = whole_cost(frame, "cost") / 5
    usual = plan(frame, budget, "cost").removed
    redirected = []
    dup2 = os.dup2
    with monkeypatch.context() as patch:
        patch.setattr("os.dup2", lambda *given: redirected.append(given) or dup2(*given))
        with ThreadPoolExecutor(1) as pool:
            assert pool.submit(plan, frame, budget, "cost").result().removed == usual
        for broken in (None, io.TextIOWrapper(io.BytesIO())):
            if broken:
                broken.close()
            patch.setattr("sys.stdout", broken)
            assert plan(frame, budget, "cost").removed == usual
    assert redirected == []

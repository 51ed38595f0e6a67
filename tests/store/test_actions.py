"""Corrective actions: which steps lead where, what a run moves, how they age."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.actions import Action, actions_of, ageing, moves, summary, table
from auditor.store.decisions import Decision, all_decisions, append, in_force

ABOUT = {"system": "S1", "check": "busbar", "owner": "Bo", "due": "2026-02-01"}


def held(store: Store) -> list[Action]:
    return actions_of(in_force(all_decisions(store)))


def step(store: Store, kind: str, number: int = 1) -> None:
    extra = {"run": ""} if kind in ("reopen", "verify") else {}
    append(store, f"action-{kind}", {"action": str(number), **extra}, "since", "Ada")


def test_an_action_goes_its_way_and_keeps_its_history(store: Store) -> None:
    append(store, "action", ABOUT, "too small", "Ada")
    states = [held(store)[0].state]
    for kind in ("answer", "accept", "verify", "reopen", "answer"):
        step(store, kind)
        states.append(held(store)[0].state)
    assert states == ["open", "answered", "evidence accepted", "verified", "reopened", "answered"]
    (action,) = held(store)
    assert (action.number, action.owner, action.due, action.reopened) == (1, "Bo", date(2026, 2, 1), 1)
    assert [d.kind for d in action.history][:2] == ["action", "action-answer"]


def test_a_step_that_leads_nowhere_is_refused(store: Store) -> None:
    append(store, "action", ABOUT, "too small", "Ada")
    for kind, what in (
        ("accept", "Action 1 is open; only one that is answered becomes evidence accepted."),
        ("reopen", "Action 1 is open; only one that is answered or evidence accepted or verified becomes reopened."),
    ):
        with pytest.raises(AuditorError) as refused:
            step(store, kind)
        assert str(refused.value) == what
    with pytest.raises(AuditorError, match="no corrective action 7"):
        step(store, "answer", 7)
    with pytest.raises(AuditorError, match="Action 1 is about busbar of S1 already"):
        append(store, "action", ABOUT, "again", "Ada")
    for wrong, what in (({"due": "soon"}, "year-month-day"), ({"owner": " "}, "needs an owner")):
        with pytest.raises(AuditorError, match=what):
            append(store, "action", ABOUT | {"system": "S2"} | wrong, "why", "Ada")
    assert len(all_decisions(store)) == 1
    # Undone, it is no action any more, nor do its steps count.
    step(store, "answer")
    append(store, "undo", {}, "a mistake", "Ada", undoes=1)
    assert held(store) == []


def test_a_run_moves_what_passes_and_what_fails_again() -> None:
    opened = [
        Decision(n, "2026-01-01T08:00:00+00:00", "Ada", "action", ABOUT | {"system": f"S{n}"}, "why") for n in (1, 2, 3)
    ]
    verified = Decision(4, "2026-01-05T08:00:00+00:00", "run 2", "action-verify", {"action": "3", "run": "2"}, "passes")
    actions = actions_of([*opened, verified])
    verdicts = {("S1", "busbar"): "pass", ("S2", "busbar"): "unknown", ("S3", "busbar"): "fail"}
    told = moves(actions, verdicts, 9)
    assert [(kind, subject["action"], subject["run"]) for kind, subject, _ in told] == [
        ("action-verify", "1", "9"),
        ("action-reopen", "3", "9"),
    ]
    assert moves(actions, {}, 9) == []
    assert moves(actions, {("S2", "busbar"): "fail", ("S3", "busbar"): "pass"}, 9) == []  # as they are
    # A verified one stopped ageing; the others are 40 days old, and overdue since the second of February.
    frame = table(actions, date(2026, 2, 10))
    assert frame["age_days"].to_list() == [40, 40, 4]
    assert frame["overdue"].to_list() == [True, True, False]
    assert table(actions, date(2026, 2, 1))["overdue"].to_list() == [False] * 3
    assert summary(frame) == (
        "2 open, 1 verified. Those not verified are 40 days old at the middle, 2 of them overdue."
        " 0 of 3 came back after they were answered."
    )
    assert summary(frame.clear()) == "No corrective action was opened."
    aged = ageing(frame).fill_null(0)
    assert aged.columns == ["state", "actions", "0 to 30 days", "31 to 90 days", "over 90 days", "overdue", "came back"]
    assert aged.filter(pl.col("actions") > 0).rows() == [("open", 2, 0, 2, 0, 2, 0), ("verified", 1, 1, 0, 0, 0, 0)]
    late = ageing(table(actions, date(2026, 4, 2)).with_columns(designer=pl.Series(["Cy", "Bo", "Cy"])), "designer")
    assert late.rows() == [("Bo", 1, 0, 0, 1, 1, 0), ("Cy", 2, 1, 0, 1, 1, 0)]

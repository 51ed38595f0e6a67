"""Corrective actions: what is to be put right on a system, who owns it, and how far it is.

They are decisions like others (`decisions.py`): one opens an action, later ones move it. A published run moves it by
itself: a check that passes verifies the action, one that fails after that reopens it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

import polars as pl

from auditor.errors import AuditorError

if TYPE_CHECKING:
    from auditor.store.decisions import Decision

OPEN, ANSWERED, ACCEPTED, VERIFIED, REOPENED = "open", "answered", "evidence accepted", "verified", "reopened"
#: What each kind of decision about an action is about; `action` is the number of the decision that opened it, `run` the
#: run that moved it, empty where a person did.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "action": ("system", "check", "owner", "due"),
    "action-answer": ("action",),
    "action-accept": ("action",),
    "action-verify": ("action", "run"),
    "action-reopen": ("action", "run"),
}
#: From which states each step leads, and where to.
STEPS: dict[str, tuple[tuple[str, ...], str]] = {
    "action-answer": ((OPEN, REOPENED), ANSWERED),
    "action-accept": ((ANSWERED,), ACCEPTED),
    "action-verify": ((OPEN, ANSWERED, ACCEPTED, REOPENED), VERIFIED),
    "action-reopen": ((ANSWERED, ACCEPTED, VERIFIED), REOPENED),
}
SCHEMA: dict[str, pl.DataType] = {
    "action": pl.Int64(),
    "system_id": pl.String(),
    "check": pl.String(),
    "state": pl.String(),
    "owner": pl.String(),
    "opened": pl.Date(),
    "due": pl.Date(),
    "age_days": pl.Int64(),
    "overdue": pl.Boolean(),
    "reopened": pl.Int64(),
    "last_step": pl.String(),
    "why": pl.String(),
}


#: Ages by which actions that wait are told apart [days].
AGES = (30, 90)


@dataclass(frozen=True)
class Action:
    """A corrective action; `history` are its decisions, the opening one first, `reopened` how often it came back."""

    number: int
    system: str
    check: str
    owner: str
    due: date
    state: str
    reopened: int
    history: tuple[Decision, ...]

    @property
    def opened(self) -> date:
        """The day it was opened, in UTC."""
        return datetime.fromisoformat(self.history[0].at).date()

    def age_days(self, day: date) -> int:
        """How old it is on a day; a verified one stopped ageing on the day it was verified [days]."""
        until = datetime.fromisoformat(self.history[-1].at).date() if self.state == VERIFIED else day
        return max((until - self.opened).days, 0)

    def overdue(self, day: date) -> bool:
        """Whether it was due before a day and is not verified."""
        return self.state != VERIFIED and self.due < day


def actions_of(standing: Iterable[Decision]) -> list[Action]:
    """The actions of the decisions in force, oldest first. Steps of an action that was undone count for nothing."""
    held: dict[int, Action] = {}
    for decision in standing:
        if decision.kind == "action":
            about = decision.subject
            due = date.fromisoformat(about["due"])
            held[decision.id] = Action(
                decision.id, about["system"], about["check"], about["owner"], due, OPEN, 0, (decision,)
            )
        elif decision.kind in STEPS and int(decision.subject["action"]) in held:
            action = held[int(decision.subject["action"])]
            state = STEPS[decision.kind][1]
            held[action.number] = replace(
                action, state=state, reopened=action.reopened + (state == REOPENED),
                history=(*action.history, decision),
            )  # fmt: skip
    return list(held.values())


def check_step(new: Decision, standing: Iterable[Decision]) -> None:
    """Refuse a decision that leads nowhere: AuditorError says what would."""
    held = actions_of(standing)
    if new.kind == "action":
        _check_opening(new.subject, held)
        return
    number = new.subject["action"]
    action = next((one for one in held if str(one.number) == number), None)
    if action is None:
        raise AuditorError(f"There is no corrective action {number}. `auditor action list` shows them.")
    before, after = STEPS[new.kind]
    if action.state not in before:
        raise AuditorError(
            f"Action {number} is {action.state}; only one that is {' or '.join(before)} becomes {after}."
        )


def opening_faults(owner: str, due: str) -> dict[str, str]:
    """What is wrong with an owner and a due date, by which of both it is; nothing where both will do."""
    told = {}
    if not owner.strip():
        told["owner"] = "A corrective action needs an owner."
    try:
        date.fromisoformat(due)
    except ValueError:
        told["due"] = f"{due or 'No date'}: write the due date as year-month-day, such as 2026-01-31."
    return told


def steps_from(state: str) -> list[str]:
    """The kinds of decision by which a person can move an action on from a state; only a run verifies one."""
    return [kind for kind, (before, _) in STEPS.items() if state in before and kind != "action-verify"]


def _check_opening(subject: Mapping[str, str], held: Iterable[Action]) -> None:
    for fault in opening_faults(subject["owner"], subject["due"]).values():
        raise AuditorError(fault)
    same = next((one for one in held if (one.system, one.check) == (subject["system"], subject["check"])), None)
    if same is not None:
        again = " Reopen it" if same.state == VERIFIED else " Move that one on"
        raise AuditorError(
            f"Action {same.number} is about {same.check} of {same.system} already, and is {same.state}.{again} instead."
        )


def moves(
    held: Iterable[Action], verdicts: Mapping[tuple[str, str], str], run: int
) -> list[tuple[str, dict[str, str], str]]:
    """What a run moves: kind, subject and words of each decision to add.

    `verdicts` are the run's by system and check; a check that is unknown or does not apply moves nothing.
    """
    told = []
    for action in held:
        verdict = verdicts.get((action.system, action.check))
        subject = {"action": str(action.number), "run": str(run)}
        if verdict == "pass" and action.state != VERIFIED:
            told.append(("action-verify", subject, f"{action.check} passes in run {run}"))
        elif verdict == "fail" and action.state == VERIFIED:
            told.append(("action-reopen", subject, f"{action.check} fails again in run {run}"))
    return told


def table(held: Iterable[Action], day: date) -> pl.DataFrame:
    """Actions as a frame on a day: `SCHEMA`."""
    rows = [
        (one.number, one.system, one.check, one.state, one.owner, one.opened, one.due, one.age_days(day),
         one.overdue(day), one.reopened, f"{one.history[-1].at[:10]} {one.history[-1].who}: {one.history[-1].text}",
         one.history[0].text)
        for one in held
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def history(number: int, decisions: Iterable[Decision]) -> pl.DataFrame:
    """All that was decided about an action, the first first, what was taken back included: at (UTC), what, who, why."""
    told: dict[int, str] = {}
    rows = []
    for one in decisions:
        if one.id == number or (one.kind in STEPS and one.subject["action"] == str(number)):
            told[one.id] = OPEN if one.kind == "action" else STEPS[one.kind][1]
        elif one.undoes in told:
            told[one.id] = f"“{told[one.undoes]}” taken back"
        else:
            continue
        rows.append((one.at[:16].replace("T", " "), told[one.id], one.who, one.text))
    return pl.DataFrame(rows, schema=["at", "what", "who", "why"], orient="row")


def ageing(frame: pl.DataFrame, by: str = "state") -> pl.DataFrame:
    """How many actions stand in each state, or under each value of another column, by age, and which came back.

    Columns: `by`, actions, one for each age (days since it was opened), overdue, came back. A verified one has the age
    at which it was verified. States are in their order, other values in that of their names.
    """
    bounds = [-1, *AGES]
    names = [f"{low + 1} to {high} days" for low, high in zip(bounds, AGES, strict=False)] + [f"over {AGES[-1]} days"]
    age = pl.col("age_days")
    counts = [
        ((age > low) & (age <= high)).sum().alias(name)
        for name, low, high in zip(names, bounds, [*AGES, 2**31], strict=True)
    ]
    order = [OPEN, ANSWERED, ACCEPTED, REOPENED, VERIFIED] if by == "state" else sorted(frame[by].unique())
    table = frame.group_by(by).agg(
        pl.len().alias("actions"), *counts, pl.col("overdue").sum(),
        (pl.col("reopened") > 0).sum().alias("came back"),
    )  # fmt: skip
    return pl.DataFrame({by: order}, schema={by: pl.String()}).join(table, on=by, maintain_order="left")


def _middle(waiting: pl.DataFrame) -> int:
    """The age in the middle [days]."""
    ages: list[int] = sorted(waiting["age_days"])
    return ages[len(ages) // 2]


def summary(frame: pl.DataFrame) -> str:
    """How many actions stand where, how old those are that are not verified, and how many came back."""
    if not frame.height:
        return "No corrective action was opened."
    counts = [
        f"{count} {state}"
        for state in (OPEN, ANSWERED, ACCEPTED, REOPENED, VERIFIED)
        if (count := int((frame["state"] == state).sum()))
    ]
    waiting = frame.filter(pl.col("state") != VERIFIED)
    age = f" Those not verified are {_middle(waiting)} days old at the middle" if waiting.height else ""
    late = f", {int(waiting['overdue'].sum())} of them overdue." if waiting.height else ""
    came_back = int((frame["reopened"] > 0).sum())
    return f"{', '.join(counts)}.{age}{late} {came_back} of {frame.height} came back after they were answered."

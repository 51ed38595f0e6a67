"""Complaints as a snapshot decided on them, with what people have noted since: the order in which to act on them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import polars as pl

from auditor.errors import AuditorError
from auditor.store.decisions import OPEN, SETTLED, Decision, complaint_states, in_force
from auditor.store.records_db import Connection

#: What comes first: a call, a cause to act on, then what a reading would settle.
_ORDER = {"stop": 0, "decided": 1, "cannot tell": 2}
#: What the chances of several causes mean.
BOTH = "Each chance is that of a cause alone or with another, so that together they may be more than 100\u00a0%."
#: From here on a chance is told as over 99 %.
NEARLY = 0.99


@dataclass(frozen=True)
class Complaint:
    """One complaint that is not settled, with the run's decision and the state that was noted last.

    `told` is the decision as `auditor.triage.tables` keeps it; empty where the run has no record of the system.
    """

    complaint_id: str
    system_id: str
    opened: date
    text: str
    status: str
    state: str
    answer: str
    chance: float | None
    next_step: str
    proof: str | None
    trip_days: float | None
    told: dict[str, Any]

    @property
    def reader(self) -> str:
        """Whom a sheet is for: a call that lies behind the meter is no matter of the utility's."""
        alarms = self.told.get("alarms", ())
        return "crew" if alarms and all(alarm.get("behind_meter") for alarm in alarms) else "utility"

    @property
    def bits(self) -> float:
        """What the most telling look is expected to tell."""
        looks = self.told.get("looks", [])
        return float(looks[0]["bits"]) if looks else 0.0


_QUERY = """
    SELECT t.complaint_id, t.system_id, c.opened, coalesce(c.text, '') AS text, t.state, t.answer, t.chance,
      t.next_step, t.proof, r.trip_days_per_year, t.told
    FROM triage t JOIN complaint c USING (complaint_id) LEFT JOIN system_result r ON r.system_id = t.system_id
"""


def open_complaints(con: Connection, decisions: Iterable[Decision]) -> list[Complaint]:
    """The complaints that are not settled, those to act on first; AuditorError for a run made before there were any."""
    rows = _rows(con, _QUERY)
    states = complaint_states(in_force(list(decisions)))
    found = []
    for name, system, opened, text, state, answer, chance, step, proof, days, told in rows:
        status = states[name].status if name in states else OPEN
        if status != SETTLED:
            found.append(Complaint(name, system, opened, text, status, state, answer, chance, step, proof, days,
                                   json.loads(told)))  # fmt: skip
    return sorted(found, key=_rank)


def complaint_ids(con: Connection) -> set[str]:
    """The ids of all complaints that a run holds, settled or not; AuditorError for a run made before there were any."""
    return {name for (name,) in _rows(con, "SELECT complaint_id FROM complaint")}


def _rows(con: Connection, query: str) -> list[tuple[Any, ...]]:
    try:
        return con.execute(query).fetchall()
    except duckdb.CatalogException as error:
        raise AuditorError("This run was made before complaints were decided on. Run: auditor audit") from error


#: Columns of the file that lists complaints.
LISTED: dict[str, pl.DataType] = {
    **dict.fromkeys(("complaint_id", "system_id"), pl.String()),
    "opened": pl.Date(),
    **dict.fromkeys(("status", "state", "answer"), pl.String()),
    "chance": pl.Float64(),
    **dict.fromkeys(("next_step", "proof"), pl.String()),
    "trip_days_per_year": pl.Float64(),
    "text": pl.String(),
}


def listed(found: list[Complaint]) -> pl.DataFrame:
    """The complaints as a table with the columns LISTED, in their order."""
    rows = [
        (o.complaint_id, o.system_id, o.opened, o.status, o.state, o.answer, o.chance, o.next_step, o.proof,
         o.trip_days, o.text)
        for o in found
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=LISTED, orient="row")


def _rank(one: Complaint) -> tuple[Any, ...]:
    return (
        _ORDER[one.state], one.status != OPEN, not one.told, -(one.chance or 0) if one.state == "decided" else 0.0,
        -one.bits, -(one.trip_days or 0.0), one.complaint_id,
    )  # fmt: skip


def percent(chance: float) -> str:
    """A chance as people read it; nothing is ever quite sure."""
    if chance >= NEARLY:
        return "over\u00a099\u00a0%"
    return "under\u00a01\u00a0%" if chance < 1 - NEARLY else f"{100 * chance:.0f}\u00a0%"


def chosen(found: list[Complaint], wanted: str) -> list[Complaint]:
    """The complaints of that id, or of the system of that id; AuditorError where there are none."""
    mine = [one for one in found if wanted in (one.complaint_id, one.system_id)]
    if not mine:
        raise AuditorError(
            f"{wanted}: no open complaint has that id, and no system of that id has one. `auditor triage` lists them."
        )
    return mine

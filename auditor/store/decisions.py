"""What people decided: who, when, what and why. Decisions are added, never changed; one can be undone by a later one.

They lie in a file of their own beside the records database, so that writing one waits for no import or audit and
reading goes on while one is written.
"""

from __future__ import annotations

import getpass
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime

import polars as pl

from auditor.errors import AuditorError
from auditor.store import actions
from auditor.store.folder import Store

#: What each kind of decision is about: the keys of its subject.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "merge": ("keep", "drop"),
    "not-duplicate": ("a", "b"),
    "note": ("system",),
    "complaint": ("complaint", "status", "day"),
    "waive": ("system", "check", "until"),
    "undo": (),
    **actions.SUBJECTS,
}
MERGED_SCHEMA: dict[str, pl.DataType] = {
    "dropped_id": pl.String(),
    "kept_id": pl.String(),
    "decision_id": pl.Int64(),
    "who": pl.String(),
    "at": pl.String(),
    "text": pl.String(),
}
WAIVER_SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "check": pl.String(),
    "until": pl.Date(),
    "decision_id": pl.Int64(),
    "who": pl.String(),
    "at": pl.String(),
    "text": pl.String(),
}
#: How long a writer waits for another [s].
_WAIT_S = 10.0

_TABLES = """
BEGIN IMMEDIATE;
CREATE TABLE IF NOT EXISTS decision (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    who TEXT NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    text TEXT NOT NULL,
    undoes INTEGER UNIQUE REFERENCES decision (id)
) STRICT;
CREATE TRIGGER IF NOT EXISTS decision_kept BEFORE UPDATE ON decision
BEGIN SELECT RAISE(ABORT, 'a decision is never changed'); END;
CREATE TRIGGER IF NOT EXISTS decision_held BEFORE DELETE ON decision
BEGIN SELECT RAISE(ABORT, 'a decision is never removed'); END;
CREATE TRIGGER IF NOT EXISTS decision_new BEFORE INSERT ON decision
WHEN EXISTS (SELECT 1 FROM decision WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'a decision is never replaced'); END;
COMMIT;
"""
_COLUMNS = "id, at, who, kind, subject, text, undoes"


@dataclass(frozen=True)
class Decision:
    """One decision. `at` is UTC; `undoes` is the id of the decision that this one takes back."""

    id: int
    at: str
    who: str
    kind: str
    subject: Mapping[str, str]
    text: str
    undoes: int | None = None


def all_decisions(store: Store) -> list[Decision]:
    """Every decision, oldest first; none where the store has no file of them yet."""
    if not store.decisions.exists():
        return []
    with _connected(store, "ro") as con:
        return _read(con)


def in_force(decisions: Sequence[Decision]) -> list[Decision]:
    """Those that stand: neither undone nor an undoing."""
    undone = {decision.undoes for decision in decisions}
    return [d for d in decisions if d.kind != "undo" and d.id not in undone]


def merges(standing: Iterable[Decision]) -> pl.DataFrame:
    """The systems that stand in the records under another id and are not audited, one row each: `MERGED_SCHEMA`.

    `kept_id` is the id that is audited in its place: where that was merged too, the one at the end.
    """
    decided = {d.subject["drop"]: d for d in standing if d.kind == "merge"}
    rows = []
    for dropped, decision in sorted(decided.items()):
        kept = decision.subject["keep"]
        while kept in decided:
            kept = decided[kept].subject["keep"]
        rows.append((dropped, kept, decision.id, decision.who, decision.at, decision.text))
    return pl.DataFrame(rows, schema=MERGED_SCHEMA, orient="row")


#: What a complaint may be: as it came, waiting for somebody, repaired on a day, or settled.
COMPLAINT_STATES = ("open", "crew sent", "with the utility", "repaired", "closed")
#: The state in which it stands, and the one in which nothing is decided on it any more.
OPEN, SETTLED = COMPLAINT_STATES[0], COMPLAINT_STATES[-1]


@dataclass(frozen=True)
class ComplaintState:
    """What was last noted of a complaint; `day` is that of its last repair (ISO), "" without one."""

    status: str
    day: str
    decision: Decision


def complaint_states(standing: Iterable[Decision]) -> dict[str, ComplaintState]:
    """The state of each complaint that somebody noted one of."""
    states: dict[str, ComplaintState] = {}
    for decision in standing:
        if decision.kind == "complaint":
            name, status = decision.subject["complaint"], decision.subject["status"]
            held = states.get(name)
            day = decision.subject["day"] if status == "repaired" else held.day if held and status != OPEN else ""
            states[name] = ComplaintState(status, day, decision)
    return states


def waivers(standing: Iterable[Decision]) -> pl.DataFrame:
    """What fails and is accepted until a day, that day included, one row a system and check: `WAIVER_SCHEMA`."""
    decided = {(d.subject["system"], d.subject["check"]): d for d in standing if d.kind == "waive"}
    rows = [
        (*about, date.fromisoformat(d.subject["until"]), d.id, d.who, d.at, d.text)
        for about, d in sorted(decided.items())
    ]
    return pl.DataFrame(rows, schema=WAIVER_SCHEMA, orient="row")


def told_apart(standing: Iterable[Decision]) -> list[tuple[str, str]]:
    """The pairs of ids that are two projects."""
    return [(d.subject["a"], d.subject["b"]) for d in standing if d.kind == "not-duplicate"]


def append(
    store: Store, kind: str, subject: Mapping[str, str], text: str, who: str = "", undoes: int | None = None
) -> Decision:
    """Add a decision and return it; `who` defaults to the user of this machine.

    AuditorError where it makes no sense beside those in force: a merge that would go round in circles, an undoing of
    what does not stand. What it is judged against cannot change while it is written.
    """
    _check_words(kind, subject, text)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    with _connected(store, "rwc") as con:
        con.execute("PRAGMA journal_mode = WAL")
        con.execute("PRAGMA synchronous = FULL")
        con.executescript(_TABLES)
        con.execute("BEGIN IMMEDIATE")
        held = _read(con)
        new = Decision(len(held) + 1, at, who or os_user(), kind, dict(subject), text.strip(), undoes)
        _check_sense(new, held)
        told = json.dumps(new.subject, sort_keys=True, ensure_ascii=False)
        con.execute(
            f"INSERT INTO decision ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (new.id, new.at, new.who, new.kind, told, new.text, new.undoes),
        )
        con.execute("COMMIT")
    return new


def os_user() -> str:
    """The name of this machine's user, or "unknown"."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "unknown"


@contextmanager
def _connected(store: Store, mode: str) -> Iterator[sqlite3.Connection]:
    where = f"{store.decisions.absolute().as_uri()}?mode={mode}"
    try:
        con = sqlite3.connect(where, uri=True, timeout=_WAIT_S, isolation_level=None)
        try:
            yield con
        finally:
            con.close()
    except sqlite3.Error as error:
        raise AuditorError(f"{store.decisions}: the decisions cannot be read or written: {error}.") from error


def _read(con: sqlite3.Connection) -> list[Decision]:
    if not con.execute("SELECT 1 FROM sqlite_master WHERE name = 'decision'").fetchall():
        return []  # Its first writer was killed before it wrote.
    rows = con.execute(f"SELECT {_COLUMNS} FROM decision ORDER BY id").fetchall()
    return [
        Decision(number, at, who, kind, json.loads(subject), text, undoes)
        for number, at, who, kind, subject, text, undoes in rows
    ]


def _check_words(kind: str, subject: Mapping[str, str], text: str) -> None:
    if set(subject) != set(SUBJECTS[kind]):
        raise ValueError(f"a decision {kind!r} is about {', '.join(SUBJECTS[kind])}")
    if not text.strip():
        raise AuditorError("A decision needs its reason, for whoever reads it later.")
    if kind == "complaint":
        _check_state(subject["status"], subject["day"])


def _check_state(status: str, day: str) -> None:
    if status not in COMPLAINT_STATES:
        raise AuditorError(f"{status!r} is no state of a complaint; they are {', '.join(COMPLAINT_STATES)}.")
    if (status == "repaired") != bool(day):
        raise AuditorError("A repair needs its day, such as 2026-01-31, and no other state has one.")
    try:
        date.fromisoformat(day or "2026-01-31")
    except ValueError as error:
        raise AuditorError(f"{day!r} is no day; write it as year-month-day, such as 2026-01-31.") from error


def _check_sense(new: Decision, held: Sequence[Decision]) -> None:
    standing = in_force(held)
    if new.kind == "undo":
        _check_undo(new, held, standing)
    elif new.kind == "merge":
        _check_merge(new.subject["keep"], new.subject["drop"], standing)
    elif new.kind == "not-duplicate":
        _check_apart(new.subject["a"], new.subject["b"], standing)
    elif new.kind == "waive":
        _check_waiver(new, standing)
    elif new.kind in actions.SUBJECTS:
        actions.check_step(new, standing)


def _check_undo(new: Decision, held: Sequence[Decision], standing: Sequence[Decision]) -> None:
    found = next((d for d in held if d.id == new.undoes), None)
    if found is None:
        raise AuditorError(f"There is no decision {new.undoes}. `auditor decide list` shows them.")
    if found.kind == "undo":
        raise AuditorError(f"Decision {found.id} is itself an undoing; decide the matter anew instead.")
    if found not in standing:
        raise AuditorError(f"Decision {found.id} was undone already.")


def _check_merge(keep: str, drop: str, standing: Sequence[Decision]) -> None:
    if keep == drop:
        raise AuditorError(f"{keep}: a system cannot be merged with itself; name two ids.")
    dropped = {d.subject["drop"]: d for d in standing if d.kind == "merge"}
    if drop in dropped:
        first = dropped[drop]
        raise AuditorError(f"{drop} is merged into {first.subject['keep']} already, by decision {first.id}.")
    if keep in dropped:
        first = dropped[keep]
        end = first.subject["keep"]
        raise AuditorError(
            f"{keep} is itself merged into {end}, by decision {first.id}."
            + (" Undo that first." if end == drop else f" Merge {drop} into {end}, or undo that first.")
        )
    apart = next((d for d in standing if d.kind == "not-duplicate" and {keep, drop} == set(d.subject.values())), None)
    if apart is not None:
        raise AuditorError(f"{keep} and {drop} were told apart, by decision {apart.id}. Undo that first.")


def _check_apart(a: str, b: str, standing: Sequence[Decision]) -> None:
    if a == b:
        raise AuditorError(f"{a}: name two ids.")
    for d in standing:
        if d.kind == "merge" and {a, b} == set(d.subject.values()):
            raise AuditorError(f"{a} and {b} are merged, by decision {d.id}. Undo that first.")
        if d.kind == "not-duplicate" and {a, b} == set(d.subject.values()):
            raise AuditorError(f"{a} and {b} were told apart already, by decision {d.id}.")


def _check_waiver(new: Decision, standing: Sequence[Decision]) -> None:
    until = new.subject["until"]
    try:
        date.fromisoformat(until)
    except ValueError as error:
        raise AuditorError(f"--until {until}: write the date as year-month-day, such as 2027-01-31.") from error
    about = new.subject["system"], new.subject["check"]
    for d in standing:
        if d.kind == "waive" and (d.subject["system"], d.subject["check"]) == about:
            raise AuditorError(
                f"{about[1]} of {about[0]} is waived already, until {d.subject['until']}, by decision {d.id}."
                " Undo that first."
            )

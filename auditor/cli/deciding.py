"""`auditor decide`: what people settle about systems, with who and why; each can be undone."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

from auditor.checks import BY_NAME
from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.errors import AuditorError
from auditor.reports.complaints import complaint_ids
from auditor.store import Store
from auditor.store.decisions import COMPLAINT_STATES, Decision, all_decisions, append, in_force
from auditor.store.snapshot import open_snapshot
from auditor.toml_file import did_you_mean

app = typer.Typer(help="Record what you settle about systems; nothing is changed or lost.", no_args_is_help=True)

WhyOption = Annotated[str, typer.Option("--why", help="The reason, for whoever reads it later.")]
WhoOption = Annotated[str, typer.Option("--who", help="Who decides; default: the user of this machine.")]


@app.command("merge")
def merge(
    keep: Annotated[str, typer.Argument(help="The id under which the project is audited.")],
    drop: Annotated[str, typer.Argument(help="The id that is the same project, and is left out.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Two ids are one project: the second is left out of audits."""
    place = _store_with(store, keep, drop)
    done = append(place, "merge", {"keep": keep, "drop": drop}, why, who)
    _told(done, f"{drop} is left out, its records are kept, and {keep} is judged by its own records", place)


@app.command("not-duplicate")
def not_duplicate(
    first: Annotated[str, typer.Argument(help="An id.")],
    second: Annotated[str, typer.Argument(help="Another, which is another project.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Two ids are two projects: they are not listed as possible duplicates any more."""
    place = _store_with(store, first, second)
    done = append(place, "not-duplicate", {"a": first, "b": second}, why, who)
    _told(done, f"{first} and {second} are judged as before, and not listed as possible duplicates", place)


@app.command("note")
def note(
    system: Annotated[str, typer.Argument(help="The system's id.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Keep a note about a system; verdicts do not change."""
    place = _store_with(store, system)
    _told(append(place, "note", {"system": system}, why, who), f"{system} is judged as before", place)


@app.command("complaint")
def complaint(
    complaint_id: Annotated[str, typer.Argument(help="The complaint's id.")],
    status: Annotated[str, typer.Argument(help=f"{', '.join(COMPLAINT_STATES[:-1])} or {COMPLAINT_STATES[-1]}.")],
    why: WhyOption,
    on: Annotated[str, typer.Option("--on", help="The day of a repair, such as 2026-01-31.")] = "",
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Note how a complaint stands; a repair is proved by the log since its day."""
    place = Store(store)
    with open_snapshot(place) as con:
        if complaint_id not in complaint_ids(con):
            raise AuditorError(f"{complaint_id}: the run that is shown holds no such complaint. Nothing was noted.")
    done = append(place, "complaint", {"complaint": complaint_id, "status": status, "day": on}, why, who)
    _told(done, f"complaint {complaint_id} is {status}", place)


@app.command("waive")
def waive(
    system: Annotated[str, typer.Argument(help="The system's id.")],
    check: Annotated[str, typer.Argument(help="The check whose failing is accepted there.")],
    until: Annotated[str, typer.Option("--until", help="The last day on which it is, such as 2027-01-31.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Accept a failing check of a system until a day; it is shown as failing all the same, with who and why."""
    if check not in BY_NAME:
        meant = did_you_mean(check, list(BY_NAME))
        raise AuditorError(f"{check}: there is no such check.{meant} `auditor explain` lists them.")
    place = _store_with(store, system)
    done = append(place, "waive", {"system": system, "check": check, "until": until}, why, who)
    _told(done, f"{check} of {system} is marked as waived until {until}, and its verdict stays", place)


@app.command("undo")
def undo(
    number: Annotated[int, typer.Argument(help="The decision's number, as `auditor decide list` shows it.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Take a decision back; both stay on record."""
    place = Store(store)
    place.require()
    done = append(place, "undo", {}, why, who, undoes=number)
    undone = next(d for d in all_decisions(place) if d.id == number)
    _told(done, _without(undone), place)


@app.command("list")
def list_decisions(store: StoreOption = DEFAULT_STORE) -> None:
    """List all decisions, those that were undone among them."""
    place = Store(store)
    place.require()
    decisions = all_decisions(place)
    if not decisions:
        show.plain("Nothing has been decided yet.")
        return
    standing = {d.id for d in in_force(decisions)}
    undone = {d.undoes: d.id for d in decisions}
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("number", "at (UTC)", "who", "what", "about", "why", "state"):
        table.add_column(name, justify="right" if name == "number" else "left")
    for d in decisions:
        state = "in force" if d.id in standing else f"undone by {undone[d.id]}" if d.id in undone else ""
        when = d.at.replace("T", " ").removesuffix("+00:00")
        table.add_row(str(d.id), when, *map(show.cell, (d.who, d.kind, _about(d), d.text)), state)
    show.tabular(table)


def _store_with(root: StoreOption, *systems: str) -> Store:
    """The store; AuditorError where the run that is shown knows one of the systems neither by itself nor as merged."""
    store = Store(root)
    known = {d.subject["drop"] for d in all_decisions(store) if d.kind == "merge"}
    with open_snapshot(store) as con:
        for system in systems:
            if system not in known and not con.execute("SELECT 1 FROM system WHERE system_id = ?", [system]).fetchall():
                raise AuditorError(f"{system}: the run that is shown holds no such system. Nothing was decided.")
    return store


def _told(done: Decision, effect: str, store: Store) -> None:
    show.plain(
        f"Decision {done.id}, by {done.who}. From the next audit on: {effect}.\n"
        f"Run: auditor audit{at_store(store.root)}   (to take it back:"
        f" auditor decide undo {done.id if done.undoes is None else 'NUMBER'} --why TEXT{at_store(store.root)})"
    )


def _without(undone: Decision) -> str:
    """What the next audit does once a decision is undone."""
    if undone.kind == "merge":
        return f"{undone.subject['drop']} is judged again beside {undone.subject['keep']}"
    if undone.kind == "not-duplicate":
        return f"{undone.subject['a']} and {undone.subject['b']} are listed again if they look like one project"
    if undone.kind == "waive":
        return f"{undone.subject['check']} of {undone.subject['system']} is not waived any more"
    return "nothing changes in the verdicts"


def _about(decision: Decision) -> str:
    if decision.kind == "merge":
        return f"{decision.subject['drop']} into {decision.subject['keep']}"
    if decision.kind == "waive":
        return "{check} of {system} until {until}".format(**decision.subject)
    if decision.undoes is not None:
        return f"decision {decision.undoes}"
    return ", ".join(filter(None, decision.subject.values()))

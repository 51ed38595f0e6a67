"""`auditor action`: what is to be put right, who owns it, and how far it is; a later audit that passes verifies it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.deciding import WhoOption, WhyOption
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.errors import AuditorError
from auditor.reports.actions import open_actions
from auditor.reports.export import export_frame
from auditor.store import Store
from auditor.store.actions import VERIFIED, actions_of, history, summary, table
from auditor.store.decisions import all_decisions, append, in_force
from auditor.store.snapshot import open_snapshot

app = typer.Typer(
    help="Corrective actions: opened and answered by people, verified by a later audit.", no_args_is_help=True
)
NumberArgument = Annotated[int, typer.Argument(help="The action's number, as `auditor action list` shows it.")]


@app.command("open")
def open_action(
    system: Annotated[str, typer.Argument(help="The system's id.")],
    check: Annotated[str, typer.Option("--check", help="The check that fails, such as voltage-rise.")],
    owner: Annotated[str, typer.Option("--owner", help="Who has to see to it.")],
    due: Annotated[str, typer.Option("--due", help="By when, such as 2026-01-31.")],
    why: WhyOption,
    who: WhoOption = "",
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Open an action on a check that fails in the run that is shown."""
    place = Store(store)
    with open_snapshot(place) as con:
        (done,) = open_actions(place, con, [system], check, owner, due, why, who)
    show.plain(f"Action {done.id} on {check} of {system}: {owner}, by {due}. An audit in which it passes verifies it.")


@app.command("answer")
def answer(number: NumberArgument, why: WhyOption, who: WhoOption = "", store: StoreOption = DEFAULT_STORE) -> None:
    """The owner says what was done, or will be."""
    _step(store, "action-answer", {"action": str(number)}, why, who, "answered")


@app.command("accept")
def accept(number: NumberArgument, why: WhyOption, who: WhoOption = "", store: StoreOption = DEFAULT_STORE) -> None:
    """The evidence is accepted; the records must still come in, and the audit pass."""
    _step(store, "action-accept", {"action": str(number)}, why, who, "evidence accepted")


@app.command("reopen")
def reopen(number: NumberArgument, why: WhyOption, who: WhoOption = "", store: StoreOption = DEFAULT_STORE) -> None:
    """It is not put right after all."""
    _step(store, "action-reopen", {"action": str(number), "run": ""}, why, who, "reopened")


@app.command("list")
def list_actions(
    every: Annotated[bool, typer.Option("--all", help="Also those that are verified.")] = False,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write all of them to a .csv, .xlsx, .jsonl or .parquet file.")
    ] = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the actions with state, owner, due date and age."""
    place = Store(store)
    place.require()
    frame = table(actions_of(in_force(all_decisions(place))), datetime.now(UTC).date())
    if output is not None:
        written = export_frame(frame, output)
        show.plain(f"{output}: {show.counted(written.rows, 'action')}.")
        return
    show.plain(summary(frame))
    rows = [row for row in frame.iter_rows(named=True) if every or row["state"] != VERIFIED]
    if not rows:
        return
    columns = ("number", "system", "check", "state", "owner", "due", "days old", "came back", "last step")
    shown = Table(box=None, pad_edge=False, header_style="bold")
    for name in columns:
        shown.add_column(name, justify="right" if name in ("number", "days old", "came back") else "left")
    for row in rows:
        due = f"{row['due']}{', overdue' if row['overdue'] else ''}"
        cells = (row["system_id"], row["check"], row["state"], row["owner"])
        figures = (due, str(row["age_days"]), str(row["reopened"]))
        shown.add_row(str(row["action"]), *map(show.cell, cells), *figures, show.cell(row["last_step"]))
    show.tabular(shown)


@app.command("show")
def show_action(number: NumberArgument, store: StoreOption = DEFAULT_STORE) -> None:
    """Show an action's history: who did what, when and why."""
    place = Store(store)
    place.require()
    decisions = all_decisions(place)
    held = {action.number: action for action in actions_of(in_force(decisions))}
    if number not in held:
        raise AuditorError(f"There is no corrective action {number}. `auditor action list` shows them.")
    one = held[number]
    show.plain(f"Action {number} on {one.check} of {one.system}: {one.state}; {one.owner}, due {one.due}.")
    for row in history(number, decisions).iter_rows(named=True):
        show.plain(f"  {row['at']}  {row['what']}, by {row['who']}: {row['why']}")


def _step(store: Path, kind: str, subject: dict[str, str], why: str, who: str, state: str) -> None:
    place = Store(store)
    place.require()
    done = append(place, kind, subject, why, who)
    show.plain(
        f"Action {subject['action']} is {state}, by {done.who}. To take it back:"
        f" auditor decide undo {done.id} --why TEXT{at_store(store)}"
    )

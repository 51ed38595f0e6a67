"""`auditor triage`: what to do about each complaint."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.reports.complaints import BOTH, Complaint, chosen, listed, open_complaints, percent
from auditor.reports.export import export_rows
from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.snapshot import open_snapshot

#: Looks that are named.
LOOKS = 3


def triage(
    wanted: Annotated[str, typer.Argument(metavar="[COMPLAINT|SYSTEM]", help="Only this one, and why.")] = "",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write them to a .csv, .xlsx, .jsonl or .parquet file.")
    ] = None,
    store: StoreOption = DEFAULT_STORE,
    run: Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")] = None,
) -> None:
    """Say what to do about each open complaint: a safety call, a cause, or the reading that would settle it."""
    place = Store(store)
    with open_snapshot(place, run) as con:
        found = open_complaints(con, all_decisions(place))
        if wanted:
            found = chosen(found, wanted)
        if output is not None:
            written = export_rows(listed(found), output)
            show.plain(f"{output}: {show.counted(written.rows, 'row')}.")
            return
    if wanted:
        for one in found:
            _detail(one, place)
    elif found:
        _list(found, place)
    else:
        show.plain("No complaint is open. Import some: auditor import complaints.csv --as complaints")


def _list(found: list[Complaint], place: Store) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in ("complaint", "system", "opened", "status", "answer", "sure", "next step"):
        table.add_column(column, overflow="fold")
    for one in found:
        sure = "" if one.chance is None or one.state != "decided" else percent(one.chance)
        cells = (one.complaint_id, one.system_id, f"{one.opened:%Y-%m-%d}", one.status, one.answer, sure, one.next_step)
        table.add_row(*map(show.cell, cells))
    show.tabular(table)
    show.plain(f"Why, for one of them: auditor triage COMPLAINT{at_store(place.root)}")


def _detail(one: Complaint, place: Store) -> None:
    show.plain(f"Complaint {one.complaint_id}, system {one.system_id}, opened {one.opened:%Y-%m-%d}, {one.status}.")
    if one.text:
        show.plain(f"  The customer says: {one.text}")
    sure = f" ({percent(one.chance)})" if one.state == "decided" and one.chance is not None else ""
    show.plain(f"  Answer: {one.answer}{sure}. {one.next_step}")
    for alarm in one.told.get("alarms", []):
        show.plain(f"  {alarm['sentence']}")
    if one.told.get("proof"):
        show.plain(f"  {one.told['proof']['sentence']}")
    if one.told.get("counted"):
        show.plain(f"  {one.told['counted']}")
    for ranked in one.told.get("ranked", []):
        show.plain(f"  {percent(ranked['chance']):>9}  {ranked['title']}")
        for word, sentences in (("for", ranked["speaks_for"]), ("against", ranked["speaks_against"])):
            for sentence in sentences:
                show.plain(f"        {word}: {sentence}")
    if one.told.get("ranked"):
        show.plain(f"  {BOTH}")
    for look in one.told.get("looks", [])[:LOOKS]:
        show.plain(f"  Would tell {look['bits']:.2f} bits: {look['sentence']}")
    if one.told.get("assumed"):
        show.plain(f"  Assumed: {', '.join(one.told['assumed'])}.")
    if one.told.get("counted"):
        reader = one.reader
        show.plain(
            f"  A sheet to send: auditor report {one.system_id} -o sheet.pdf --for {reader}{at_store(place.root)}"
        )

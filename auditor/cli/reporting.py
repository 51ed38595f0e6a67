"""`auditor report`: a sheet about one system, to send to a utility or to give to a crew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption
from auditor.errors import AuditorError
from auditor.reports.export import whole
from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.snapshot import open_snapshot

PAPERS = ("a4", "letter")


def report(
    system: Annotated[str, typer.Argument(help="The system's id.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="A .html or .pdf file.")],
    audience: Annotated[str, typer.Option("--for", help="utility or crew.")] = "utility",
    paper: Annotated[str, typer.Option("--paper", help="Of a PDF: a4 or letter.")] = "a4",
    store: StoreOption = DEFAULT_STORE,
    run: Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")] = None,
) -> None:
    """Write the evidence for a utility, or a work sheet for a crew, as one file that stands by itself."""
    from auditor.sheets import made  # slow to load

    suffix = output.suffix.lower()
    if suffix not in made.SUFFIXES:
        raise AuditorError(f"{output}: the suffix says the format; use one of {', '.join(made.SUFFIXES)}.")
    if audience not in made.AUDIENCES:
        raise AuditorError(f"--for {audience}: it is one of {', '.join(made.AUDIENCES)}.")
    if paper not in PAPERS:
        raise AuditorError(f"--paper {paper}: it is one of {', '.join(PAPERS)}.")
    place = Store(store)
    with open_snapshot(place, run) as con:
        content = made.written(con, all_decisions(place), system, audience, suffix, paper)
    with whole(output) as part:
        part.write_bytes(content)
    show.plain(f"{output}: the sheet of system {system} for the {audience}.")

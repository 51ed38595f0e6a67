"""`auditor export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store
from auditor.errors import AuditorError
from auditor.reports.export import XLSX_CHARACTERS, export_decisions
from auditor.reports.export import export as write
from auditor.reports.mending import write_mending
from auditor.reports.tables import WHAT, Filters
from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.snapshot import open_snapshot

_ALL = (*WHAT, "decisions")


def export(
    what: Annotated[str, typer.Argument(help=f"{', '.join(_ALL[:-1])} or {_ALL[-1]}.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="A .csv, .xlsx, .jsonl or .parquet file.")],
    store: StoreOption = DEFAULT_STORE,
    run: Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")] = None,
    check: Annotated[
        str, typer.Option("--check", help="Only this check: of findings, or with --verdict of circuits and systems.")
    ] = "",
    verdict: Annotated[
        str, typer.Option("--verdict", help="Only this verdict: fail, unknown, pass or 'not applicable'.")
    ] = "",
    system: Annotated[
        list[str] | None, typer.Option("--system", help="Only this system, which the run must hold; may be repeated.")
    ] = None,
) -> None:
    """Write a run's answers to a file.

    `rejects` to .xlsx gives your own rows that wait to be mended, to be imported again; to other formats it lists all
    rejects with their state. `decisions` belong to no run and take no filter.
    """
    place, filters = Store(store), Filters(check, verdict, tuple(system or ()))
    if what == "decisions":
        _decisions(place, output, filters, run)
        return
    with open_snapshot(place, run) as con:
        if what == "rejects" and output.suffix.lower() == ".xlsx":
            if filters.any:
                raise AuditorError("The workbook of rows to mend holds them all; narrow a list: -o rejects.csv.")
            mended = write_mending(con, place, output)
            _mending(output, mended.rows, mended.sheets, place)
            cut = mended.cut
        else:
            written = write(con, what, output, filters)
            show.plain(f"{output}: {show.counted(written.rows, 'row')}.")
            cut = written.cut
    for column, count in cut.items():
        show.plain(
            f"  Warning: {show.counted(count, 'text')} of column {column} cut: a worksheet's cell holds"
            f" {XLSX_CHARACTERS:,} characters. .csv, .jsonl and .parquet hold them whole."
        )


def _decisions(store: Store, output: Path, filters: Filters, run: int | None) -> None:
    store.require()
    if filters.any or run is not None:
        raise AuditorError("Decisions belong to no run; leave --run, --check, --verdict and --system out.")
    written = export_decisions(all_decisions(store), output)
    show.plain(f"{output}: {show.counted(written.rows, 'row')}.")


def _mending(output: Path, rows: int, sheets: int, store: Store) -> None:
    if not rows:
        show.plain(f"{output}: no rejected row is open.")
        return
    show.plain(
        f"{output}: {show.counted(rows, 'rejected row')} on {show.counted(sheets, 'sheet')}, to mend where they are"
        f" marked.\nThen: auditor import {output}{at_store(store.root)}"
    )

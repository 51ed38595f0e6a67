"""`auditor export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption
from auditor.reports.export import XLSX_CHARACTERS
from auditor.reports.export import export as write
from auditor.store import Store
from auditor.store.snapshot import open_snapshot


def export(
    what: Annotated[str, typer.Argument(help="findings, circuits, systems or rejects.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="A .csv, .xlsx, .jsonl or .parquet file.")],
    store: StoreOption = DEFAULT_STORE,
    run: Annotated[int | None, typer.Option("--run", help="An earlier run; default: the one that is shown.")] = None,
) -> None:
    """Write findings, circuits, systems or rejects to a file."""
    with open_snapshot(Store(store), run) as con:
        written = write(con, what, output)
    show.plain(f"{output}: {show.counted(written.rows, 'row')}.")
    for column, count in written.cut.items():
        show.plain(
            f"  Warning: {show.counted(count, 'text')} of column {column} cut: a worksheet's cell holds"
            f" {XLSX_CHARACTERS:,} characters. .csv, .jsonl and .parquet hold them whole."
        )

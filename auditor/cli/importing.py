"""`auditor import`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, WaitOption, catalog_of, policy_of
from auditor.errors import AuditorError
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from auditor.store.snapshot import open_snapshot


def import_into(
    store: Store,
    files: list[tuple[Path, Path | None]],
    *,
    dry_run: bool = False,
    replace: bool = False,
    audit: bool = True,
    wait: bool = False,
) -> None:
    """Import files, each with its mapping if it has one; then audit and publish, and print the answer."""
    store.create()
    names = " ".join(path.name for path, _ in files)
    refused, new = 0, False
    lock, bar = store.locked(f"import {names}", wait), show.progress("Reading")
    with lock, bar as advance, open_records(store, advance) as con:
        for path, mapping in files:
            today = date.today().isoformat()
            try:
                done = import_file(
                    con,
                    store,
                    path,
                    mapping,
                    imported_on=today,
                    replace_circuits=replace,
                    dry_run=dry_run,
                    progress=advance,
                )
            except AuditorError as error:
                refused += 1
                show.plain(f"{path.name}: refused. {error}")
                continue
            new = new or done.import_id > 0
            show.imported(done, dry_run)
        if new and audit:
            publish(con, store, catalog_of(store, None), policy_of(store, None), progress=advance)
    if dry_run:
        show.plain("Dry run: nothing was kept.")
    elif new and audit:
        with open_snapshot(store) as snapshot:
            show.audited(snapshot)
    if refused:
        raise AuditorError(f"{refused} of {len(files)} files refused, as said above; the others are imported.")


def import_files(
    files: Annotated[list[Path], typer.Argument(help="CSV, JSON, JSON Lines or Parquet files.")],
    store: StoreOption = DEFAULT_STORE,
    mapping: Annotated[Path | None, typer.Option("--mapping", help="How the files' columns map (TOML).")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would happen, and change nothing.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Circuits that a file no longer lists for its systems are gone.")
    ] = False,
    no_audit: Annotated[bool, typer.Option("--no-audit", help="Do not audit now.")] = False,
    wait: WaitOption = False,
) -> None:
    """Import project records, then audit everything and publish the result."""
    missing = [str(path) for path in files if not path.is_file()]
    if missing:
        raise AuditorError(f"There is no file {', '.join(missing)}.")
    pairs = [(path, mapping) for path in files]
    import_into(Store(store), pairs, dry_run=dry_run, replace=replace, audit=not no_audit, wait=wait)

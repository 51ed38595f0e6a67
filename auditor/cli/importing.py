"""`auditor import`."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import DEFAULT_STORE, StoreOption, WaitOption, at_store, catalog_of, policy_of
from auditor.errors import AuditorError
from auditor.publish import publish
from auditor.records import load_mapping
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.mappings import saved_mapping
from auditor.store.records_db import Connection, Progress, open_records
from auditor.store.snapshot import open_snapshot, snapshot_numbers

Pairs = list[tuple[Path, Path | None]]


def import_into(
    store: Store,
    files: Pairs,
    *,
    dry_run: bool = False,
    replace: bool = False,
    audit: bool = True,
    wait: bool = False,
    defer_note: bool = True,
) -> None:
    """Import files, each with its mapping if it has one; then audit and publish, and print the answer.

    The catalog and the policy are read first: an import whose audit cannot be made changes nothing.
    """
    audit = audit and not dry_run
    specs, rules = (catalog_of(store, None), policy_of(store, None)) if audit else (None, None)
    published = False
    with ExitStack() as stack:
        if dry_run and not store.originals.is_dir():
            store = Store(Path(stack.enter_context(tempfile.TemporaryDirectory())) / "store")
        store.create()
        stack.enter_context(store.locked(f"import {' '.join(path.name for path, _ in files)}", wait))
        advance = stack.enter_context(show.progress("Reading"))
        con = stack.enter_context(open_records(store, advance))
        refused, new = _each(con, store, files, dry_run, replace, advance)
        if specs and rules and not holds_systems(con):
            show.plain("No system could be read, so there is nothing to audit.")
        elif specs and rules and _is_behind(con, store):
            if not new:
                show.plain("An earlier import was not audited yet: auditing now.")
            publish(con, store, specs, rules, progress=advance)
            published = True
    if published:
        with open_snapshot(store) as snapshot:
            show.audited(snapshot, store.root)
    elif dry_run:
        show.plain("Dry run: nothing was kept.")
    elif new and not audit and defer_note:
        show.plain(f"Not audited yet. Run: auditor audit{at_store(store.root)}")
    _conclude(refused, len(files), new)


def _each(
    con: Connection, store: Store, files: Pairs, dry_run: bool, replace: bool, advance: Progress
) -> tuple[list[AuditorError], bool]:
    """Import every file; return why files were refused, and whether any brought something new."""
    refused, new = [], False
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
            refused.append(error)
            if len(files) > 1:
                show.plain(f"{path.name}: refused. {error}")
            continue
        new = new or done.import_id > 0
        show.imported(done, dry_run, store.root)
    return refused, new


def holds_systems(con: Connection) -> bool:
    """Whether the store holds a system to audit."""
    return bool(con.execute("SELECT 1 FROM system LIMIT 1").fetchall())


def _is_behind(con: Connection, store: Store) -> bool:
    """Whether the store holds an import that the snapshot readers open does not."""
    query = "SELECT coalesce(max(import_id), 0) FROM import"
    held = int(con.execute(query).fetchall()[0][0])
    if not held or not snapshot_numbers(store):
        return held > 0
    try:
        with open_snapshot(store) as snapshot:
            return held > int(snapshot.execute(query).fetchall()[0][0])
    except AuditorError:
        return True


def _conclude(refused: list[AuditorError], files: int, new: bool) -> None:
    if refused and files == 1:
        raise refused[0]
    if refused:
        rest = "the others are imported" if new else "nothing new was imported"
        raise AuditorError(f"{len(refused)} of {files} files refused, as said above; {rest}.")


def _kept(store: Store, path: Path) -> Path | None:
    """The mapping that the store keeps for a file's header, if any; what is used is said."""
    kept = saved_mapping(store, path)
    if kept is not None:
        show.plain(f"{path.name}: read by the mapping that is kept for this header, {kept}.")
    return kept


def import_files(
    files: Annotated[list[Path], typer.Argument(help="CSV, XLSX, JSON, JSON Lines or Parquet files.")],
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
    for path in files:
        if path.is_dir():
            raise AuditorError(f"{path}: is a folder; name the files in it, such as {path / '*.csv'}.")
        if not path.is_file():
            raise AuditorError(f"{path}: there is no such file. Nothing was imported.")
    if mapping:
        load_mapping(mapping)
    pairs = [(path, mapping or _kept(Store(store), path)) for path in files]
    import_into(Store(store), pairs, dry_run=dry_run, replace=replace, audit=not no_audit, wait=wait)

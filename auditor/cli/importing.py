"""`auditor import`."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import date
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from auditor.cli import show, show_audit, show_import
from auditor.cli.options import DEFAULT_STORE, StoreOption, WaitOption, at_store, catalog_of, policy_of
from auditor.cli.show_evidence import evidence_imported, told_of_evidence
from auditor.cli.told import of_import
from auditor.cli.told import write as write_report
from auditor.errors import AuditorError
from auditor.publish import publish
from auditor.records import load_mapping
from auditor.records.instants import checked_zone
from auditor.store import Store
from auditor.store.evidence import import_evidence
from auditor.store.importing import import_file
from auditor.store.mappings import keep_mapping as keep_for
from auditor.store.mappings import saved_mapping
from auditor.store.mending import mended_imports
from auditor.store.originals import ImportedAs, read_manifest
from auditor.store.records_db import Connection, open_records
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
    name: str = "",
    if_unchanged: int | None = None,
    report: Path | None = None,
    older: bool = False,
    imported_as: ImportedAs = "records",
    zone: str = "",
) -> None:
    """Import files, each with its mapping if it has one; then audit and publish, and print the answer.

    The catalog and the policy are read first: an import whose audit cannot be made changes nothing. `name` is what a
    single file is called where it lies under another name, `if_unchanged` the imports that the store must hold, and
    `report` a file for what was found. `zone` is that of times of readings and events that state no offset.
    """
    audit = audit and not dry_run
    specs, rules = (catalog_of(store, None), policy_of(store, None)) if audit else (None, None)
    published = False
    with ExitStack() as stack:
        if dry_run and not store.originals.is_dir():
            store = Store(Path(stack.enter_context(tempfile.TemporaryDirectory())) / "store")
        store.create()
        stack.enter_context(store.locked(f"import {name or ' '.join(path.name for path, _ in files)}", wait))
        held = len(read_manifest(store))
        if if_unchanged is not None and held != if_unchanged:
            raise AuditorError(
                f"{store.root}: holds {show.counted(held, 'import')} by now, not {if_unchanged:,}; nothing was"
                " imported. Look at the preview again: it may say something else."
            )
        advance = stack.enter_context(show.progress("Reading the store's originals"))
        con = stack.enter_context(open_records(store, advance))
        if imported_as == "records":
            one = partial(_records_of, con, store, dry_run, replace, advance, name, older)
        else:
            one = partial(_evidence_of, con, store, dry_run, advance, name, imported_as, zone)
        refused, told = _each(files, advance, name, one)
        new = any(one["import_id"] for one in told)
        if report is not None:
            write_report(report, {"imports": held, "files": told})
        if specs and rules and _is_behind(con, store):
            if not new:
                show.plain("An earlier import was not audited yet: auditing now.")
            if not holds_systems(con):
                show.plain(
                    "No system could be read: the audit shows what was rejected, and why."
                    if imported_as == "records"
                    else "The store holds no system's record yet, so there is nothing to audit but what was rejected."
                )
            advance.phase = "Auditing circuits"
            publish(con, store, specs, rules, progress=advance, made=advance.table_made)
            published = True
    if published:
        with open_snapshot(store) as snapshot:
            show_audit.audited(snapshot, store.root)
    elif dry_run:
        show.plain("Dry run: nothing was kept.")
    elif new and not audit and defer_note:
        show.plain(f"Not audited yet. Run: auditor audit{at_store(store.root)}")
    _conclude(refused, len(files), new)


def _each(
    files: Pairs, advance: show.Advance, name: str, one: Callable[[Path, Path | None], Iterator[dict[str, Any]]]
) -> tuple[list[AuditorError], list[dict[str, Any]]]:
    """Import every file by `one`; return why files were refused, and what came of the others."""
    refused, told = [], list[dict[str, Any]]()
    for path, mapping in files:
        advance.phase = f"Reading rows of {name or path.name}"
        try:
            told.extend(one(path, mapping))
        except AuditorError as error:
            refused.append(error)
            if len(files) > 1:
                show.plain(f"{path.name}: refused. {error}")
    return refused, told


def _records_of(
    con: Connection,
    store: Store,
    dry_run: bool,
    replace: bool,
    advance: show.Advance,
    name: str,
    older: bool,
    path: Path,
    mapping: Path | None,
) -> Iterator[dict[str, Any]]:
    """Import one file of records, or what a workbook of mended rows holds of several."""
    for mends in _mended(path, mapping, replace) or [0]:
        done = import_file(
            con,
            store,
            path,
            mapping,
            imported_on=date.today().isoformat(),
            replace_circuits=replace,
            dry_run=dry_run,
            progress=advance,
            name=name,
            mends=mends,
            older=older,
        )
        yield of_import(done, mapping) | {"mends": mends}
        show_import.imported(done, dry_run, store.root)


def _evidence_of(
    con: Connection,
    store: Store,
    dry_run: bool,
    advance: show.Advance,
    name: str,
    imported_as: ImportedAs,
    zone: str,
    path: Path,
    mapping: Path | None,
) -> Iterator[dict[str, Any]]:
    """Import one file of readings, events or complaints."""
    today = date.today().isoformat()
    done = import_evidence(
        con, store, path, imported_as, zone, mapping, imported_on=today, dry_run=dry_run, progress=advance, name=name
    )
    yield told_of_evidence(done)
    evidence_imported(done, dry_run, store.root)


def _refuse_options(imported_as: ImportedAs, zone: str, others: dict[str, bool]) -> None:
    """Refuse options that have no meaning for what is imported."""
    if imported_as == "records":
        if zone:
            raise AuditorError("--zone is for times of readings and events; say --as readings or --as events with it.")
        return
    for option, given in others.items():
        if given:
            raise AuditorError(f"{option} is for records alone. Leave it out.")
    if zone:
        checked_zone(zone)


def _mended(path: Path, mapping: Path | None, replace: bool) -> list[int]:
    """The imports whose rows a workbook gives mended; AuditorError where it is one and an option speaks of its rows."""
    mends = mended_imports(path)
    if mends and mapping is not None:
        raise AuditorError(
            f"{path}: holds mended rows, which are read by the mapping of their own file. Leave --mapping out."
        )
    if mends and replace:
        raise AuditorError(f"{path}: holds mended rows and no whole systems. Leave --replace out.")
    return mends


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
    older: Annotated[
        bool, typer.Option("--older", help="Take rows back where a file imported before is older than later ones.")
    ] = False,
    imported_as: Annotated[
        ImportedAs, typer.Option("--as", help="What the rows are; all but records are CSV or Parquet.")
    ] = "records",
    zone: Annotated[
        str, typer.Option("--zone", help="Zone of times without an offset: America/New_York, or -05:00 all year.")
    ] = "",
    no_audit: Annotated[bool, typer.Option("--no-audit", help="Do not audit now.")] = False,
    if_unchanged: Annotated[
        int | None, typer.Option("--if-unchanged", min=0, help="Only where the store holds so many imports, no more.")
    ] = None,
    name: Annotated[str, typer.Option("--name", help="The file's name, where it lies under another.")] = "",
    keep_mapping: Annotated[
        bool, typer.Option("--keep-mapping", help="Keep the mapping, too, for later files with these headers.")
    ] = False,
    report: Annotated[Path | None, typer.Option("--report", help="Write what was found as JSON, too.")] = None,
    wait: WaitOption = False,
) -> None:
    """Import project records, readings, events or complaints, then audit everything and publish the result.

    A file of records is read by --mapping, else by the mapping that the store keeps for its header, else its columns
    must be canonical. A workbook of mended rows, as `auditor export rejects -o FILE.xlsx` gives it, needs neither.
    """
    for path in files:
        if path.is_dir():
            raise AuditorError(f"{path}: is a folder; name the files in it, such as {path / '*.csv'}.")
        if not path.is_file():
            raise AuditorError(f"{path}: there is no such file. Nothing was imported.")
    of_records = imported_as == "records"
    if mapping and of_records:
        load_mapping(mapping)
    _refuse_options(imported_as, zone, {"--keep-mapping": keep_mapping, "--replace": replace, "--older": older})
    if name and len(files) > 1:
        raise AuditorError("--name says what one file is called; import the others by commands of their own.")
    pairs = [(path, mapping or (_kept(Store(store), path) if of_records else None)) for path in files]
    import_into(
        Store(store),
        pairs,
        dry_run=dry_run,
        replace=replace,
        audit=not no_audit,
        wait=wait,
        name=name,
        if_unchanged=if_unchanged,
        report=report,
        older=older,
        imported_as=imported_as,
        zone=zone,
    )
    if mapping and keep_mapping and not dry_run:
        _keep(Store(store), files, mapping)


def _keep(store: Store, files: list[Path], mapping: Path) -> None:
    """Keep a mapping for the files' headers, where none is kept for them that a person may have mended."""
    for path in files:
        try:
            kept = keep_for(store, path, mapping)
        except AuditorError as error:
            show.plain(str(error))
            continue
        if kept is not None:
            show.plain(f"The mapping is kept for files with this header: {kept}")

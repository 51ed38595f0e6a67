"""One import: a file is read, kept and applied, or refused; a killed import is finished by the next command."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from auditor.errors import AuditorError
from auditor.records import Reading, load_mapping, read_records
from auditor.store.folder import Store
from auditor.store.mending import Read, read_entry
from auditor.store.originals import Import, file_hash, keep_import, read_manifest
from auditor.store.records_db import Connection, Outcome, Progress, apply
from auditor.store.rejects import count_open
from auditor.store.revisions import Revision, TakenBack, taken_back

#: Imports, and facts, that are named in a sentence.
_SHOWN = 4


@dataclass(frozen=True)
class Imported:
    """What came of one file. `import_id` is 0 where nothing was kept: a dry run, or nothing new.

    `seen_in` is the last import of the same file in the same way, `open_of_it` the rows of such imports still to mend.
    `taken_back` says what the file returns to what it was before a later import, empty where nothing.
    """

    import_id: int
    file_name: str
    reading: Reading
    outcome: Outcome
    seen_in: int
    open_of_it: int = 0
    taken_back: str = ""


def import_file(
    con: Connection,
    store: Store,
    path: Path,
    mapping_path: Path | None = None,
    *,
    imported_on: str,
    replace_circuits: bool = False,
    dry_run: bool = False,
    progress: Progress | None = None,
    name: str = "",
    mends: int = 0,
    older: bool = False,
) -> Imported:
    """Read a file and apply it; with `dry_run`, say what would happen and change nothing.

    `name` is what the file is called where it lies under another name; its suffix must be the same. `mends` is the
    import whose mended rows are read from a workbook of them. The manifest's line comes before the database's
    transaction: an import that was killed in between is read again from its original when the database is opened next.
    Errors: AuditorError where the file as a whole is refused, or where it was imported before and would take back what
    a later import changed, unless that is meant by `older`. Of a file never seen that is told, and no more: it may put
    right what was wrong in between.
    """
    entries = read_manifest(store)
    entry = _entry(entries, path, mapping_path, name, mends, replace_circuits, imported_on)
    if mends:
        read = read_entry(con, store, entries, entry, path, progress)
    else:
        read = Read(read_records(path, load_mapping(mapping_path) if mapping_path else None, progress))
    same = [e.import_id for e in entries if _input(e) == _input(entry)]
    con.execute("BEGIN")
    try:
        outcome = apply(con, entry, read.reading, read.mended)
        done = Imported(entry.import_id, entry.file_name, read.reading, outcome, same[-1] if same else 0)
        repeated = bool(same) and outcome.accepted == 0
        if not repeated:
            back = taken_back(con, outcome.revisions)
            done = replace(done, taken_back=_told_back(back, entries))
            seen = next((e.import_id for e in entries if e.sha256 == entry.sha256), 0)
            if seen and back.imports and not older:
                raise _older(entry, seen, done.taken_back, back.facts)
        if dry_run or repeated:
            con.execute("ROLLBACK")
            return replace(done, import_id=0, open_of_it=count_open(con, same))
        keep_import(store, entry, path, *([mapping_path] if mapping_path else []))
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")
    return done


def _entry(
    entries: Sequence[Import],
    path: Path,
    mapping_path: Path | None,
    name: str,
    mends: int,
    replace_circuits: bool,
    imported_on: str,
) -> Import:
    """The manifest's line; mended rows name the mapping of the import that they belong to."""
    mapping_name = mapping_path.name if mapping_path else ""
    mapping_sha256 = file_hash(mapping_path) if mapping_path else ""
    if 0 < mends <= len(entries):
        mapping_name, mapping_sha256 = entries[mends - 1].mapping_name, entries[mends - 1].mapping_sha256
    return Import(
        import_id=len(entries) + 1,
        file_name=name or path.name,
        sha256=file_hash(path),
        mapping_name=mapping_name,
        mapping_sha256=mapping_sha256,
        replace_circuits=replace_circuits,
        mends=mends,
        imported_on=imported_on,
    )


def _told_back(back: TakenBack, entries: Sequence[Import]) -> str:
    """What an import returns to what it was, and which imports had changed it; empty where nothing."""
    if not back.imports:
        return ""
    counts = ((back.systems, "system"), (back.circuits, "circuit"))
    what = " and ".join(f"{count:,} {noun}{'' if count == 1 else 's'}" for count, noun in counts if count)
    by = ", ".join(f"{number} ({entries[number - 1].file_name})" for number in back.imports[:_SHOWN])
    more = f" and {len(back.imports) - _SHOWN:,} more" if len(back.imports) > _SHOWN else ""
    return f"{what} to what import {by}{more} had changed"


def _older(entry: Import, seen: int, what: str, facts: Sequence[Revision]) -> AuditorError:
    """The refusal of a file that was imported before and would take corrections back."""
    told = "; ".join(
        f"system {one.system_id}{f' circuit {one.circuit_id}' if one.circuit_id else ''}: {one.column} is {one.was!r}"
        f" by row {one.was_row} of {one.was_file} (import {one.was_import}) and would be {one.now!r} by row"
        f" {one.now_row} of this file"
        for one in facts[:_SHOWN]
    )
    more = f"; and {len(facts) - _SHOWN:,} more" if len(facts) > _SHOWN else ""
    return AuditorError(
        f"{entry.file_name}: is older than what the store holds: it came in as import {seen}, and would return {what}."
        + (f" {told[0].upper()}{told[1:]}{more}." if told else "")
        + " Nothing was imported. If the older values are right, import it with --older."
    )


def _input(entry: Import) -> tuple[str, str, bool, int, str]:
    return entry.sha256, entry.mapping_sha256, entry.replace_circuits, entry.mends, entry.imported_as

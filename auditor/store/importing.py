"""One import: a file is read, kept and applied, or refused; a killed import is finished by the next command."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from auditor.errors import AuditorError
from auditor.records import Mapping, Reading, load_mapping, read_records
from auditor.store.folder import Store
from auditor.store.originals import Import, append_manifest, file_hash, keep_original, read_manifest
from auditor.store.records_db import Connection, Outcome, Progress, apply


@dataclass(frozen=True)
class Imported:
    """What came of one file. `import_id` is 0 where nothing was kept: a dry run, or nothing new."""

    import_id: int
    file_name: str
    reading: Reading
    outcome: Outcome
    seen_in: int


def _mapping(path: Path | None) -> Mapping | None:
    return None if path is None else load_mapping(path)


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
) -> Imported:
    """Read a file and apply it; with `dry_run`, say what would happen and change nothing.

    The manifest's line comes before the database's transaction: an import that was killed in between is read again
    from its original when the database is opened next. Errors: AuditorError where the file as a whole is refused.
    """
    sha256 = file_hash(path)
    reading = read_records(path, _mapping(mapping_path), progress)
    entries = read_manifest(store)
    entry = Import(
        import_id=len(entries) + 1,
        file_name=path.name,
        sha256=sha256,
        mapping_name=mapping_path.name if mapping_path else "",
        mapping_sha256=file_hash(mapping_path) if mapping_path else "",
        replace_circuits=replace_circuits,
        imported_on=imported_on,
    )
    same = [e.import_id for e in entries if _input(e) == _input(entry)]
    con.execute("BEGIN")
    outcome = apply(con, entry, reading)
    repeated = bool(same) and outcome.accepted == 0
    if dry_run or repeated:
        con.execute("ROLLBACK")
        return Imported(0, path.name, reading, outcome, same[-1] if same else 0)
    try:
        if keep_original(store, path) != sha256:
            raise AuditorError(f"{path}: the file changed while it was read. Import it again once it is complete.")
        if mapping_path:
            keep_original(store, mapping_path)
        append_manifest(store, entry)
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")
    return Imported(entry.import_id, path.name, reading, outcome, same[-1] if same else 0)


def _input(entry: Import) -> tuple[str, str, bool]:
    return entry.sha256, entry.mapping_sha256, entry.replace_circuits

"""Imported files under their content hash, and the manifest: the order and options of every import."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path
from typing import Literal

import duckdb
from pydantic import BaseModel, ConfigDict, ValidationError

from auditor.errors import AuditorError
from auditor.store.folder import Store, sync

ImportedAs = Literal["records", "readings", "events", "complaints"]


class Import(BaseModel):
    """One line of the manifest. `mends` is the import whose refused rows the file gives again, mended; else 0.

    `imported_as` says what the file's rows are; `zone` is the zone of times that have no offset of their own.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    import_id: int
    file_name: str
    sha256: str
    mapping_name: str = ""
    mapping_sha256: str = ""
    replace_circuits: bool = False
    mends: int = 0
    imported_as: ImportedAs = "records"
    zone: str = ""
    imported_on: str


def file_hash(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def original_path(store: Store, sha256: str, name: str) -> Path:
    """Where a file of that content lies; the suffix is kept, the user's name is data only."""
    suffix = "".join(c for c in Path(name).suffix.lower() if c.isalnum() or c == ".")
    return store.originals / f"{sha256}{suffix}"


def keep_original(store: Store, path: Path) -> str:
    """Copy a file into the store under its hash, whole or not at all; return the hash."""
    sha256 = file_hash(path)
    target = original_path(store, sha256, path.name)
    if not target.exists():
        part = store.originals / f".{sha256}.part"
        shutil.copyfile(path, part)
        if file_hash(part) != sha256:
            part.unlink()
            raise AuditorError(f"{path}: the file changed while it was copied. Import it again once it is complete.")
        sync(part)
        part.replace(target)
        sync(store.originals)
    return sha256


def read_manifest(store: Store) -> list[Import]:
    """Return the imports in order; a last line cut short by a crash was never an import and is left out."""
    if not store.manifest.exists():
        return []
    lines = store.manifest.read_bytes().split(b"\n")
    whole = lines[:-1]
    try:
        return [Import.model_validate_json(line) for line in whole if line.strip()]
    except ValidationError as error:
        raise AuditorError(f"{store.manifest}: a line is not an import: {error.errors()[0]['msg']}.") from error


def keep_import(store: Store, entry: Import, path: Path, *beside: Path) -> None:
    """Keep the file that an import was read from, and others beside it, and add its line to the manifest.

    Errors: AuditorError where the file is no longer the one that was read.
    """
    if keep_original(store, path) != entry.sha256:
        raise AuditorError(f"{path}: the file changed while it was read. Import it again once it is complete.")
    for other in beside:
        keep_original(store, other)
    append_manifest(store, entry)


def append_manifest(store: Store, entry: Import) -> None:
    """Add one import; from here on it has happened, whatever becomes of the process."""
    handle = os.open(store.manifest, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        os.ftruncate(handle, store.manifest.read_bytes().rfind(b"\n") + 1)
        os.lseek(handle, 0, os.SEEK_END)
        os.write(handle, json.dumps(entry.model_dump()).encode() + b"\n")
        os.fsync(handle)
    finally:
        os.close(handle)
    sync(store.originals)


def record_import(con: duckdb.DuckDBPyConnection, entry: Import, counts: tuple[int, int, int, int]) -> None:
    """Add one import to the records database: its line, with rows in, accepted, rejected and duplicate."""
    told = entry.model_dump() | dict(zip(("rows_in", "accepted", "rejected", "duplicate"), counts, strict=True))
    con.execute(f"INSERT INTO import ({', '.join(told)}) VALUES ({', '.join('?' * len(told))})", list(told.values()))

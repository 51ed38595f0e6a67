"""Where things stand in a store's folder, and the lock that one command at a time holds."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from filelock import FileLock, Timeout

from auditor.errors import AuditorError, StoreBusyError


@dataclass(frozen=True)
class Store:
    """A store's folder; the paths in it."""

    root: Path

    @property
    def originals(self) -> Path:
        """Imported files and mappings, named by their content hash."""
        return self.root / "originals"

    @property
    def manifest(self) -> Path:
        """One line per import, in order."""
        return self.originals / "manifest.jsonl"

    @property
    def records(self) -> Path:
        """The records database; only a command that holds the lock opens it."""
        return self.root / "records.duckdb"

    @property
    def decisions(self) -> Path:
        """What people decided; added to, never changed."""
        return self.root / "decisions.sqlite"

    @property
    def snapshots(self) -> Path:
        """Published audits."""
        return self.root / "snapshots"

    @property
    def current(self) -> Path:
        """One line: the name of the snapshot that readers open."""
        return self.root / "CURRENT"

    @property
    def last_removed(self) -> Path:
        """The largest number of a run that there was when runs were last removed, so that none is given twice."""
        return self.root / "last-removed"

    @property
    def catalog(self) -> Path:
        """The user's own equipment files."""
        return self.root / "catalog"

    @property
    def mappings(self) -> Path:
        """Mappings by the fingerprint of the header that they are for."""
        return self.root / "mappings"

    @property
    def incoming(self) -> Path:
        """Files that were uploaded and are not imported yet, each in a folder named by its content hash."""
        return self.root / "incoming"

    @property
    def jobs(self) -> Path:
        """Commands that the dashboard started: what each is for, how far it is and what it printed."""
        return self.root / "jobs"

    @property
    def policy(self) -> Path:
        """The store's own policy, where it has one."""
        return self.root / "policy.toml"

    @property
    def scratch(self) -> Path:
        """Unfinished files of the command that runs now; whatever lies here is swept by the next."""
        return self.root / "scratch"

    def create(self) -> None:
        """Make the store's folders where they are missing."""
        try:
            for folder in (self.root, self.originals, self.snapshots, self.catalog, self.mappings, self.scratch):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise AuditorError(f"{self.root}: cannot make the store's folder: {error.strerror}.") from error

    def require(self) -> None:
        """Raise AuditorError when the folder holds no store."""
        if not self.originals.is_dir():
            raise AuditorError(
                f"{self.root}: there is no store here. Import a file first: auditor import FILE --store {self.root}"
            )

    @contextmanager
    def locked(self, command: str, wait: bool = False) -> Iterator[None]:
        """Hold the store's writing lock; StoreBusyError names the command that holds it, unless `wait`."""
        holder = self.root / "lock.json"
        lock = FileLock(self.root / "lock")
        try:
            lock.acquire(timeout=-1 if wait else 0)
        except Timeout as error:
            raise StoreBusyError(
                f"{self.root}: {_describe(holder)} Try again when it has ended, or add --wait."
            ) from error
        try:
            started = datetime.now(UTC).isoformat(timespec="seconds")
            holder.write_text(json.dumps({"command": command, "process": os.getpid(), "started": started}), "utf-8")
            self.sweep()
            yield
        finally:
            holder.unlink(missing_ok=True)
            lock.release()

    def sweep(self) -> None:
        """Remove what a killed command left unfinished; the lock must be held."""
        for path in (*self.scratch.glob("*"), *self.originals.glob(".*.part")):
            path.unlink(missing_ok=True)


def _describe(holder: Path) -> str:
    try:
        seen = json.loads(holder.read_text("utf-8"))
        who = f"`auditor {seen['command']}` (process {seen['process']}, since {seen['started']})"
        return f"{who} is writing to this store."
    except (OSError, ValueError, KeyError):
        return "another command is writing to this store."


def sync(path: Path) -> None:
    """Flush a file, or a folder's entries, to the disk."""
    if os.name == "nt" and path.is_dir():
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def replace_text(path: Path, text: str) -> None:
    """Replace a small file at once: readers see the old text or the new."""
    part = path.with_name(f".{path.name}.part")
    part.write_text(text, "utf-8")
    sync(part)
    part.replace(path)
    sync(path.parent)

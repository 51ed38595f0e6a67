"""The published snapshot as the dashboard reads it: one read-only connection each, a cursor per request."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.originals import read_manifest
from auditor.store.records_db import Connection
from auditor.store.snapshot import current_number, open_snapshot

#: A table that every snapshot of this version holds; an older one must be audited again.
NEEDED = "shown"


@dataclass
class _Held:
    con: Connection
    users: int = 0


class Snapshots:
    """Follows a store's CURRENT: every request gets a cursor on the snapshot that is published when it starts."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._lock = threading.Lock()
        self._held: dict[int, _Held] = {}

    def number(self) -> int:
        """The run that is published now; AuditorError says what to do where there is none."""
        self.store.require()
        return current_number(self.store)

    @contextmanager
    def cursor(self) -> Iterator[Connection]:
        """A cursor on the current snapshot for one request; AuditorError says what to do where there is none."""
        number, held = self._take()
        cursor = held.con.cursor()
        try:
            yield cursor
        finally:
            cursor.close()
            self._give_back(number, held)

    def behind(self) -> int:
        """How many imports of the store the published run does not hold; 0 where there is no run to compare."""
        try:
            with self.cursor() as cursor:
                held = cursor.execute("SELECT coalesce(max(import_id), 0) FROM import").fetchall()[0][0]
            return max(0, len(read_manifest(self.store)) - int(held))
        except AuditorError:
            return 0  # What is wrong there is said by the page itself.

    def other_rules(self) -> str:
        """What the published run was given in place of the store's own rules; empty where it used those."""
        try:
            with self.cursor() as cursor:
                row = cursor.execute("SELECT * FROM audit")
                names = [column[0] for column in row.description or ()]
                about = dict(zip(names, row.fetchall()[0], strict=True))
            return str(about.get("other_rules") or "")
        except AuditorError:
            return ""

    def close(self) -> None:
        """Close every connection that no request uses."""
        with self._lock:
            self._drop(keep=None)

    def open_runs(self) -> list[int]:
        """The runs whose snapshots are open, ascending."""
        with self._lock:
            return sorted(self._held)

    def _take(self) -> tuple[int, _Held]:
        number = self.number()
        with self._lock:
            if number not in self._held:
                self._held[number] = _Held(_open(self.store, number))
            self._held[number].users += 1
            held = self._held[number]
            self._drop(keep=number)
        return number, held

    def _give_back(self, number: int, held: _Held) -> None:
        with self._lock:
            held.users -= 1
            if number != max(self._held, default=number):
                self._drop(keep=max(self._held))

    def _drop(self, keep: int | None) -> None:
        for number in [n for n, held in self._held.items() if n != keep and held.users == 0]:
            self._held.pop(number).con.close()


def _open(store: Store, number: int) -> Connection:
    con = open_snapshot(store, number)
    found = con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = ?", [NEEDED]).fetchall()[0][0]
    if not found:
        con.close()
        raise AuditorError(
            f"{store.root}: run {number} was made by an older version. Run: auditor audit --store {store.root}"
        )
    return con

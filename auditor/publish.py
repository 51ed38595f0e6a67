"""An audit of everything in a store, batch by batch, published as a snapshot."""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from auditor import __version__
from auditor.audit import Results, audit
from auditor.catalog import Catalog
from auditor.errors import AuditorError
from auditor.findings import statements
from auditor.policy import Policy
from auditor.prepare import Frames, Records
from auditor.records.schema import TABLES, Table
from auditor.results import ResultWriter
from auditor.shown import statements as shown
from auditor.store.folder import Store
from auditor.store.records_db import Connection, quoted
from auditor.store.snapshot import snapshot_numbers, write_snapshot

#: Circuits in a batch, and batches audited at once; memory is bounded by them, results do not depend on them.
BATCH_CIRCUITS = 25_000
WORKERS = min(4, os.cpu_count() or 1)
TABLE_NAMES = ("circuit_result", "system_result")

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Published:
    """A published run."""

    number: int
    path: Path
    content_hash: str
    systems: int
    circuits: int


def batches(con: Connection, size: int) -> Iterator[tuple[str, str, int]]:
    """Yield the first and last system of each batch of whole systems, in key order, and its circuits."""
    rows = con.execute(
        "SELECT s.system_id, count(c.circuit_id) FROM system s LEFT JOIN circuit c USING (system_id)"
        " GROUP BY s.system_id ORDER BY s.system_id"
    ).fetchall()
    start, held = 0, 0
    for number, (_, circuits) in enumerate(rows):
        if held and held + circuits > size:
            yield rows[start][0], rows[number - 1][0], held
            start, held = number, 0
        held += circuits
    if rows:
        yield rows[start][0], rows[-1][0], held


def _read(con: Connection, table: Table, first: str, last: str) -> pl.DataFrame:
    columns = ", ".join(quoted(column.name) for column in table.columns)
    keys = ", ".join(quoted(key) for key in table.key)
    query = f"SELECT {columns} FROM {quoted(table.name)} WHERE system_id BETWEEN ? AND ? ORDER BY {keys}"
    frame = pl.from_arrow(con.sql(query, params=[first, last]).to_arrow_table())
    assert isinstance(frame, pl.DataFrame)
    return frame


def read_records(con: Connection, first: str, last: str) -> Records:
    """Read the systems between two ids, both included."""
    return Records(*(_read(con, table, first, last) for table in TABLES))


def _audited(con: Connection, frames: Frames, policy: Policy, as_of: date, size: int) -> Iterator[tuple[int, Results]]:
    """Yield each batch's circuits and results, in key order; batches are read here and audited on threads."""
    waiting: deque[tuple[int, Future[Results]]] = deque()
    with ThreadPoolExecutor(WORKERS) as pool:
        for first, last, circuits in batches(con, size):
            if len(waiting) == WORKERS:
                held, future = waiting.popleft()
                yield held, future.result()
            records = read_records(con, first, last)
            waiting.append((circuits, pool.submit(audit, records, frames, policy, as_of)))
        for held, future in waiting:
            yield held, future.result()


def audit_all(
    con: Connection,
    folder: Path,
    catalog: Catalog,
    policy: Policy,
    as_of: date,
    *,
    size: int = BATCH_CIRCUITS,
    progress: Progress | None = None,
) -> tuple[dict[str, Path], str, int, int]:
    """Audit every system and write the result tables; return their files, content hash, systems and circuits."""
    frames = catalog.frames()
    total = int(con.execute("SELECT count(*) FROM circuit").fetchall()[0][0])
    paths = {name: folder / f"{name}.parquet" for name in TABLE_NAMES}
    done = 0
    with ExitStack() as stack:
        writers = {name: stack.enter_context(ResultWriter(path)) for name, path in paths.items()}
        for circuits, results in _audited(con, frames, policy, as_of, size):
            writers["circuit_result"].add(results.circuit)
            writers["system_result"].add(results.system)
            done += circuits
            if progress:
                progress(done, total)
    joined = "".join(writers[name].hexdigest() for name in TABLE_NAMES)
    return paths, hashlib.sha256(joined.encode()).hexdigest(), writers["system_result"].rows, total


def code_hash() -> str:
    """SHA-256 over the package's own source and data files."""
    root = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted(p for p in root.rglob("*") if p.suffix in {".py", ".toml"}):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def last_import_date(con: Connection) -> date:
    """The date of the last import; AuditorError without any."""
    found = con.execute("SELECT max(imported_on) FROM import").fetchall()[0][0]
    if found is None:
        raise AuditorError("The store holds no records yet. Import a file first: auditor import FILE")
    return date.fromisoformat(str(found))


def publish(
    con: Connection,
    store: Store,
    catalog: Catalog,
    policy: Policy,
    as_of: date | None = None,
    progress: Progress | None = None,
) -> Published:
    """Audit the store and publish the snapshot; the store's lock must be held."""
    as_of = as_of or last_import_date(con)
    paths, content_hash, systems, circuits = audit_all(con, store.scratch, catalog, policy, as_of, progress=progress)
    number = max([0, *snapshot_numbers(store)]) + 1
    about: dict[str, str | int] = {
        "run": number,
        "as_of": as_of.isoformat(),
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "systems": systems,
        "circuits": circuits,
        "content_hash": content_hash,
        "catalog_hash": catalog.content_hash(),
        "policy_hash": policy.content_hash(),
        "code_hash": code_hash(),
        "version": __version__,
        "policy_name": policy.name,
        "catalog": catalog.as_json(),
        "policy": policy.model_dump_json(),
    }
    path = write_snapshot(con, store, number, paths, about, statements(policy) + shown())
    store.sweep()
    return Published(number, path, content_hash, systems, circuits)

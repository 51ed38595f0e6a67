"""An audit of everything in a store, batch by batch, published as a snapshot."""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from auditor import __version__
from auditor.audit import Results, audit
from auditor.catalog import Catalog
from auditor.complaints import complaint_tables
from auditor.duplicates import possible_duplicates
from auditor.errors import AuditorError
from auditor.findings import statements
from auditor.policy import Policy
from auditor.prepare import Frames, Records
from auditor.records.schema import TABLES, Table
from auditor.results import ResultWriter
from auditor.shown import statements as shown
from auditor.store.decisions import all_decisions, in_force, merges, told_apart
from auditor.store.declared import declared
from auditor.store.evidence import events_among
from auditor.store.folder import Store
from auditor.store.records_db import Connection, quoted
from auditor.store.snapshot import snapshot_numbers, write_snapshot
from auditor.suspicion import of_portfolio, without_declared

if TYPE_CHECKING:
    from auditor.trips import Tables

#: Circuits in a batch at most and, where there are more workers than such batches, at least; batches audited at once.
#: Memory is bounded by them, results do not depend on them.
BATCH_CIRCUITS = 100_000
LEAST_CIRCUITS = 10_000
WORKERS = min(4, os.cpu_count() or 1)
#: Systems whose event logs are counted at once.
LOGGED_AT_ONCE = 5_000
TABLE_NAMES = ("circuit_result", "system_result", "warning")

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
    """Yield the first and last system of each batch of whole systems, in key order, and its circuits.

    Without any system there is one batch with nothing in it, whose results have their columns.
    """
    rows = con.execute(
        "SELECT s.system_id, count(c.circuit_id) FROM system s LEFT JOIN circuit c USING (system_id)"
        " ANTI JOIN left_out USING (system_id) GROUP BY s.system_id ORDER BY s.system_id"
    ).fetchall()
    start, held = 0, 0
    for number, (_, circuits) in enumerate(rows):
        if held and held + circuits > size:
            yield rows[start][0], rows[number - 1][0], held
            start, held = number, 0
        held += circuits
    yield (rows[start][0], rows[-1][0], held) if rows else ("", "", 0)


def _read(con: Connection, table: Table, first: str, last: str) -> pl.DataFrame:
    columns = ", ".join(quoted(column.name) for column in table.columns)
    keys = ", ".join(quoted(key) for key in table.key)
    query = (
        f"SELECT {columns} FROM {quoted(table.name)} ANTI JOIN left_out USING (system_id)"
        f" WHERE system_id BETWEEN ? AND ? ORDER BY {keys}"
    )
    frame = pl.from_arrow(con.sql(query, params=[first, last]).to_arrow_table())
    assert isinstance(frame, pl.DataFrame)
    return frame


def read_records(con: Connection, first: str, last: str) -> Records:
    """Read the systems between two ids, both included."""
    return Records(*(_read(con, table, first, last) for table in TABLES))


def _audited(
    con: Connection, frames: Frames, policy: Policy, as_of: date, size: int, tables: Tables | None
) -> Iterator[tuple[int, Results]]:
    """Yield each batch's circuits and results, in key order; batches are read here and audited on threads."""
    waiting: deque[tuple[int, Future[Results]]] = deque()
    with ThreadPoolExecutor(WORKERS) as pool:
        for first, last, circuits in batches(con, size):
            if len(waiting) == WORKERS:
                held, future = waiting.popleft()
                yield held, future.result()
            records = read_records(con, first, last)
            waiting.append((circuits, pool.submit(audit, records, frames, policy, as_of, tables)))
        for held, future in waiting:
            yield held, future.result()


def audit_all(
    con: Connection,
    folder: Path,
    catalog: Catalog,
    policy: Policy,
    as_of: date,
    *,
    left_out: Iterable[str] = (),
    size: int | None = None,
    progress: Progress | None = None,
    tables: Tables | None = None,
) -> tuple[dict[str, Path], str, int, int]:
    """Audit every system but those left out and write the result tables, `size` circuits at a time.

    Returns their files, the content hash, systems and circuits.
    """
    frames = catalog.frames()
    con.execute("CREATE OR REPLACE TEMP TABLE left_out AS SELECT unnest(?::VARCHAR[]) AS system_id", [list(left_out)])
    total = int(con.execute("SELECT count(*) FROM circuit ANTI JOIN left_out USING (system_id)").fetchall()[0][0])
    size = size or min(BATCH_CIRCUITS, max(LEAST_CIRCUITS, -(-total // WORKERS)))
    paths = {name: folder / f"{name}.parquet" for name in TABLE_NAMES}
    done = 0
    with ExitStack() as stack:
        writers = {name: stack.enter_context(ResultWriter(path)) for name, path in paths.items()}
        for circuits, results in _audited(con, frames, policy, as_of, size, tables):
            writers["circuit_result"].add(results.circuit)
            writers["system_result"].add(results.system)
            writers["warning"].add(results.warning)
            done += circuits
            if progress:
                progress(done, total)
    joined = "".join(writers[name].hexdigest() for name in TABLE_NAMES)
    return paths, hashlib.sha256(joined.encode()).hexdigest(), writers["system_result"].rows, total


def portfolio_warnings(con: Connection) -> pl.DataFrame:
    """Look at all systems that are audited at once."""
    queries = (
        "SELECT system_id, utility, region, latitude_deg, longitude_deg FROM system"
        " ANTI JOIN left_out USING (system_id)",
        "SELECT import_id, i.file_name, r.length_m FROM run r JOIN import i USING (import_id)"
        " ANTI JOIN left_out USING (system_id) WHERE r.role = 'home run'",
    )
    system, home_run = (pl.DataFrame(con.sql(query).to_arrow_table()) for query in queries)
    return of_portfolio(system, home_run)


def observed_frame(con: Connection, systems: pl.DataFrame) -> pl.DataFrame:
    """What the event logs of the systems say, by system and month: `auditor.evidence.observed.MONTH_SCHEMA`.

    `systems` has system_id, latitude_deg and longitude_deg; a system without any hour in a log has no row. Systems go
    by so many at once, so memory is bounded.
    """
    from auditor.evidence.observed import MONTH_SCHEMA, observe  # It is slow to load, and few commands need it.

    told = con.execute("SELECT DISTINCT system_id FROM event ORDER BY system_id").fetchall()
    ids = pl.DataFrame({"system_id": [row[0] for row in told]}, schema={"system_id": pl.String()})
    logged = systems.select("system_id", "latitude_deg", "longitude_deg").join(ids, on="system_id", how="semi")
    parts = [pl.DataFrame(schema=MONTH_SCHEMA)]
    for some in logged.sort("system_id").iter_slices(LOGGED_AT_ONCE):
        parts.append(observe(events_among(con, some), some).months)
    return pl.concat(parts)


def _observed(con: Connection) -> pl.DataFrame:
    """What logs say of every system that is audited."""
    query = "SELECT system_id, latitude_deg, longitude_deg FROM system ANTI JOIN left_out USING (system_id)"
    return observed_frame(con, pl.DataFrame(con.sql(query).to_arrow_table()))


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
    other_rules: str = "",
    made: Callable[[int], None] | None = None,
) -> Published:
    """Audit the store under the decisions in force and publish the snapshot; the store's lock must be held.

    `other_rules` says what was given in place of the store's own rules; it is kept with the run. `made` is told how
    many tables of the likelihood had to be worked out.
    """
    from auditor.trips import Tables  # It is slow to load, as in `audit`.

    as_of = as_of or last_import_date(con)
    decided = in_force(all_decisions(store))
    merged = merges(decided)
    paths, content_hash, systems, circuits = audit_all(
        con,
        store.scratch,
        catalog,
        policy,
        as_of,
        left_out=merged["dropped_id"],
        progress=progress,
        tables=Tables(store.root / "tables", made),
    )
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
        "other_rules": other_rules,
        "catalog": catalog.as_json(),
        "policy": policy.model_dump_json(),
    }
    alike = possible_duplicates(con, merged["dropped_id"], told_apart(decided))
    imports = [row[0] for row in con.execute("SELECT import_id FROM import ORDER BY import_id").fetchall()]
    beside = {
        "merged": merged,
        "possible_duplicate": alike,
        "of_portfolio": portfolio_warnings(con),
        "declared": declared(store, imports),
        "observed": _observed(con),
        **complaint_tables(con, paths, catalog.frames(), policy, decided),
    }
    told = [
        "ALTER TABLE warning ADD COLUMN import_id INTEGER",  # the import that a warning on a whole file is about
        "INSERT INTO warning BY NAME FROM of_portfolio ANTI JOIN merged ON dropped_id = system_id",
        "DROP TABLE of_portfolio",
        *without_declared(),
        "DROP TABLE declared",
    ]
    path = write_snapshot(con, store, number, paths, about, told + statements(policy) + shown(), beside)
    store.sweep()
    return Published(number, path, content_hash, systems, circuits)

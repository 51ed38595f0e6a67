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
from auditor.checks import CHECKS
from auditor.complaints import complaint_tables
from auditor.duplicates import possible_duplicates
from auditor.errors import AuditorError
from auditor.findings import statements
from auditor.held import in_snapshot, read_evidence, read_records
from auditor.policy import Policy
from auditor.prepare import Frames
from auditor.results import ResultWriter
from auditor.shown import statements as shown
from auditor.store.actions import actions_of, moves
from auditor.store.decisions import all_decisions, append, in_force, merges, told_apart, waivers
from auditor.store.declared import declared
from auditor.store.folder import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot, write_snapshot
from auditor.suspicion import of_portfolio, without_declared

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: Circuits in a batch at most and, where there are more workers than such batches, at least; batches audited at once.
#: Memory is bounded by them, results do not depend on them.
BATCH_CIRCUITS = 100_000
LEAST_CIRCUITS = 10_000
WORKERS = min(4, os.cpu_count() or 1)
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


@dataclass(frozen=True)
class Audited:
    """The files of an audit's result tables, their content hash, systems, circuits, and what it knew beside records."""

    paths: dict[str, Path]
    content_hash: str
    systems: int
    circuits: int
    evidence: Evidence


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


def _audited(
    con: Connection,
    frames: Frames,
    policy: Policy,
    as_of: date,
    size: int,
    tables: Tables | None,
    evidence: Evidence,
) -> Iterator[tuple[int, Results]]:
    """Yield each batch's circuits and results, in key order; batches are read here and audited on threads."""
    waiting: deque[tuple[int, Future[Results]]] = deque()
    with ThreadPoolExecutor(WORKERS) as pool:
        for first, last, circuits in batches(con, size):
            if len(waiting) == WORKERS:
                held, future = waiting.popleft()
                yield held, future.result()
            records = read_records(con, first, last)
            mine = evidence.between(first, last)
            waiting.append((circuits, pool.submit(audit, records, frames, policy, as_of, tables, mine)))
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
    evidence: Evidence | None = None,
) -> Audited:
    """Audit every system but those left out and write the result tables, `size` circuits at a time.

    `evidence` is what was measured and reported of them; without it, it is read from the store's own readings and logs.
    """
    frames = catalog.frames()
    con.execute("CREATE OR REPLACE TEMP TABLE left_out AS SELECT unnest(?::VARCHAR[]) AS system_id", [list(left_out)])
    if evidence is None:
        evidence = read_evidence(con, frames, policy, as_of)
    total = int(con.execute("SELECT count(*) FROM circuit ANTI JOIN left_out USING (system_id)").fetchall()[0][0])
    size = size or min(BATCH_CIRCUITS, max(LEAST_CIRCUITS, -(-total // WORKERS)))
    paths = {name: folder / f"{name}.parquet" for name in TABLE_NAMES}
    done = 0
    with ExitStack() as stack:
        writers = {name: stack.enter_context(ResultWriter(path)) for name, path in paths.items()}
        for circuits, results in _audited(con, frames, policy, as_of, size, tables, evidence):
            writers["circuit_result"].add(results.circuit)
            writers["system_result"].add(results.system)
            writers["warning"].add(results.warning)
            done += circuits
            if progress:
                progress(done, total)
    joined = "".join(writers[name].hexdigest() for name in TABLE_NAMES)
    content_hash = hashlib.sha256(joined.encode()).hexdigest()
    return Audited(paths, content_hash, writers["system_result"].rows, total, evidence)


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


def follow_actions(store: Store, run: int) -> None:
    """Move the corrective actions that a published run verifies or finds failing again.

    A run by other rules than the store's own moves nothing.
    """
    held = actions_of(in_force(all_decisions(store)))
    if not held:
        return
    columns = {f"{check.name.replace('-', '_')}_verdict": check.name for check in CHECKS}
    with open_snapshot(store, run) as con:
        query = f"SELECT system_id, {', '.join(columns)} FROM system_result WHERE system_id IN (SELECT unnest(?))"
        rows = con.execute(query, [[action.system for action in held]]).fetchall()
    verdicts = {(row[0], check): v for row in rows for check, v in zip(columns.values(), row[1:], strict=True)}
    for kind, subject, words in moves(held, verdicts, run):
        append(store, kind, subject, words, f"run {run}")


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
    done = audit_all(
        con,
        store.scratch,
        catalog,
        policy,
        as_of,
        left_out=merged["dropped_id"],
        progress=progress,
        tables=Tables(store.root / "tables", made),
    )
    alike = possible_duplicates(con, merged["dropped_id"], told_apart(decided))
    imports = [row[0] for row in con.execute("SELECT import_id FROM import ORDER BY import_id").fetchall()]
    beside = {
        "merged": merged,
        "waiver": waivers(decided),
        "possible_duplicate": alike,
        "of_portfolio": portfolio_warnings(con),
        "declared": declared(store, imports),
        **in_snapshot(done.evidence),
        **complaint_tables(con, done.paths, catalog.frames(), policy, decided, merged),
    }
    about = about_run(catalog, policy, as_of, done, other_rules)
    number, path = write_snapshot(con, store, done.paths, about, inside(policy), beside)
    store.sweep()
    if not other_rules:
        follow_actions(store, number)
    return Published(number, path, done.content_hash, done.systems, done.circuits)


def about_run(catalog: Catalog, policy: Policy, as_of: date, done: Audited, other_rules: str) -> dict[str, str | int]:
    """What a snapshot says of its run."""
    return {
        "as_of": as_of.isoformat(),
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "systems": done.systems,
        "circuits": done.circuits,
        "content_hash": done.content_hash,
        "catalog_hash": catalog.content_hash(),
        "policy_hash": policy.content_hash(),
        "code_hash": code_hash(),
        "version": __version__,
        "policy_name": policy.name,
        "other_rules": other_rules,
        "catalog": catalog.as_json(),
        "policy": policy.model_dump_json(),
    }


def inside(policy: Policy) -> list[str]:
    """The SQL that finishes a snapshot: warnings on all systems together, the views, and the tables they need."""
    return [
        "ALTER TABLE warning ADD COLUMN import_id INTEGER",  # the import that a warning on a whole file is about
        "INSERT INTO warning BY NAME FROM of_portfolio ANTI JOIN merged ON dropped_id = system_id",
        "DROP TABLE of_portfolio",
        *without_declared(),
        *statements(policy),
        *shown(),
    ]

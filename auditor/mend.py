"""The remedies of a snapshot's systems, batch by batch; and the table of them that is kept beside a run."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from auditor.catalog import Catalog
from auditor.errors import AuditorError
from auditor.held import records_of, snapshot_evidence
from auditor.policy import Policy
from auditor.prepare import Records
from auditor.remedies.base import LIKELY_TRIP_DAYS
from auditor.remedies.choosing import with_choice
from auditor.remedies.mending import INNER, Candidates, work_out
from auditor.remedies.prices import Prices, changes, load_prices, priced
from auditor.store.folder import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import snapshot_numbers, unfinished

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: Systems whose candidates are worked out at once, and such batches at a time. Memory is bounded by them.
BATCH_SYSTEMS = 10_000
WORKERS = min(4, os.cpu_count() or 1)

#: The price file that a store holds, where it holds one.
PRICES = "prices.toml"
#: Values that can hardly be meant, and that no remedy rests on.
BESIDE_THE_POINT = ("dates", "coordinates", "out-of-place")
#: So many changes of prices are named.
TOLD_CHANGES = 4

Progress = Callable[[int, int], None]


def systems_to_mend(con: Connection) -> list[str]:
    """The systems of a snapshot that fail a check or are likely to trip, sorted; AuditorError for an old snapshot."""
    try:
        rows = con.execute(
            "SELECT system_id FROM system_result WHERE verdict = 'fail' OR trip_days_per_year >= ? ORDER BY system_id",
            [LIKELY_TRIP_DAYS],
        ).fetchall()
    except duckdb.BinderException as error:
        raise AuditorError("This run holds no expected trips. Make one that does: auditor audit") from error
    return [row[0] for row in rows]


def safety_calls(con: Connection) -> dict[str, str]:
    """The systems of a snapshot with an open complaint that is a safety call, and the complaint's id."""
    try:
        rows = con.execute(
            "SELECT system_id, min(complaint_id) FROM triage WHERE state = 'stop' GROUP BY system_id"
        ).fetchall()
    except duckdb.CatalogException:
        return {}  # a snapshot of before there were complaints
    return {str(system): str(complaint) for system, complaint in rows}


def doubtful_systems(con: Connection) -> list[str]:
    """The systems of a snapshot whose records hold a value that can hardly be meant, other than dates and places."""
    try:
        rows = con.execute(
            "SELECT DISTINCT system_id FROM warning WHERE code NOT IN (SELECT unnest(?::VARCHAR[])) ORDER BY system_id",
            [list(BESIDE_THE_POINT)],
        ).fetchall()
    except duckdb.CatalogException:
        return []  # a snapshot of before there were warnings
    return [str(row[0]) for row in rows]


def read_systems(con: Connection, ids: Sequence[str]) -> Records:
    """The records of some systems of a snapshot."""
    return records_of(con, "WHERE system_id IN (SELECT unnest(?::VARCHAR[]))", [list(ids)])


def _batches(con: Connection, ids: Sequence[str]) -> Iterator[Records]:
    """The records of so many systems at a time; without any there is one batch with nothing in it."""
    for start in range(0, max(len(ids), 1), BATCH_SYSTEMS):
        yield read_systems(con, ids[start : start + BATCH_SYSTEMS])


def _ends(held: Records) -> tuple[str, str]:
    """The first and the last system of a batch; two ids that no system has where there is none."""
    ids = held.system["system_id"]
    return (ids[0], ids[-1]) if len(ids) else ("", "")


def _renamed(found: Candidates, batch: int) -> Candidates:
    """Candidates whose clones no other batch has, without their records."""
    mark = pl.format("{}-{}", pl.lit(batch), "clone").alias("clone")
    table, wire, part = (frame.with_columns(mark) for frame in (found.table, found.wire, found.part))
    return Candidates(table, wire, part)


def work_out_all(
    con: Connection,
    ids: Sequence[str],
    *,
    tables: Tables | None = None,
    cleared: Collection[str] = (),
    progress: Progress | None = None,
) -> Candidates:
    """Work the candidates of some systems of a snapshot out under its catalog, policy and date; ids are sorted."""
    row = con.execute("SELECT catalog, policy, as_of FROM audit").fetchall()[0]
    frames, policy = Catalog.from_json(row[0]).frames(), Policy.model_validate_json(row[1])
    as_of = date.fromisoformat(row[2])
    found: list[Candidates] = []
    waiting: deque[Future[Candidates]] = deque()

    def take() -> None:
        found.append(_renamed(waiting.popleft().result(), len(found)))
        if progress:
            progress(min(len(found) * BATCH_SYSTEMS, len(ids)), len(ids))

    evidence, called, doubtful = snapshot_evidence(con), safety_calls(con), doubtful_systems(con)
    with ThreadPoolExecutor(WORKERS) as pool:
        for held in _batches(con, ids):
            known = evidence.between(*_ends(held))
            if len(waiting) == WORKERS:
                take()
            waiting.append(pool.submit(work_out, held, frames, policy, as_of, tables, cleared, known, called, doubtful))
        while waiting:
            take()
    table, wire, part = (pl.concat([getattr(each, name) for each in found]) for name in ("table", "wire", "part"))
    return Candidates(table, wire, part)


def work_out_one(
    records: Records,
    catalog: Catalog,
    policy: Policy,
    as_of: date,
    tables: Tables | None = None,
    evidence: Evidence | None = None,
    called: Collection[str] = (),
    doubtful: Collection[str] = (),
) -> Candidates:
    """Work the candidates of one system out, with their records."""
    frames = catalog.frames()
    return work_out(records, frames, policy, as_of, tables, evidence=evidence, called=called, doubtful=doubtful)


def told(found: Candidates, prices: Prices | None) -> pl.DataFrame:
    """The table that is shown and kept: candidates with their costs and the choice, without what only that needs."""
    return with_choice(priced(found, prices)).drop(list(INNER))


def store_prices(store: Store) -> Prices | None:
    """The store's own price file, where it holds one."""
    path = store.root / PRICES
    return load_prices(path) if path.exists() else None


def _place(store: Store, run: int) -> Path:
    return store.root / "mends" / f"audit-{run:04d}.parquet"


def _run_of(con: Connection) -> tuple[int, str]:
    """The number and the content hash of a snapshot's run."""
    number, content = con.execute("SELECT run, content_hash FROM audit").fetchall()[0]
    return int(number), str(content)


@dataclass(frozen=True)
class Kept:
    """The table of remedies that is kept for a run: its file, the prices that it rests on, and its `mark`, which no
    other table has.
    """

    path: Path
    mark: int
    prices: Prices | None

    @property
    def table(self) -> pl.LazyFrame:
        """The table, not read yet."""
        return pl.scan_parquet(self.path)


def keep(store: Store, con: Connection, table: pl.DataFrame, prices: Prices | None) -> Path:
    """Keep the table of all systems of a snapshot for the pages; tables of runs that are gone go with it.

    AuditorError where it cannot be written.
    """
    run, content = _run_of(con)
    path = _place(store, run)
    about = {"price_file": prices.model_dump_json() if prices else "", "content_hash": content}
    try:
        path.parent.mkdir(exist_ok=True)
        with unfinished(store) as folder:
            part = folder / path.name
            table.write_parquet(part, metadata=about)
            part.replace(path)
        held = {_place(store, number) for number in snapshot_numbers(store)}
        for other in set(path.parent.glob("audit-*.parquet")) - held:
            other.unlink(missing_ok=True)
    except OSError as error:
        raise AuditorError(f"{path}: cannot be written: {error.strerror or error}.") from error
    return path


def kept(store: Store, con: Connection) -> Kept | None:
    """The table kept for a snapshot; None where none is, or one that this version cannot read."""
    run, content = _run_of(con)
    path = _place(store, run)
    try:
        about, mark = pl.read_parquet_metadata(path), path.stat().st_mtime_ns
        prices = Prices.model_validate_json(about["price_file"]) if about["price_file"] else None
    except (OSError, KeyError, ValueError, pl.exceptions.ComputeError):
        return None
    return Kept(path, mark, prices) if about["content_hash"] == content else None


def prices_since(store: Store, found: Kept) -> str | None:
    """What the store's price file says otherwise than the prices that a kept table rests on; None where nothing."""
    again = f"Work them out again: auditor mend --all --store {store.root}"
    try:
        now = store_prices(store)
    except AuditorError as error:
        return f"The store's price file cannot be read, and these costs are older than it. {error}"
    if now is None:
        return None  # those that were named on the command line still hold
    if found.prices is None:
        return f"The store has a price file by now, and these remedies have no costs. {again}"
    new = changes(found.prices, now)
    if not new:
        return None
    more = f" and {len(new) - TOLD_CHANGES} more" if len(new) > TOLD_CHANGES else ""
    told = "; ".join(new[:TOLD_CHANGES])
    return f"These costs are stale. Changed in the store's price file since: {told}{more}. {again}"

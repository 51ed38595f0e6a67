"""Snapshots: self-contained, published at once, opened read-only by everyone else."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import duckdb
import polars as pl

from auditor.errors import AuditorError
from auditor.records.schema import TABLES
from auditor.store.folder import Store, replace_text, sync
from auditor.store.records_db import CONFIG, Connection, quoted

_NAME = re.compile(r"audit-(\d{4,})\.duckdb")
CLOSED_OFF = CONFIG | {"enable_external_access": False}


def snapshot_numbers(store: Store) -> list[int]:
    """The run numbers of the snapshots in the store, ascending."""
    matches = (_NAME.fullmatch(path.name) for path in store.snapshots.glob("audit-*.duckdb"))
    return sorted(int(match[1]) for match in matches if match)


def snapshot_path(store: Store, number: int) -> Path:
    """Where the snapshot of a run lies."""
    return store.snapshots / f"audit-{number:04d}.duckdb"


def current_number(store: Store) -> int:
    """The run that readers open; the last one where CURRENT is missing or names none. AuditorError without any."""
    numbers = snapshot_numbers(store)
    if not numbers:
        raise AuditorError(f"{store.root}: nothing has been audited yet. Run: auditor audit --store {store.root}")
    match = _NAME.fullmatch(store.current.read_text("utf-8").strip()) if store.current.exists() else None
    return int(match[1]) if match and int(match[1]) in numbers else numbers[-1]


def write_snapshot(
    con: Connection,
    store: Store,
    number: int,
    results: Mapping[str, Path],
    about: Mapping[str, str | int],
    statements: list[str],
    beside: Mapping[str, pl.DataFrame],
) -> Path:
    """Build the snapshot of a run from the records database and its result files, and publish it.

    `results` gives the Parquet file of each result table; `about` becomes the one row of table `audit`; `statements`
    run last inside the new file (views and the tables they need). `beside` are small tables as they stand, among them
    `merged`: the records of a system that was merged into another are left out.
    """
    part = store.scratch / f"audit-{number:04d}.duckdb"
    con.execute(f"ATTACH '{_literal(part)}' AS snap")
    try:
        for name, frame in beside.items():
            con.register("incoming", frame.to_arrow())
            con.execute(f"CREATE TABLE snap.{quoted(name)} AS FROM incoming")
            con.unregister("incoming")
        for table in TABLES:
            keys = ", ".join(quoted(k) for k in table.key)
            con.execute(
                f"CREATE TABLE snap.{quoted(table.name)} AS SELECT * EXCLUDE (row_hash)"
                f" FROM records.{quoted(table.name)} ANTI JOIN snap.merged m ON m.dropped_id = system_id"
                f" ORDER BY {keys}"
            )
        for name in ("import", "reject", "conflict", "import_warning"):
            con.execute(f"CREATE TABLE snap.{quoted(name)} AS SELECT * FROM records.{quoted(name)} ORDER BY ALL")
        con.execute("SET preserve_insertion_order = true")  # results come sorted by key
        for name, path in results.items():
            con.execute(
                f"CREATE TABLE snap.{quoted(name)} AS"
                f" SELECT *{_as_stored(con, path)} FROM read_parquet('{_literal(path)}')"
            )
        columns = ", ".join(f"{quoted(k)} {'BIGINT' if isinstance(v, int) else 'VARCHAR'}" for k, v in about.items())
        con.execute(f"CREATE TABLE snap.audit ({columns})")
        con.execute(f"INSERT INTO snap.audit VALUES ({', '.join('?' * len(about))})", list(about.values()))
        con.execute("USE snap")
        for statement in statements:
            con.execute(statement)
        con.execute("CHECKPOINT snap")
    finally:
        con.execute("SET preserve_insertion_order = false")
        con.execute("USE records")
        con.execute("DETACH snap")
    return _publish(store, part, number)


def _publish(store: Store, part: Path, number: int) -> Path:
    sync(part)
    target = snapshot_path(store, number)
    part.replace(target)
    sync(store.snapshots)
    replace_text(store.current, target.name + "\n")
    return target


def _literal(path: Path) -> str:
    return str(path).replace("'", "''")


def _as_stored(con: Connection, path: Path) -> str:
    """A REPLACE clause that turns verdict numbers into the enumeration and masks into integers, empty without any."""
    rows = con.execute(f"DESCRIBE SELECT * FROM read_parquet('{_literal(path)}')").fetchall()
    verdict = "(['fail', 'unknown', 'pass', 'not applicable']::ENUM('fail', 'unknown', 'pass', 'not applicable')[])"
    stored = {"TINYINT": verdict + "[{} + 1]", "DECIMAL(38,0)": "{}::HUGEINT"}
    columns = [f"{stored[row[1]].format(quoted(row[0]))} AS {quoted(row[0])}" for row in rows if row[1] in stored]
    return f" REPLACE ({', '.join(columns)})" if columns else ""


def open_snapshot(store: Store, number: int | None = None) -> Connection:
    """Open a run's snapshot (by default the current one) read-only, without reach to anything outside it."""
    store.require()
    number = current_number(store) if number is None else number
    path = snapshot_path(store, number)
    if not path.exists():
        known = ", ".join(map(str, snapshot_numbers(store))) or "none"
        raise AuditorError(f"{store.root}: there is no run {number}. Runs kept: {known}.")
    try:
        con = duckdb.connect(str(path), read_only=True, config=CLOSED_OFF)
    except duckdb.Error as error:
        raise AuditorError(f"{path}: cannot be opened. Run `auditor audit` to make a new one.") from error
    # Connections of one process to one file share the lock: the second finds the settings locked already.
    with suppress(duckdb.InvalidInputException):
        con.execute("SET enable_progress_bar = false")
        con.execute("SET lock_configuration = true")
    return con


def drop_old(store: Store, keep: int) -> list[int]:
    """Remove all but the newest `keep` snapshots and the current one; return the runs removed."""
    numbers = snapshot_numbers(store)
    kept = {*numbers[len(numbers) - keep :], current_number(store)} if numbers else set()
    gone = [number for number in numbers if number not in kept]
    for number in gone:
        snapshot_path(store, number).unlink(missing_ok=True)
    return gone

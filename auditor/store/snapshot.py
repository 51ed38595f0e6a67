"""Snapshots: self-contained, put in place at once, opened read-only by everyone else.

A published audit is `audit-NNNN.duckdb`, and CURRENT names the one that is shown. A re-check, the same records under
other rules, is `recheck-NNNN.duckdb` and never shown by itself. Both are numbered in one series.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from filelock import FileLock, Timeout

from auditor.errors import AuditorError
from auditor.records.schema import TABLES
from auditor.store.folder import Store, replace_text, sync
from auditor.store.records_db import CONFIG, Connection, quoted

_NAME = re.compile(r"(audit|recheck)-(\d{4,})\.duckdb")
#: Tables that the statements of a run make.
MADE_BY_STATEMENTS = ("check", "fact", "oversized", "shown")
CLOSED_OFF = CONFIG | {"enable_external_access": False}


def snapshot_numbers(store: Store) -> list[int]:
    """The run numbers of the snapshots in the store, ascending."""
    return _numbers(store, "audit")


def recheck_numbers(store: Store) -> list[int]:
    """The run numbers of the re-checks in the store, ascending."""
    return _numbers(store, "recheck")


def _numbers(store: Store, kind: str) -> list[int]:
    matches = (_NAME.fullmatch(path.name) for path in store.snapshots.glob(f"{kind}-*.duckdb"))
    return sorted(int(match[2]) for match in matches if match)


def run_path(store: Store, number: int) -> Path:
    """Where a run lies, an audit or a re-check; AuditorError names the runs there are."""
    for path in (snapshot_path(store, number), _recheck_path(store, number)):
        if path.exists():
            return path
    known = ", ".join(map(str, sorted([*snapshot_numbers(store), *recheck_numbers(store)]))) or "none"
    raise AuditorError(f"{store.root}: there is no run {number}. Runs kept: {known}.")


def _recheck_path(store: Store, number: int) -> Path:
    return store.snapshots / f"recheck-{number:04d}.duckdb"


@contextmanager
def _numbered(store: Store) -> Iterator[int]:
    """Give the number of the run that is put in place within the block; whoever else wants one waits.

    A number is never given twice, whatever is removed in between.
    """
    with FileLock(store.root / "numbers.lock"):
        yield _last_number(store) + 1


def _last_number(store: Store) -> int:
    """The largest number of a run that is there or was removed."""
    removed = int(store.last_removed.read_text("utf-8")) if store.last_removed.exists() else 0
    return max([removed, *snapshot_numbers(store), *recheck_numbers(store)])


def _remove(store: Store, paths: Mapping[int, Path]) -> None:
    """Remove runs and what was compared with them."""
    if not paths:
        return
    with FileLock(store.root / "numbers.lock"):
        replace_text(store.last_removed, f"{_last_number(store)}\n")
    for path in paths.values():
        path.unlink(missing_ok=True)
    for path in store.snapshots.glob("compare-*.duckdb"):
        if paths.keys() & {int(number) for number in re.findall(r"\d+", path.stem)}:
            path.unlink(missing_ok=True)


@contextmanager
def unfinished(store: Store) -> Iterator[Path]:
    """A folder for the unfinished files of a command that only reads the store, gone after the block.

    The store's own scratch is swept by whoever writes to the store. Folders that killed commands left go first.
    """
    place = store.root / "unfinished"
    place.mkdir(exist_ok=True)
    with FileLock(place / ".lock"):
        for left in place.glob("*/"):
            with suppress(Timeout, OSError), FileLock(left / "lock", timeout=0):
                shutil.rmtree(left, ignore_errors=True)
        folder = Path(tempfile.mkdtemp(dir=place))
        lock = FileLock(folder / "lock")
        lock.acquire()
    try:
        yield folder
    finally:
        lock.release()
        shutil.rmtree(folder, ignore_errors=True)


def snapshot_path(store: Store, number: int) -> Path:
    """Where the snapshot of a run lies."""
    return store.snapshots / f"audit-{number:04d}.duckdb"


def current_number(store: Store) -> int:
    """The run that readers open; the last one where CURRENT is missing or names none. AuditorError without any."""
    numbers = snapshot_numbers(store)
    if not numbers:
        raise AuditorError(f"{store.root}: nothing has been audited yet. Run: auditor audit --store {store.root}")
    match = _NAME.fullmatch(store.current.read_text("utf-8").strip()) if store.current.exists() else None
    return int(match[2]) if match and int(match[2]) in numbers else numbers[-1]


def write_snapshot(
    con: Connection,
    store: Store,
    results: Mapping[str, Path],
    about: Mapping[str, str | int],
    statements: list[str],
    beside: Mapping[str, pl.DataFrame],
) -> tuple[int, Path]:
    """Build the snapshot of a run from the records database and its result files, and publish it.

    `results` gives the Parquet file of each result table; `about` becomes the one row of table `audit`, with the run's
    number; `statements` run last inside the new file (views and the tables they need). `beside` are small tables as
    they stand, among them `merged`: the records of a system that was merged into another are left out. Returns the
    run's number and its file.
    """
    part = store.scratch / "audit.duckdb"
    con.execute(f"ATTACH '{_literal(part)}' AS snap")
    try:
        _add(con, beside)
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
        _add_results(con, results, about, statements)
        with _numbered(store) as number:
            _close(con, number, "records")
            target = snapshot_path(store, number)
            _put(part, target)
    finally:
        con.execute("SET preserve_insertion_order = false")
        con.execute("USE records")
        con.execute("DETACH DATABASE IF EXISTS snap")
    replace_text(store.current, target.name + "\n")
    return number, target


def write_recheck(
    store: Store,
    folder: Path,
    base: int,
    results: Mapping[str, Path],
    about: Mapping[str, str | int],
    statements: list[str],
    beside: Mapping[str, pl.DataFrame],
    part: pl.Series | None = None,
) -> tuple[int, Path]:
    """Build the snapshot of a re-check: all that run `base` holds, with other results; nothing is overwritten or shown.

    `results`, `about` and `statements` as in `write_snapshot`; `beside` are tables that are made anew too, and `folder`
    takes the unfinished file. Of a `part`, the ids of its systems, it holds no other system. Returns the run's number
    and its file.
    """
    building = folder / "recheck.duckdb"
    with duckdb.connect(config=CONFIG | {"temp_directory": str(folder)}) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute(f"ATTACH '{_literal(run_path(store, base))}' AS base (READ_ONLY)")
        con.execute(f"ATTACH '{_literal(building)}' AS snap")
        _add(con, beside)
        if part is not None:
            con.execute("CREATE TABLE part AS SELECT unnest(?::VARCHAR[]) AS system_id", [part.to_list()])
        held = con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = 'base' ORDER BY ALL")
        anew = {"audit", *(name for name in MADE_BY_STATEMENTS), *results, *beside}
        for (name,) in held.fetchall():
            if name not in anew:
                con.execute(f"CREATE TABLE snap.{quoted(name)} AS FROM base.{quoted(name)}{_narrowed(con, name, part)}")
        _add_results(con, results, about, statements)
        with _numbered(store) as number:
            _close(con, number, "memory")
            target = _recheck_path(store, number)
            _put(building, target)
    return number, target


def _narrowed(con: Connection, table: str, part: pl.Series | None) -> str:
    """What keeps a table of the base to the systems of a part; nothing where it tells no systems apart."""
    query = (
        "SELECT 1 FROM duckdb_columns() WHERE database_name = 'base' AND table_name = ? AND column_name = 'system_id'"
    )
    if part is None or not con.execute(query, [table]).fetchall():
        return ""
    return " SEMI JOIN memory.part USING (system_id)"


def _add(con: Connection, beside: Mapping[str, pl.DataFrame]) -> None:
    """Add small tables to the snapshot that is being built."""
    for name, frame in beside.items():
        con.register("incoming", frame.to_arrow())
        con.execute(f"CREATE TABLE snap.{quoted(name)} AS FROM incoming")
        con.unregister("incoming")


def _add_results(
    con: Connection, results: Mapping[str, Path], about: Mapping[str, str | int], statements: list[str]
) -> None:
    """Add results and what the run is, without its number, and run the statements inside the snapshot."""
    for name, path in results.items():
        con.execute(
            f"CREATE TABLE snap.{quoted(name)} AS SELECT *{_as_stored(con, path)} FROM read_parquet('{_literal(path)}')"
        )
    told: dict[str, str | int] = {"run": 0, **about}
    columns = ", ".join(f"{quoted(k)} {'BIGINT' if isinstance(v, int) else 'VARCHAR'}" for k, v in told.items())
    con.execute(f"CREATE TABLE snap.audit ({columns})")
    con.execute(f"INSERT INTO snap.audit VALUES ({', '.join('?' * len(told))})", list(told.values()))
    con.execute("USE snap")
    for statement in statements:
        con.execute(statement)


def _close(con: Connection, number: int, back_to: str) -> None:
    """Give the snapshot its number, write it out and let go of it."""
    con.execute("UPDATE snap.audit SET run = ?", [number])
    con.execute("CHECKPOINT snap")
    con.execute(f"USE {back_to}")
    con.execute("DETACH snap")


def _put(part: Path, target: Path) -> None:
    sync(part)
    part.replace(target)
    sync(target.parent)


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
    return open_closed_off(run_path(store, number))


def open_closed_off(path: Path) -> Connection:
    """Open a finished file read-only, without reach to anything outside it."""
    try:
        con = duckdb.connect(str(path), read_only=True, config=CLOSED_OFF)
    except duckdb.Error as error:
        raise AuditorError(f"{path}: cannot be opened. Run `auditor audit` to make a new one.") from error
    # Connections of one process to one file share the lock: the second finds the settings locked already.
    with suppress(duckdb.InvalidInputException):
        con.execute("SET enable_progress_bar = false")
        con.execute("SET lock_configuration = true")
    return con


def about(con: Connection, schema: str = "main") -> dict[str, Any]:
    """What a run says of itself, attached as `schema`; an earlier version may lack some of it."""
    cursor = con.execute(f"FROM {schema}.audit")
    names = [column[0] for column in cursor.description or ()]
    return dict(zip(names, cursor.fetchall()[0], strict=True))


def drop_old(store: Store, keep: int) -> list[int]:
    """Remove all but the newest `keep` audits and the current one, and the re-checks made before all that stay.

    Returns the runs removed.
    """
    numbers = snapshot_numbers(store)
    kept = {*numbers[len(numbers) - keep :], current_number(store)} if numbers else set()
    gone = [number for number in numbers if number not in kept]
    old = [number for number in recheck_numbers(store) if kept and number < min(kept)]
    _remove(store, {n: snapshot_path(store, n) for n in gone} | {n: _recheck_path(store, n) for n in old})
    return sorted([*gone, *old])


def discard_recheck(store: Store, number: int) -> None:
    """Remove a re-check; AuditorError where the run is none."""
    path = run_path(store, number)
    if path != _recheck_path(store, number):
        raise AuditorError(f"Run {number} is a published audit, no re-check; `auditor runs --keep` removes old ones.")
    _remove(store, {number: path})


def comparison_path(store: Store, before: int, after: int) -> Path:
    """Where the comparison of two runs lies."""
    return store.snapshots / f"compare-{before:04d}-{after:04d}.duckdb"

"""The records database: the latest revision of every row, the revisions before it, and what each import did.

It is rebuilt from the originals: an import that the manifest holds and the database lacks is read again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import duckdb
import polars as pl

from auditor.errors import AuditorError
from auditor.records import Reading
from auditor.records.evidence_mapping import load_evidence_mapping
from auditor.records.evidence_schema import EVIDENCE_TABLES, IMPORTED_AS
from auditor.records.frames import CONFLICT_SCHEMA, KIND_TYPES, ROW_NUMBER, WARNING_SCHEMA
from auditor.records.schema import RUN, TABLES, UNIT, Table
from auditor.store import rejects
from auditor.store.evidence_db import BESIDES, apply_evidence, staging
from auditor.store.folder import Store
from auditor.store.mending import read_entry
from auditor.store.originals import Import, original_path, read_manifest, record_import
from auditor.store.revisions import Revision, revisions, same_key

#: Raise it when the tables change; a database of another version is rebuilt.
VERSION = "6"

_SQL_TYPES = {
    pl.String(): "VARCHAR",
    pl.Int32(): "INTEGER",
    pl.Int64(): "BIGINT",
    pl.Float64(): "DOUBLE",
    pl.Date(): "DATE",
    pl.Datetime("us"): "TIMESTAMP",
    pl.List(pl.String()): "VARCHAR[]",
    pl.List(pl.Int64()): "BIGINT[]",
}
#: What an import tells of its rows, by table; each has the import's id before these columns.
_TOLD: dict[str, dict[str, pl.DataType]] = {
    "reject": rejects.SCHEMA,
    "conflict": CONFLICT_SCHEMA,
    "import_warning": {"row" if name == ROW_NUMBER else name: kind for name, kind in WARNING_SCHEMA.items()},
}
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
Connection = duckdb.DuckDBPyConnection
Progress = Callable[[int, int | None], None]


@dataclass(frozen=True)
class Outcome:
    """What an import did to the store; rows_in == accepted + rejected + duplicate.

    `closed` counts the rows rejected by earlier imports that this one settled, `still_open` those of all imports that
    nothing has settled yet; `facts_revised` the facts that earlier imports stated otherwise, of which `revisions` are
    the first.
    """

    rows_in: int
    accepted: int
    rejected: int
    duplicate: int
    systems: int
    circuits: int
    replaced: int
    closed: int = 0
    still_open: int = 0
    facts_revised: int = 0
    revisions: tuple[Revision, ...] = ()


def quoted(name: str) -> str:
    """An identifier in SQL."""
    return '"' + name.replace('"', '""') + '"'


def _definition(table: Table) -> str:
    columns = [f"{quoted(c.name)} {_SQL_TYPES[KIND_TYPES[c.kind]]}" for c in table.columns]
    return ", ".join([*columns, "source_row BIGINT", "row_hash VARCHAR", "import_id INTEGER"])


def _create(con: Connection) -> None:
    con.execute("BEGIN")
    for table in TABLES:
        con.execute(f"CREATE TABLE {quoted(table.name)} ({_definition(table)})")
        con.execute(f"CREATE TABLE {quoted(table.name + '_past')} ({_definition(table)}, replaced_by INTEGER)")
    for table in EVIDENCE_TABLES:
        columns = ", ".join(f"{quoted(c.name)} {_SQL_TYPES[KIND_TYPES[c.kind]]}" for c in table.columns)
        for name in (table.name, staging(table)):
            con.execute(f"CREATE TABLE {quoted(name)} ({columns}, {BESIDES})")
    con.execute(
        "CREATE TABLE import (import_id INTEGER, file_name VARCHAR, sha256 VARCHAR, mapping_name VARCHAR,"
        " mapping_sha256 VARCHAR, replace_circuits BOOLEAN, mends INTEGER, imported_as VARCHAR, zone VARCHAR,"
        " imported_on DATE, rows_in BIGINT, accepted BIGINT, rejected BIGINT, duplicate BIGINT)"
    )
    for name, schema in _TOLD.items():
        columns = ", ".join(f"{quoted(c)} {_SQL_TYPES[t]}" for c, t in schema.items())
        con.execute(f"CREATE TABLE {name} (import_id INTEGER, {columns})")
    con.execute("CREATE TABLE about (version VARCHAR)")
    con.execute("INSERT INTO about VALUES (?)", [VERSION])
    con.execute("COMMIT")


def _usable(con: Connection) -> bool:
    try:
        return con.execute("SELECT version FROM about").fetchall() == [(VERSION,)]
    except duckdb.Error:
        return False


def _open(store: Store) -> Connection:
    """Open the database, new where there is none or the one there cannot be used."""
    for _ in range(2):
        try:
            con = duckdb.connect(str(store.records), config=CONFIG)
        except (duckdb.IOException, duckdb.SerializationException, duckdb.InternalException, duckdb.FatalException):
            remove(store)
            continue
        con.execute("SET temp_directory = ?", [str(store.scratch)])
        con.execute("SET preserve_insertion_order = false")
        con.execute("SET enable_progress_bar = false")  # the command line shows its own
        if _usable(con):
            return con
        if not con.execute("SELECT 1 FROM information_schema.tables LIMIT 1").fetchall():
            _create(con)
            return con
        con.close()
        remove(store)
    raise AuditorError(f"{store.records}: cannot open or make the records database. Is the disk full or read-only?")


def remove(store: Store) -> None:
    """Remove the records database; the next command builds it anew from the originals."""
    store.records.unlink(missing_ok=True)
    store.records.with_name(store.records.name + ".wal").unlink(missing_ok=True)


@contextmanager
def open_records(store: Store, progress: Progress | None = None) -> Iterator[Connection]:
    """Open the database with every import of the manifest in it; the store's lock must be held."""
    con = _open(store)
    try:
        done = con.execute("SELECT coalesce(max(import_id), 0) FROM import").fetchall()[0][0]
        entries = read_manifest(store)
        if done > len(entries):
            raise AuditorError(
                f"{store.manifest}: lists {len(entries)} imports, the records database holds {done}."
                f" Put the manifest back, or remove {store.records} to rebuild from what is listed."
            )
        for entry in entries[done:]:
            replay(con, store, entries, entry, progress)
        yield con
    finally:
        con.close()


def replay(
    con: Connection, store: Store, entries: Sequence[Import], entry: Import, progress: Progress | None = None
) -> None:
    """Read a kept original again and apply it; `entries` is the whole manifest."""
    path = original_path(store, entry.sha256, entry.file_name)
    if not path.exists():
        raise AuditorError(
            f"{path}: the original of import {entry.import_id} ({entry.file_name}) is gone; put it back."
        )
    if entry.imported_as != "records":
        kept = original_path(store, entry.mapping_sha256, entry.mapping_name) if entry.mapping_sha256 else None
        mapping = load_evidence_mapping(kept, IMPORTED_AS[entry.imported_as]) if kept else None
        con.execute("BEGIN")
        apply_evidence(con, entry, path, progress, mapping)
        con.execute("COMMIT")
        return
    read = read_entry(con, store, entries, entry, path, progress)
    con.execute("BEGIN")
    apply(con, entry, read.reading, read.mended)
    con.execute("COMMIT")


def apply(con: Connection, entry: Import, reading: Reading, mended: pl.DataFrame | None = None) -> Outcome:
    """Apply a reading inside the caller's transaction: new revisions replace, what is equal stays.

    `mended` names the refused rows of import `entry.mends` that the reading replaces.
    """
    for table in TABLES:
        frame = getattr(reading.tables, table.name)
        _stage(con, table, frame, reading.present, entry.import_id)
    if entry.replace_circuits:
        _drop_unlisted(con, entry.import_id)
    if "units" in reading.present:
        _drop_old_units(con, entry.import_id)
    changed, replaced = _count_changed(con, reading.row_keys)
    if reading.refused is not None:
        _hold_places(con, reading.refused, entry.import_id)
    if mended is not None:
        rejects.drop_places(con, entry, mended)
    facts_revised, first = revisions(con)
    for table in TABLES:
        _write(con, table, entry.import_id)
    accepted = min(changed, reading.accepted)
    outcome = Outcome(
        reading.rows_in,
        accepted,
        reading.rejected,
        reading.duplicate + reading.accepted - accepted,
        reading.tables.system.height,
        reading.tables.circuit.height,
        replaced,
        facts_revised=facts_revised,
        revisions=first,
    )
    _record(con, entry, reading, outcome)
    closed = rejects.close_rejects(con, entry, mended)
    return replace(outcome, closed=closed, still_open=rejects.count_rows(con))


def _merged(table: Table, column: str, present: frozenset[str]) -> str:
    """The value of a column: the file's where the file states the column, else the one held before."""
    name = quoted(column)
    if column in table.key or (table is UNIT):
        return f"n.{name}"
    if table is not RUN:
        return f"n.{name}" if column in present else f"o.{name}"
    roles = [
        r
        for r in ("home run", "feeder", "service entrance", "service drop")
        if f"{r.replace(' ', '_')}_{column}" in present
    ]
    if not roles:
        return f"o.{name}"
    listed = ", ".join(f"'{role}'" for role in roles)
    return f"CASE WHEN n.role IN ({listed}) THEN n.{name} ELSE o.{name} END"


def _stage(con: Connection, table: Table, frame: pl.DataFrame, present: frozenset[str], import_id: int) -> None:
    """Make temporary `new_T`: the file's rows merged with what is held, and the hash held before."""
    con.register("incoming", frame.to_arrow())
    columns = [c.name for c in table.columns]
    merged = ", ".join(f"{_merged(table, c, present)} AS {quoted(c)}" for c in columns)
    content = ", ".join(f"coalesce({quoted(c)}::VARCHAR, chr(0))" for c in columns)
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE new_{table.name} AS"
        f" SELECT *, md5(concat_ws(chr(31), {content})) AS row_hash, {import_id} AS import_id FROM"
        f" (SELECT {merged}, n.source_row, o.row_hash AS old_hash FROM incoming n"
        f" LEFT JOIN {quoted(table.name)} o ON {same_key(table)})"
    )
    con.unregister("incoming")
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE gone_{table.name} AS"
        f" SELECT {', '.join(quoted(k) for k in table.key)} FROM new_{table.name}"
        " WHERE old_hash IS NOT NULL AND old_hash <> row_hash"
    )


def _hold_places(con: Connection, refused: pl.DataFrame, import_id: int) -> None:
    """Add circuits without a single fact in place of refused rows: a system is not judged as if it had none there.

    A circuit that is held already, or that another row of the file gives, keeps what it has. A place whose circuit's
    id could not be read goes when its system is imported again.
    """
    con.register("incoming", refused.to_arrow())
    con.execute(
        "CREATE OR REPLACE TEMP TABLE place AS SELECT system_id,"
        " coalesce(circuit_id, '(row ' || source_row || ')') AS circuit_id, min(source_row) AS source_row"
        " FROM incoming GROUP BY ALL"
    )
    con.unregister("incoming")
    con.execute(
        f"INSERT INTO gone_circuit SELECT system_id, circuit_id FROM circuit WHERE row_hash = '{rejects.PLACE}'"
        " AND starts_with(circuit_id, '(row ') AND system_id IN (SELECT system_id FROM new_system)"
        " AND (system_id, circuit_id) NOT IN (SELECT (system_id, circuit_id) FROM place)"
    )
    for table, keys in (("circuit", "system_id, circuit_id"), ("system", "system_id")):
        con.execute(
            f"INSERT INTO new_{table} BY NAME SELECT {keys}, min(source_row) AS source_row,"
            f" '{rejects.PLACE}' AS row_hash, {import_id} AS import_id FROM place ANTI JOIN {table} USING ({keys})"
            f" ANTI JOIN new_{table} USING ({keys}) GROUP BY {keys}"
        )


def _drop_unlisted(con: Connection, import_id: int) -> None:
    """Mark as gone the circuits, with their units and home runs, that a file lists no more for its systems."""
    unlisted = (
        "SELECT system_id, circuit_id FROM circuit WHERE system_id IN (SELECT system_id FROM new_system)"
        " EXCEPT SELECT system_id, circuit_id FROM new_circuit"
    )
    for name, keys in (("circuit", ""), ("unit", ", unit_order"), ("run", ", combiner_id, role, run_order")):
        con.execute(
            f"INSERT INTO gone_{name} SELECT system_id, circuit_id{keys} FROM {name} SEMI JOIN ({unlisted})"
            " USING (system_id, circuit_id)"
        )


def _drop_old_units(con: Connection, import_id: int) -> None:
    """A circuit's list of units is replaced as a whole."""
    con.execute(
        "INSERT INTO gone_unit SELECT system_id, circuit_id, unit_order FROM unit SEMI JOIN new_circuit"
        " USING (system_id, circuit_id) ANTI JOIN new_unit USING (system_id, circuit_id, unit_order)"
    )


def _count_changed(con: Connection, row_keys: pl.DataFrame | None) -> tuple[int, int]:
    """Rows of the file that change something, and circuits of which a fact, a unit or a home run was replaced.

    A row is a circuit, or a system without one; where the file has rows of other kinds, `row_keys` has a key for each.
    """
    differs = "old_hash IS DISTINCT FROM row_hash"
    con.execute(
        "CREATE OR REPLACE TEMP TABLE changed AS"
        f" SELECT system_id, NULL AS circuit_id FROM new_system WHERE {differs}"
        f" UNION SELECT system_id, circuit_id FROM new_circuit WHERE {differs}"
        f" UNION SELECT system_id, circuit_id FROM new_unit WHERE {differs}"
        f" UNION SELECT system_id, circuit_id FROM new_run WHERE {differs}"
        " UNION SELECT system_id, circuit_id FROM gone_circuit UNION SELECT system_id, circuit_id FROM gone_unit"
    )
    rows = (
        "SELECT system_id, circuit_id FROM new_circuit"
        " UNION ALL SELECT system_id, NULL FROM new_system ANTI JOIN new_circuit USING (system_id)"
    )
    if row_keys is not None:
        con.register("incoming", row_keys.to_arrow())
        rows = "SELECT system_id, circuit_id FROM incoming"
    changed = con.execute(
        f"SELECT count(*) FROM ({rows}) r WHERE r.system_id IN (SELECT system_id FROM changed WHERE circuit_id IS NULL)"
        " OR (r.system_id, r.circuit_id) IN (SELECT (system_id, circuit_id) FROM changed WHERE circuit_id IS NOT NULL)"
    ).fetchall()[0][0]
    if row_keys is not None:
        con.unregister("incoming")
    replaced = con.execute(
        "SELECT count(*) FROM (SELECT system_id, circuit_id FROM gone_circuit"
        " UNION SELECT system_id, circuit_id FROM gone_unit"
        " UNION SELECT system_id, circuit_id FROM gone_run WHERE circuit_id IS NOT NULL)"
    ).fetchall()[0][0]
    return int(changed), int(replaced)


def _write(con: Connection, table: Table, import_id: int) -> None:
    """Move replaced rows to the past and insert the new ones."""
    name, past = quoted(table.name), quoted(table.name + "_past")
    held = ", ".join([*(quoted(c.name) for c in table.columns), "source_row", "row_hash", "import_id"])
    if con.execute(f"SELECT 1 FROM gone_{table.name} LIMIT 1").fetchall():
        match = same_key(table).replace("n.", "g.")
        con.execute(
            f"INSERT INTO {past} SELECT o.*, {import_id} FROM {name} o SEMI JOIN gone_{table.name} g ON {match}"
        )
        con.execute(f"DELETE FROM {name} o USING gone_{table.name} g WHERE {match}")
    con.execute(f"INSERT INTO {name} SELECT {held} FROM new_{table.name} WHERE old_hash IS DISTINCT FROM row_hash")


def _record(con: Connection, entry: Import, reading: Reading, outcome: Outcome) -> None:
    record_import(con, entry, (outcome.rows_in, outcome.accepted, outcome.rejected, outcome.duplicate))
    told = {
        "reject": rejects.rejects_of(reading),
        "conflict": reading.tables.conflicts,
        "import_warning": reading.warnings.rename({ROW_NUMBER: "row"}),
    }
    for name, frame in told.items():
        if frame.height:
            con.register("incoming", frame.to_arrow())
            con.execute(f"INSERT INTO {name} BY NAME SELECT {entry.import_id} AS import_id, * FROM incoming")
            con.unregister("incoming")

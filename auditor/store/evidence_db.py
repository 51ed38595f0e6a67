"""Evidence in the records database: rows come in by the piece and stay columns; the later import wins.

There is no past of them: the originals hold what was replaced. Of rows with one key, an import replaces what earlier
ones gave. Within one file, readings that contradict each other are refused, for nobody can tell which is right, and of
events and complaints the last row stands, for a log that goes on tells an event again once it has ended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa

from auditor.errors import AuditorError
from auditor.records.evidence_mapping import EvidenceMapping
from auditor.records.evidence_reader import EvidenceFile, open_evidence
from auditor.records.evidence_schema import COMPLAINT, EVENT, IMPORTED_AS, READING, SPANS
from auditor.records.schema import Table
from auditor.store import rejects
from auditor.store.originals import Import, record_import

Connection = duckdb.DuckDBPyConnection
Progress = Callable[[int, int | None], None]

#: Columns behind the declared ones. `known_until` is, of an event without an end, the last moment that its file tells
#: of anything: so far it is known to have lasted.
BESIDES = "known_until TIMESTAMP, source_row BIGINT, import_id INTEGER"
#: Rejects and unknown systems that are named.
NAMED = 100
#: Memory that the database may use while readings come in: at least so much, and so much for each thread [MB].
LEAST_MB, THREAD_MB = 1_024, 128


@dataclass(frozen=True)
class EvidenceOutcome:
    """What an import of readings or events did; rows_in == accepted + rejected + duplicate.

    `replaced` counts the rows held before that now say something else, `told_again` the rows of the file that a later
    row of it replaces, `unknown` the systems without a record, of which `unknown_named` are the first. `first` and
    `last` are the moments the file spans, in UTC. `rejects` are the first rejects, `reject_kinds` all of them by column
    and code.
    """

    rows_in: int
    accepted: int
    rejected: int
    duplicate: int
    systems: int
    replaced: int
    told_again: int
    unknown: int
    unknown_named: tuple[str, ...]
    first: datetime | None
    last: datetime | None
    unused: tuple[str, ...]
    rejects: pl.DataFrame
    reject_kinds: pl.DataFrame
    closed: int
    still_open: int


@contextmanager
def _bounded(con: Connection) -> Iterator[None]:
    """Let the database use memory that does not grow with the rows; the rest goes to its temporary folder."""
    threads = int(con.execute("SELECT current_setting('threads')").fetchall()[0][0])
    con.execute(f"SET memory_limit = '{max(LEAST_MB, THREAD_MB * threads)}MB'")
    try:
        yield
    finally:
        con.execute("RESET memory_limit")


def staging(table: Table) -> str:
    """The table that rows of a file stand in until they are merged; empty between imports.

    It stands in the database, and not among temporary tables: what it holds is written, and not kept in memory.
    """
    return f"{table.name}_incoming"


def apply_evidence(
    con: Connection,
    entry: Import,
    path: Path,
    progress: Progress | None = None,
    mapping: EvidenceMapping | None = None,
) -> EvidenceOutcome:
    """Read a file of readings, events or complaints and apply it inside the caller's transaction."""
    with _bounded(con):
        return _apply(con, entry, path, progress, mapping)


def _apply(
    con: Connection, entry: Import, path: Path, progress: Progress | None, mapping: EvidenceMapping | None
) -> EvidenceOutcome:
    table = IMPORTED_AS[entry.imported_as]
    con.execute(f"DELETE FROM {staging(table)}")
    with open_evidence(path, table, entry.zone, mapping) as file:
        blank = _stage(con, entry, table, file, progress)
        rows_in, unused = file.rows - blank, file.unused
    if table is EVENT:
        con.execute(
            f'UPDATE {staging(EVENT)} SET known_until = (SELECT max(coalesce("end", start)) FROM {staging(EVENT)})'
            ' WHERE "end" IS NULL'
        )
    repeated, told_again = _settle_repeats(con, entry, table)
    unchanged, replaced = _merge(con, table)
    staged = _count(con, staging(table))
    rejected = _count(con, "reject WHERE import_id = $id", {"id": entry.import_id}, "DISTINCT row_number")
    accepted, duplicate = staged - unchanged, repeated + unchanged
    if rows_in != accepted + rejected + duplicate:
        raise AuditorError(
            f"{path}: row-count: of {rows_in} rows {accepted} were accepted, {rejected} rejected and {duplicate}"
            " repeated, which do not add up; nothing was taken from this file"
        )
    record_import(con, entry, (rows_in, accepted, rejected, duplicate))
    closed = _close_earlier(con, entry)
    named, unknown = _unknown(con, table)
    earliest, latest = SPANS[table.name]
    first, last = con.execute(f"SELECT min({earliest}), max({latest}) FROM {staging(table)}").fetchall()[0]
    outcome = EvidenceOutcome(
        *(rows_in, accepted, rejected, duplicate),
        systems=_count(con, staging(table), what="DISTINCT system_id"),
        replaced=replaced,
        told_again=told_again,
        unknown=unknown,
        unknown_named=named,
        first=first,
        last=last,
        unused=unused,
        rejects=_rejects(con, entry),
        reject_kinds=_kinds(con, entry),
        closed=closed,
        still_open=rejects.count_rows(con),
    )
    con.execute(f"DELETE FROM {staging(table)}")
    return outcome


def _stage(con: Connection, entry: Import, table: Table, file: EvidenceFile, progress: Progress | None) -> int:
    """Take a file's rows into the staging table and its rejects into `reject`; return its blank rows."""
    blank = done = 0
    for chunk in file.chunks:
        for name, frame in ((staging(table), chunk.rows), ("reject", chunk.rejects)):
            if frame.height:
                _insert(con, name, frame.to_arrow(), entry.import_id)
        blank += chunk.blank
        done += chunk.read
        if progress is not None:
            progress(done, file.rows)
    return blank


def _insert(con: Connection, table: str, incoming: pa.Table, import_id: int) -> None:
    """Add rows to a table; `incoming` is read under its own name.

    Rows that are registered instead stay in memory until the transaction ends, which here is the whole file.
    """
    con.execute(f"INSERT INTO {table} BY NAME SELECT *, {import_id} AS import_id FROM incoming")


def _same(table: Table, left: str, right: str) -> str:
    return " AND ".join(f'{left}."{key}" IS NOT DISTINCT FROM {right}."{key}"' for key in table.key)


def _values(table: Table) -> list[str]:
    more = ["known_until"] if table is EVENT else []
    return [column.name for column in table.columns if column.name not in table.key] + more


def _settle_repeats(con: Connection, entry: Import, table: Table) -> tuple[int, int]:
    """Leave one row of each key in the staging table, or none of readings that contradict each other.

    Returns the rows that count as repeated, and those among them that said something else than the row that stands.
    """
    keys = ", ".join(f'"{key}"' for key in table.key)
    content = ", ".join(f'coalesce("{name}"::VARCHAR, chr(0))' for name in _values(table))
    circuit = "NULL::VARCHAR" if table is COMPLAINT else "circuit_id"
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE repeated AS SELECT {keys} FROM {staging(table)} GROUP BY ALL HAVING count(*) > 1"
    )
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE again AS SELECT system_id, {circuit} AS circuit_id, source_row, said,"
        f" min(source_row) OVER same AS first_row, max(source_row) OVER same AS last_row,"
        " min(said) OVER same <> max(said) OVER same AS differ, last_value(said) OVER same AS last_said FROM"
        f" (SELECT *, concat_ws(chr(31), {content}) AS said FROM {staging(table)} n SEMI JOIN repeated r"
        f"  ON {_same(table, 'n', 'r')}) WINDOW same AS (PARTITION BY {keys} ORDER BY source_row"
        " ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)"
    )
    if table is not READING:
        gone, refused = "source_row <> last_row", "false"
    else:
        gone, refused = "(differ OR source_row <> first_row)", "differ"
    told_again = _count(con, f"again WHERE {gone} AND NOT ({refused}) AND said <> last_said")
    repeats = _count(con, f"again WHERE {gone} AND NOT ({refused})")
    con.execute(
        "INSERT INTO reject BY NAME SELECT $id AS import_id, source_row AS row_number, 'contradiction' AS code,"
        " format('rows {} to {} of the file give other values for one place, leg and time, so none of them counts',"
        f" first_row, last_row) AS sentence, system_id, circuit_id FROM again WHERE {refused}",
        {"id": entry.import_id},
    )
    con.execute(f"DELETE FROM {staging(table)} WHERE source_row IN (SELECT source_row FROM again WHERE {gone})")
    return repeats, told_again


def _merge(con: Connection, table: Table) -> tuple[int, int]:
    """Put the staging table in place of what is held by the same keys.

    Returns the rows that change nothing, and the held ones that were replaced.
    """
    equal = " AND ".join(f'n."{name}" IS NOT DISTINCT FROM o."{name}"' for name in _values(table))
    match = _same(table, "n", "o")
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE held AS SELECT n.source_row, {equal} AS equal FROM {staging(table)} n"
        f' JOIN "{table.name}" o ON {match}'
    )
    replaced = _count(con, "held WHERE NOT equal")
    if replaced:
        con.execute(
            f'DELETE FROM "{table.name}" o USING {staging(table)} n WHERE {match}'
            " AND n.source_row IN (SELECT source_row FROM held WHERE NOT equal)"
        )
    order = ", ".join(f'"{key}"' for key in table.key)
    con.execute(
        f'INSERT INTO "{table.name}" BY NAME FROM {staging(table)} ANTI JOIN (FROM held WHERE equal) USING (source_row)'
        f" ORDER BY {order}"
    )
    return _count(con, "held WHERE equal"), replaced


def _close_earlier(con: Connection, entry: Import) -> int:
    """Close the rejects of earlier imports of a file of this name or content; return how many rows that are."""
    earlier = (
        "closed_by IS NULL AND import_id IN (SELECT import_id FROM import WHERE import_id < $id"
        " AND imported_as = $kind AND (file_name = $name OR sha256 = $sha256))"
    )
    values = {"id": entry.import_id, "kind": entry.imported_as, "name": entry.file_name, "sha256": entry.sha256}
    closed = _count(con, f"reject WHERE {earlier}", values, "DISTINCT (import_id, row_number)")
    if closed:
        con.execute(f"UPDATE reject SET closed_by = $id WHERE {earlier}", values)
    return closed


def _unknown(con: Connection, table: Table) -> tuple[tuple[str, ...], int]:
    """The first systems of the import that the store holds no record of, and how many there are."""
    found = con.execute(
        f"SELECT DISTINCT system_id FROM {staging(table)} ANTI JOIN system USING (system_id) ORDER BY system_id"
    ).fetchall()
    return tuple(row[0] for row in found[:NAMED]), len(found)


def _rejects(con: Connection, entry: Import) -> pl.DataFrame:
    query = (
        'SELECT row_number, sheet, "column", canonical, raw, code, sentence FROM reject WHERE import_id = $id'
        f' ORDER BY row_number, "column", code LIMIT {NAMED}'
    )
    return pl.DataFrame(con.sql(query, params={"id": entry.import_id}).to_arrow_table())


def _kinds(con: Connection, entry: Import) -> pl.DataFrame:
    query = (
        'SELECT coalesce("column", \'whole row\') AS "column", code, count(*) AS count FROM reject'
        ' WHERE import_id = $id GROUP BY ALL ORDER BY count DESC, "column", code'
    )
    return pl.DataFrame(con.sql(query, params={"id": entry.import_id}).to_arrow_table())


def _count(con: Connection, rows: str, values: Mapping[str, str | int] | None = None, what: str = "*") -> int:
    return int(con.execute(f"SELECT count({what}) FROM {rows}", dict(values or {})).fetchall()[0][0])

"""What a store, or a snapshot of one, holds of systems: their records, and what was measured and reported of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import polars as pl

from auditor.policy import Policy
from auditor.prepare import Frames, Records, prepare
from auditor.records.frames import KIND_TYPES
from auditor.records.schema import TABLES, Table
from auditor.store.evidence import events_among, readings_in_turn
from auditor.store.records_db import Connection, quoted

if TYPE_CHECKING:
    from auditor.trips import Evidence

#: Systems whose event logs are counted at once, and systems with readings whose records are read at once.
LOGGED_AT_ONCE, READ_AT_ONCE = 5_000, 1_000
#: Readings that are in memory at once, of whole systems.
READINGS_AT_ONCE = 1_000_000
#: The tables of a snapshot that hold evidence.
OBSERVED, FITTED = "observed", "fitted_supply"


def columns_of(con: Connection, schema: str, table: str) -> set[str]:
    """The columns that a table has in a database, attached as `schema`; none where there is no such table."""
    database = "current_database()" if schema == "main" else f"'{schema}'"
    query = f"SELECT column_name FROM duckdb_columns() WHERE database_name = {database} AND table_name = ?"
    return {row[0] for row in con.execute(query, [table]).fetchall()}


def rows_of(
    con: Connection,
    table: Table,
    among: str,
    params: Sequence[object] = (),
    schema: str = "main",
    also: Sequence[str] = (),
) -> pl.DataFrame:
    """The rows of a table of records in the order of its keys, in its declared columns.

    `among` is SQL behind the table's name that says which rows, with its `params`; `also` names further columns. A
    column that the database, of an earlier version, lacks is empty.
    """
    held = columns_of(con, schema, table.name)
    columns = ", ".join(quoted(name) for name in (*(c.name for c in table.columns if c.name in held), *also))
    keys = ", ".join(quoted(key) for key in table.key)
    query = f"SELECT {columns} FROM {schema}.{quoted(table.name)} {among} ORDER BY {keys}"
    lacking = (pl.lit(None, KIND_TYPES[c.kind]).alias(c.name) for c in table.columns if c.name not in held)
    frame = pl.DataFrame(con.sql(query, params=list(params)).to_arrow_table())
    return frame.with_columns(*lacking).select(*(column.name for column in table.columns), *also)


def records_of(con: Connection, among: str, params: Sequence[object] = (), schema: str = "main") -> Records:
    """The records of some systems, as `rows_of` reads each table."""
    return Records(*(rows_of(con, table, among, params, schema) for table in TABLES))


def read_records(con: Connection, first: str, last: str, among: str = "") -> Records:
    """Read the systems between two ids, both included; `among` joins to what narrows them further."""
    which = f"ANTI JOIN left_out USING (system_id){among} WHERE system_id BETWEEN ? AND ?"
    return records_of(con, which, [first, last])


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


def read_evidence(con: Connection, frames: Frames, policy: Policy, as_of: date) -> Evidence:
    """What was measured and reported of the systems that are audited: logs counted, supplies fitted to readings."""
    from auditor.trips.evidence import Evidence  # slow to load, as below

    query = "SELECT system_id, latitude_deg, longitude_deg FROM system ANTI JOIN left_out USING (system_id)"
    months = observed_frame(con, pl.DataFrame(con.sql(query).to_arrow_table()))
    return Evidence(months, _fitted_frame(con, frames, policy, as_of))


def _fitted_frame(con: Connection, frames: Frames, policy: Policy, as_of: date) -> pl.DataFrame:
    """Supplies fitted to readings; systems are read so many at once, and their readings some at a time."""
    from auditor.trips.evidence import FIT_SCHEMA

    con.execute(
        "CREATE OR REPLACE TEMP TABLE was_read AS SELECT system_id, count(*) AS readings FROM reading GROUP BY ALL"
    )
    counts = con.execute("SELECT system_id, readings FROM was_read ORDER BY system_id").fetchall()
    parts = [pl.DataFrame(schema=FIT_SCHEMA)]
    for start in range(0, len(counts), READ_AT_ONCE):
        some = counts[start : start + READ_AT_ONCE]
        records = read_records(con, some[0][0], some[-1][0], " SEMI JOIN was_read USING (system_id)")
        if records.system.height:
            from auditor.trips.fitting import fitted  # It is slow to load, and few stores hold readings.

            prepared = prepare(records, frames, policy, as_of)
            parts.append(fitted(prepared, frames, policy, readings_in_turn(con, some, READINGS_AT_ONCE)))
    return pl.concat(parts).sort("system_id")


def in_snapshot(evidence: Evidence) -> dict[str, pl.DataFrame]:
    """The tables that a snapshot holds of evidence."""
    return {OBSERVED: evidence.months, FITTED: evidence.supplies}


def snapshot_evidence(
    con: Connection, schema: str = "main", among: str = "", params: Sequence[object] = ()
) -> Evidence:
    """The evidence that a snapshot holds, which is attached as `schema`; `among`, with its `params`, narrows it.

    Readings are not in it: a supply that was fitted to them stays as it was fitted. A snapshot of an earlier version
    may lack one of the tables, and then holds nothing of that kind.
    """
    from auditor.evidence.observed import MONTH_SCHEMA
    from auditor.trips.evidence import FIT_SCHEMA, Evidence

    frames = [
        pl.DataFrame(con.sql(f"FROM {schema}.{name}{among} ORDER BY {order}", params=list(params)).to_arrow_table())
        if holds(con, name, schema)
        else pl.DataFrame(schema=columns)
        for name, order, columns in ((OBSERVED, "system_id, month", MONTH_SCHEMA), (FITTED, "system_id", FIT_SCHEMA))
    ]
    return Evidence(frames[0], frames[1])


def holds(con: Connection, table: str, schema: str = "main") -> bool:
    """Whether a snapshot, attached as `schema`, has a table."""
    return bool(columns_of(con, schema, table))

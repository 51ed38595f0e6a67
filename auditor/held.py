"""What a store, or a snapshot of one, holds of systems: their records, and what was measured and reported of them."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import polars as pl

from auditor.policy import Policy
from auditor.prepare import Frames, Records, prepare
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


def _read(con: Connection, table: Table, first: str, last: str, among: str) -> pl.DataFrame:
    columns = ", ".join(quoted(column.name) for column in table.columns)
    keys = ", ".join(quoted(key) for key in table.key)
    query = (
        f"SELECT {columns} FROM {quoted(table.name)} ANTI JOIN left_out USING (system_id)"
        f"{among} WHERE system_id BETWEEN ? AND ? ORDER BY {keys}"
    )
    frame = pl.from_arrow(con.sql(query, params=[first, last]).to_arrow_table())
    assert isinstance(frame, pl.DataFrame)
    return frame


def read_records(con: Connection, first: str, last: str, among: str = "") -> Records:
    """Read the systems between two ids, both included; `among` joins to what narrows them further."""
    return Records(*(_read(con, table, first, last, among) for table in TABLES))


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


def snapshot_evidence(con: Connection, schema: str = "main", among: str = "") -> Evidence:
    """The evidence that a snapshot holds, which is attached as `schema`; `among` joins to what narrows it.

    Readings are not in it: a supply that was fitted to them stays as it was fitted. A snapshot of an earlier version
    may lack one of the tables, and then holds nothing of that kind.
    """
    from auditor.evidence.observed import MONTH_SCHEMA
    from auditor.trips.evidence import FIT_SCHEMA, Evidence

    frames = [
        pl.DataFrame(con.sql(f"FROM {schema}.{name}{among} ORDER BY {order}").to_arrow_table())
        if holds(con, name, schema)
        else pl.DataFrame(schema=columns)
        for name, order, columns in ((OBSERVED, "system_id, month", MONTH_SCHEMA), (FITTED, "system_id", FIT_SCHEMA))
    ]
    return Evidence(frames[0], frames[1])


def holds(con: Connection, table: str, schema: str = "main") -> bool:
    """Whether a snapshot, attached as `schema`, has a table."""
    database = "current_database()" if schema == "main" else f"'{schema}'"
    query = f"SELECT 1 FROM duckdb_tables() WHERE database_name = {database} AND table_name = ?"
    return bool(con.execute(query, [table]).fetchall())

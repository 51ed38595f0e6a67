"""The complaints of a store, decided on when an audit is published: page, command and sheet then say the same.

What the decisions rest on is read system by system, so that memory is bounded by one system's readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path

import polars as pl

from auditor.policy import Policy
from auditor.prepare.specs import Frames
from auditor.store.decisions import OPEN, SETTLED, ComplaintState, Decision, complaint_states
from auditor.store.evidence import complaints_of, events_of, readings_of
from auditor.store.records_db import Connection


def complaint_tables(
    con: Connection,
    results: dict[str, Path],
    catalog: Frames,
    policy: Policy,
    standing: Iterable[Decision],
    merged: pl.DataFrame,
) -> dict[str, pl.DataFrame]:
    """The tables `complaint`, `triage`, `reading_summary` and `reading_hour` of a snapshot.

    `results` are the files of the audit's own tables; `standing` the decisions in force. A complaint about a system
    that is audited under another id (`merged`: dropped_id, kept_id) is one about that.
    """
    from auditor.triage.tables import Known, decided  # It is slow to load, and few stores hold complaints.

    kept = dict(merged.select("dropped_id", "kept_id").iter_rows())
    complaints = complaints_of(con).with_columns(pl.col("system_id").replace(kept))
    states = complaint_states(standing)
    open_ = unsettled(complaints, states)
    ids = open_["system_id"].unique()
    known = Known(
        *(_records(con, table, ids) for table in ("system", "unit")),
        *(_results(results[table], ids) for table in ("system_result", "circuit_result")),
    )
    repaired = {name: date.fromisoformat(state.day) for name, state in states.items() if state.day}
    since = last_repairs(complaints, repaired)
    found = decided(
        open_, known, catalog, policy, lambda one: (readings_of(con, one), events_of(con, one)), repaired,
        since,
    )  # fmt: skip
    return {
        "complaint": complaints,
        "triage": found.triage,
        "reading_summary": found.summary,
        "reading_hour": found.hours,
    }


def unsettled(complaints: pl.DataFrame, states: Mapping[str, ComplaintState]) -> pl.DataFrame:
    """The complaints to decide on: what was noted counts where it settles one or opens it again, else their file."""
    noted = {
        status: pl.col("complaint_id").is_in([name for name, state in states.items() if state.status == status])
        for status in (OPEN, SETTLED)
    }
    return complaints.filter(noted[OPEN] | ((pl.col("status") != SETTLED) & ~noted[SETTLED]))


def last_repairs(complaints: pl.DataFrame, repaired: Mapping[str, date]) -> dict[str, date]:
    """The day of the system's last repair before each complaint, up to the day on which it was made, by complaint.

    `complaints` has complaint_id, system_id and opened, `repaired` the days of repairs by the complaint that they were
    noted for.
    """
    days = pl.DataFrame(
        {"complaint_id": list(repaired), "day": list(repaired.values())},
        schema={"complaint_id": pl.String, "day": pl.Date},
    )
    done = complaints.join(days, on="complaint_id").select("system_id", pl.col("complaint_id").alias("of"), "day")
    before = complaints.join(done, on="system_id").filter(
        pl.col("of") != pl.col("complaint_id"), pl.col("day") <= pl.col("opened")
    )
    return dict(before.group_by("complaint_id").agg(pl.col("day").max()).iter_rows())


def _records(con: Connection, table: str, ids: pl.Series) -> pl.DataFrame:
    con.register("incoming", pl.DataFrame({"system_id": ids}).to_arrow())
    query = f"SELECT * EXCLUDE (row_hash) FROM {table} SEMI JOIN incoming USING (system_id)"
    found = pl.DataFrame(con.sql(query).to_arrow_table())
    con.unregister("incoming")
    return found


def _results(path: Path, ids: pl.Series) -> pl.DataFrame:
    return pl.scan_parquet(path).filter(pl.col("system_id").is_in(ids.to_list())).collect()

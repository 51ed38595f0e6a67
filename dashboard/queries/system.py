"""The system page's questions to a snapshot: its findings, what was refused or disagreed, and its neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from auditor.store.records_db import Connection
from dashboard.filters import View
from dashboard.queries.table import _order
from dashboard.queries.where import where

#: Ids offered in place of one that is not there.
NEAR = 8


def _frame(con: Connection, query: str, params: Sequence[object]) -> pl.DataFrame:
    frame = pl.from_arrow(con.sql(query, params=list(params)).to_arrow_table())
    assert isinstance(frame, pl.DataFrame)
    return frame


def findings(con: Connection, system_id: str) -> pl.DataFrame:
    """The system's findings, worst first: verdict, then severity, then the checks' order, then the circuit."""
    return _frame(
        con,
        """SELECT f."check", c.title, c.level, c.severity, c.documentation, f.circuit_id, f.verdict::VARCHAR AS verdict,
             f.value, f."limit", f.unit, f.margin_pct, f.confidence, f.missing, f.assumed, f.sentence, f.source_file,
             f.source_row
           FROM finding f JOIN "check" c USING ("check") WHERE f.system_id = ?
           ORDER BY f.verdict, CASE c.severity WHEN 'safety' THEN 0 WHEN 'performance' THEN 1 ELSE 2 END, c.number,
             f.circuit_id""",
        [system_id],
    )


def run_label(con: Connection) -> tuple[int, str]:
    """The snapshot's run and its as-of date."""
    run, as_of = con.execute("SELECT run, as_of FROM audit").fetchall()[0]
    return int(run), str(as_of)


def results(con: Connection, system_id: str) -> dict[str, Any] | None:
    """The system's row of results, None where the run holds no likelihood of trips."""
    frame = _frame(con, "SELECT * FROM system_result WHERE system_id = ?", [system_id])
    return frame.row(0, named=True) if frame.height and "trip_missing" in frame.columns else None


def conflicts(con: Connection, system_id: str) -> pl.DataFrame:
    """Facts on which the system's rows disagreed: the values with the rows that state them, side by side."""
    return _frame(
        con,
        """SELECT i.file_name, c.* FROM conflict c
           LEFT JOIN import i USING (import_id) WHERE c.system_id = ? ORDER BY c.import_id, c."column" """,
        [system_id],
    )


def refused_beside(con: Connection, system_id: str) -> pl.DataFrame:
    """Refused cells in rows that name this system, or stand among or next to its rows in the same file."""
    return _frame(
        con,
        """WITH mine AS (SELECT import_id, min(source_row) AS first, max(source_row) AS last FROM circuit
                         WHERE system_id = ? AND source_row IS NOT NULL GROUP BY import_id)
           SELECT i.file_name, r.row_number, r."column", r.raw, r.sentence FROM reject r
           LEFT JOIN mine m USING (import_id) LEFT JOIN import i USING (import_id)
           WHERE r.row_number BETWEEN m.first - 1 AND m.last + 1 OR (r.canonical = 'system_id' AND trim(r.raw) = ?)
           ORDER BY r.import_id, r.row_number, r."column" LIMIT 50""",
        [system_id, system_id],
    )


def near_ids(con: Connection, wanted: str) -> list[str]:
    """Ids that a mistyped one may have meant, the likeliest first."""
    rows = con.execute(
        """SELECT system_id FROM system ORDER BY contains(lower(system_id), lower(?)) DESC,
             jaro_winkler_similarity(lower(system_id), lower(?)) DESC, system_id LIMIT ?""",
        [wanted, wanted, NEAR],
    ).fetchall()
    return [row[0] for row in rows]


def neighbours(con: Connection, view: View, system_id: str) -> tuple[str | None, str | None]:
    """The systems before and after this one in the list that a view shows; None at its ends and off the list."""
    condition, bound = where(view.filters)
    order = _order(view.sort)
    rows = con.execute(
        f"SELECT before, after FROM (SELECT system_id, lag(system_id) OVER ({order}) AS before,"
        f" lead(system_id) OVER ({order}) AS after FROM shown {condition}) WHERE system_id = ?",
        [*bound, system_id],
    ).fetchall()
    return rows[0] if rows else (None, None)

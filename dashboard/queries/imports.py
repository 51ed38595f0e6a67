"""What came in, what was rejected, what is suspicious: read from a snapshot, which may be older than some tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from auditor.records.totals import TOTALS_ROW
from auditor.store.records_db import Connection

#: Rows of a list that one page shows, and lines of a summary.
PAGE_ROWS = 50
MOST_KINDS = 12
MOST_IMPORTS = 200
WHOLE_ROW = "whole row"

#: The sides of a reject: whether it still waits to be mended.
STATES = ("open", "closed", "all")


@dataclass(frozen=True)
class Asked:
    """Which rejects are asked for; None where any will do. `column` is the user's own header."""

    reason: str | None = None
    column: str | None = None
    imported: int | None = None
    state: str = "open"
    page: int = 1


def _frame(con: Connection, query: str, bound: Sequence[Any] = ()) -> pl.DataFrame:
    return pl.DataFrame(con.sql(query, params=list(bound)).to_arrow_table())


def columns(con: Connection, table: str) -> frozenset[str]:
    """The columns of a table; none where the snapshot lacks it."""
    found = con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table]).fetchall()
    return frozenset(row[0] for row in found)


def _closed(con: Connection) -> str:
    """SQL for whether a reject is closed; an older snapshot closes none."""
    return "r.closed_by IS NOT NULL" if "closed_by" in columns(con, "reject") else "false"


def _open(con: Connection) -> str:
    """SQL for whether a reject waits to be mended: a row of totals does not."""
    return f"NOT ({_closed(con)}) AND r.code <> '{TOTALS_ROW}'"


def imports(con: Connection) -> pl.DataFrame:
    """The imports, the newest first, each with its counts and its rejects that are still open."""
    return _frame(
        con,
        f"""WITH waiting AS (
              SELECT import_id, count(*) AS open FROM reject r WHERE {_open(con)} GROUP BY import_id)
            SELECT i.import_id, i.imported_on, i.file_name, i.mapping_name, i.rows_in, i.accepted, i.rejected,
              i.duplicate, coalesce(w.open, 0) AS open
            FROM import i LEFT JOIN waiting w USING (import_id) ORDER BY i.import_id DESC LIMIT {MOST_IMPORTS}""",
    )


def states(con: Connection) -> dict[str, int]:
    """How many rejects are open, closed, and there at all: rows of totals are neither, and "totals" counts them."""
    query = f"SELECT count(*) FILTER ({_open(con)}), count(*) FILTER ({_closed(con)}), count(*) FROM reject r"
    opened, closed, every = map(int, con.execute(query).fetchall()[0])
    return {"open": opened, "closed": closed, "all": every, "totals": every - opened - closed}


def _where(con: Connection, asked: Asked, besides: str = "") -> tuple[str, list[Any]]:
    parts, bound = [], []
    if asked.state != "all":
        parts.append(f"({_closed(con) if asked.state == 'closed' else _open(con)})")
    for name, sql, value in (
        ("reason", "r.code = ?", asked.reason),
        ("column", f"coalesce(r.\"column\", '{WHOLE_ROW}') = ?", asked.column),
        ("imported", "r.import_id = ?", asked.imported),
    ):
        if value is not None and name != besides:
            parts.append(sql)
            bound.append(value)
    return ("WHERE " + " AND ".join(parts) if parts else ""), bound


def kinds(con: Connection, asked: Asked, by: str) -> tuple[pl.DataFrame, int]:
    """Rejects counted by "reason" or "column": value, rejects, files; the most frequent, and how many there are."""
    value = {"reason": "r.code", "column": f"coalesce(r.\"column\", '{WHOLE_ROW}')"}[by]
    condition, bound = _where(con, asked, besides=by)
    frame = _frame(
        con,
        f"""SELECT {value} AS value, count(*) AS rejects, count(DISTINCT r.import_id) AS files FROM reject r {condition}
            GROUP BY ALL ORDER BY rejects DESC, value""",
        bound,
    )
    return frame.head(MOST_KINDS), frame.height


def rejects(con: Connection, asked: Asked) -> tuple[pl.DataFrame, int]:
    """One page of the rejects asked for, in the order of imports and rows, and how many there are in all."""
    condition, bound = _where(con, asked)
    count = int(con.execute(f"SELECT count(*) FROM reject r {condition}", bound).fetchall()[0][0])
    closed_by = "r.closed_by" if "closed_by" in columns(con, "reject") else "NULL::INTEGER AS closed_by"
    frame = _frame(
        con,
        f"""SELECT i.file_name, r.sheet, r.row_number, r."column", r.raw, r.code, r.sentence, r.import_id, {closed_by}
            FROM reject r LEFT JOIN import i USING (import_id) {condition}
            ORDER BY r.import_id DESC, r.sheet NULLS FIRST, r.row_number, r."column" NULLS FIRST, r.code, r.sentence
            LIMIT {PAGE_ROWS} OFFSET ?""",
        [*bound, (asked.page - 1) * PAGE_ROWS],
    )
    return frame, count


def suspicious(con: Connection) -> pl.DataFrame:
    """Values that parse and can hardly be meant, by kind: code, warnings, systems; the most frequent first."""
    if not columns(con, "warning"):
        return pl.DataFrame(schema={"code": pl.String, "warnings": pl.Int64, "systems": pl.Int64})
    return _frame(
        con,
        "SELECT code, count(*) AS warnings, count(DISTINCT system_id) AS systems FROM warning GROUP BY code"
        " ORDER BY warnings DESC, code",
    )


def suspicious_values(con: Connection, code: str | None, page: int) -> tuple[pl.DataFrame, int]:
    """One page of the suspicious values of a kind, or of all, and how many there are."""
    if not columns(con, "warning"):
        return pl.DataFrame(), 0
    condition, bound = ("WHERE code = ?", [code]) if code is not None else ("", [])
    count = int(con.execute(f"SELECT count(*) FROM warning {condition}", bound).fetchall()[0][0])
    frame = _frame(
        con,
        f"""SELECT system_id, circuit_id, code, "column", value, sentence FROM warning {condition}
            ORDER BY system_id, circuit_id NULLS FIRST, code, "column" LIMIT {PAGE_ROWS} OFFSET ?""",
        [*bound, (page - 1) * PAGE_ROWS],
    )
    return frame, count


def left_out(con: Connection) -> tuple[pl.DataFrame, int]:
    """The first cells that could not be read and were left out as missing, as their mapping says; and how many."""
    if not columns(con, "import_warning"):
        return pl.DataFrame(), 0
    count = int(con.execute("SELECT count(*) FROM import_warning").fetchall()[0][0])
    frame = _frame(
        con,
        f"""SELECT i.file_name, w."row" AS row_number, w."column", w.raw, w.sentence FROM import_warning w
            LEFT JOIN import i USING (import_id) ORDER BY w.import_id DESC, w."row", w."column" LIMIT {PAGE_ROWS}""",
    )
    return frame, count


def conflicts(con: Connection) -> tuple[pl.DataFrame, int]:
    """The first facts on which rows disagree, with the values side by side; and how many there are."""
    places = ", ".join(f"c.{name}" for name in ("sheets", "files") if name in columns(con, "conflict"))
    circuit = "c.circuit_id" if "circuit_id" in columns(con, "conflict") else "NULL::VARCHAR AS circuit_id"
    count = int(con.execute("SELECT count(*) FROM conflict").fetchall()[0][0])
    frame = _frame(
        con,
        f"""SELECT i.file_name, c.system_id, {circuit}, c."column", c."values", c."rows"{places and ", " + places}
            FROM conflict c
            LEFT JOIN import i USING (import_id) ORDER BY c.import_id DESC, c.system_id, c."column"
            LIMIT {PAGE_ROWS}""",
    )
    return frame, count


def duplicates(con: Connection) -> tuple[pl.DataFrame, int]:
    """The likeliest pairs of ids that may be one project, with the evidence; and how many there are."""
    if not columns(con, "possible_duplicate"):
        return pl.DataFrame(), 0
    count = int(con.execute("SELECT count(*) FROM possible_duplicate").fetchall()[0][0])
    frame = _frame(
        con,
        f"""SELECT d.system_id, a.site_label, d.other_id, b.site_label AS other_label, d.evidence, d.score
            FROM possible_duplicate d LEFT JOIN system a ON a.system_id = d.system_id
            LEFT JOIN system b ON b.system_id = d.other_id
            ORDER BY d.score DESC, d.system_id, d.other_id LIMIT {PAGE_ROWS}""",
    )
    return frame, count


def are_alike(con: Connection, one: str, other: str) -> bool:
    """Whether two ids are one of the pairs that may be one project."""
    query = "SELECT 1 FROM possible_duplicate WHERE (system_id, other_id) IN ((?, ?), (?, ?)) LIMIT 1"
    return bool(con.execute(query, [one, other, other, one]).fetchall())

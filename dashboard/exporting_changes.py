"""Downloads of the page of changes: the rows that its filters keep, and the notification list."""

from __future__ import annotations

from flask import Flask, Response, request

from auditor.compare.comparison import held
from auditor.errors import AuditorError
from dashboard.changes_address import asked_of
from dashboard.context import Context
from dashboard.exporting import MOST_ROWS, TYPES, say, sent, write_query
from dashboard.queries import changes as queries

QUERIES = {"changes": queries.export_rows, "notices": queries.export_notices}


def register(server: Flask, context: Context) -> None:
    """Add the downloads' routes; the guard stands before them as before every other."""

    @server.get("/export/changes.<suffix>", defaults={"what": "changes"})
    @server.get("/export/notices.<suffix>", defaults={"what": "notices"})
    def _changes(what: str, suffix: str) -> Response:
        try:
            return download(context, what, suffix, request.query_string.decode("utf-8", "replace"))
        except AuditorError as error:
            return say(409, str(error))


def download(context: Context, what: str, suffix: str, query: str) -> Response:
    """The file of a query string; a sentence and a status where it cannot be had."""
    asked, ignored = asked_of(query)
    if suffix not in TYPES:
        return say(404, f"There are {what}.csv and {what}.xlsx.")
    if ignored:
        return say(400, "Nothing was written, since part of the address is not understood. " + " ".join(ignored))
    con = held(context.store, *asked.pair) if asked.pair else None
    if con is None:
        return say(404, "Name two runs that were compared: before=3&after=4.")
    sql, bound = QUERIES[what](asked)
    with con:
        count = int(con.execute(f"SELECT count(*) FROM ({sql})", bound).fetchall()[0][0])
        if count > MOST_ROWS[suffix]:
            return say(
                413,
                f"{count:,} rows are more than the {MOST_ROWS[suffix]:,} that a .{suffix} download holds. Filter first,"
                f" take the CSV, or use the command: auditor compare {asked.before} {asked.after} -o changes.csv",
            )
        path = write_query(con, sql, bound, suffix)
    return sent(path, suffix, f"{what}-runs-{asked.before:04d}-{asked.after:04d}.{suffix}")

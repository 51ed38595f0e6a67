"""Sheets as downloads: the same files that `auditor report` writes."""

from __future__ import annotations

from flask import Flask, Response, request

from auditor.errors import AuditorError
from auditor.store.decisions import all_decisions
from dashboard.context import Context

TYPES = {".html": "text/html; charset=utf-8", ".pdf": "application/pdf"}


def register(server: Flask, context: Context) -> None:
    """Add the route; the guard stands before it as before every other."""

    @server.get("/sheet/<audience>.<kind>")
    def _sheet(audience: str, kind: str) -> Response:
        from auditor.sheets.made import AUDIENCES, SUFFIXES, written  # slow to load, and seldom asked for

        suffix, system_id = f".{kind}", request.args.get("system", "")
        if audience not in AUDIENCES or suffix not in SUFFIXES:
            return Response("There are utility and crew, as pdf and html.\n", 404, mimetype="text/plain")
        try:
            with context.snapshots.cursor() as con:
                content = written(con, all_decisions(context.store), system_id, audience, suffix)
        except AuditorError as error:
            return Response(f"{error}\n", 404, mimetype="text/plain")
        answer = Response(content, mimetype=TYPES[suffix])
        # An attachment is never shown with this server's rights.
        answer.headers["Content-Disposition"] = f'attachment; filename="sheet-for-{audience}{suffix}"'
        return answer

"""Downloads of exactly what the table shows: the same filters and sort, all rows, as CSV or XLSX."""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from flask import Flask, Response, request

from auditor.errors import AuditorError
from auditor.reports.export import WRITERS, export, export_frame
from auditor.reports.mending import write_mending
from auditor.reports.quality import field_sample
from auditor.store.records_db import Connection
from dashboard.context import Context
from dashboard.filters import parse
from dashboard.queries import table

log = logging.getLogger("dashboard")

#: Most rows of a download; beyond, the command line writes them.
MOST_ROWS = {"csv": 2_000_000, "xlsx": 100_000}
TYPES = {"csv": "text/csv; charset=utf-8", "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}
#: The lists of the import page that can be had whole.
LISTS = ("facts", "rejects", "warnings", "conflicts", "duplicates")
CHUNK_BYTES = 256 * 1024
#: Digits of visits and seed together at most.
MOST_DIGITS = 18


def register(server: Flask, context: Context) -> None:
    """Add the download's route; the guard stands before it as before every other."""

    @server.get("/export/systems.<suffix>")
    def _systems(suffix: str) -> Response:
        try:
            return download(context, suffix, request.query_string.decode("utf-8", "replace"))
        except AuditorError as error:
            return say(409, str(error))

    @server.get("/export/visits.<suffix>")
    def _visits(suffix: str) -> Response:
        try:
            return visits(context, suffix, request.args)
        except AuditorError as error:
            return say(409, str(error))

    @server.get("/export/<what>.<suffix>")
    def _list(what: str, suffix: str) -> Response:
        try:
            return whole(context, what, suffix)
        except AuditorError as error:
            return say(409, str(error))


def whole(context: Context, what: str, suffix: str) -> Response:
    """One of the lists of the import page, all of it, as the command line writes it: rejects as a workbook to mend."""
    if what not in LISTS or suffix not in TYPES:
        return say(404, f"There are {', '.join(LISTS)}, each as csv and xlsx.")
    with context.snapshots.cursor() as con:
        run = con.execute("SELECT run FROM audit").fetchall()[0][0]
        with tempfile.NamedTemporaryFile(prefix="auditor-download-", suffix=f".{suffix}", delete=False) as file:
            path = Path(file.name)
        try:
            if what == "rejects" and suffix == "xlsx":
                write_mending(con, context.store, path)
            else:
                export(con, what, path)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
    return sent(path, suffix, f"{what}-run-{int(run):04d}.{suffix}")


def visits(context: Context, suffix: str, given: Mapping[str, str]) -> Response:
    """The field sample of so many visits and a seed, as `auditor quality sample` writes it."""
    count, seed = given.get("visits", ""), given.get("seed", "")
    if suffix not in TYPES or not (count.isdecimal() and seed.isdecimal()) or len(count + seed) > MOST_DIGITS:
        return say(400, "Say how many visits and which seed in whole numbers; there are visits.csv and visits.xlsx.")
    with context.snapshots.cursor() as con:
        run = con.execute("SELECT run FROM audit").fetchall()[0][0]
        sample = field_sample(con, int(count), int(seed))
    with tempfile.NamedTemporaryFile(prefix="auditor-download-", suffix=f".{suffix}", delete=False) as file:
        path = Path(file.name)
    try:
        export_frame(sample, path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return sent(path, suffix, f"visits-run-{int(run):04d}-seed-{int(seed)}.{suffix}")


def sent(path: Path, suffix: str, name: str) -> Response:
    """A file as a download, which ends with it."""
    response = Response(_read(path), mimetype=None)
    response.headers["Content-Type"] = TYPES[suffix]
    response.headers["Content-Length"] = str(path.stat().st_size)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def download(context: Context, suffix: str, query: str) -> Response:
    """The file of a query string; a sentence and a status where it cannot be had."""
    if suffix not in TYPES:
        return say(404, "There are systems.csv and systems.xlsx.")
    view, ignored = parse(query)
    if ignored:
        return say(400, "Nothing was written, since part of the address is not understood. " + " ".join(ignored))
    with context.snapshots.cursor() as con:
        count = table.count(con, view.filters)
        if count > MOST_ROWS[suffix]:
            return say(
                413,
                f"{count:,} systems are more than the {MOST_ROWS[suffix]:,} that a .{suffix} download holds. Filter"
                " first, take the CSV, or use the command: auditor export systems -o systems.csv",
            )
        run = con.execute("SELECT run FROM audit").fetchall()[0][0]
        path = write_query(con, *table.export_query(view), suffix)
    return sent(path, suffix, f"systems-run-{int(run):04d}.{suffix}")


def write_query(con: Connection, query: str, bound: Sequence[Any], suffix: str) -> Path:
    """Write a query's rows to a temporary file with the writers of the command line, which guard every text."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE downloaded AS {query}", bound)
    with tempfile.NamedTemporaryFile(prefix="auditor-download-", suffix=f".{suffix}", delete=False) as file:
        path = Path(file.name)
    try:
        WRITERS[f".{suffix}"](con, "SELECT * FROM downloaded", path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    finally:
        con.execute("DROP TABLE IF EXISTS downloaded")
    return path


def _read(path: Path) -> Iterator[bytes]:
    """The file in pieces; it is gone once it was sent, or the other side went away."""
    try:
        with path.open("rb") as file:
            while piece := file.read(CHUNK_BYTES):
                yield piece
    finally:
        path.unlink(missing_ok=True)


def say(status: int, sentence: str) -> Response:
    """An answer that is one sentence."""
    return Response(sentence + "\n", status, mimetype="text/plain")

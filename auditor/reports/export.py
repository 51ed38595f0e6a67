"""Exports: a query over a snapshot, streamed to CSV, XLSX, JSON Lines or Parquet by the file's suffix."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from auditor.errors import AuditorError
from auditor.reports.sink import Sink
from auditor.reports.tables import Filters, query_of
from auditor.reports.worksheet import XLSX_CHARACTERS, Worksheet
from auditor.store.decisions import Decision, in_force
from auditor.store.records_db import Connection

__all__ = ["WRITERS", "XLSX_CHARACTERS", "XLSX_ROWS", "Exported", "export", "guarded"]

#: Rows below the header that a worksheet holds.
XLSX_ROWS = 1_048_575
BATCH_ROWS = 50_000

#: First characters that a spreadsheet takes for a formula or a separator (OWASP, CSV injection; OWASP ASVS 5.0,
#: 1.2.10 for the null character), with the wide forms that some language settings read alike (from memory).
TRIGGERS = "=+-@\t\r\n\0＝＋－＠"


#: Columns of the export of decisions; `subject` is JSON.
DECISIONS: dict[str, pl.DataType] = {
    "id": pl.Int64(),
    "at": pl.String(),
    "who": pl.String(),
    "kind": pl.String(),
    "subject": pl.String(),
    "text": pl.String(),
    "undoes": pl.Int64(),
    "in_force": pl.Boolean(),
}


@dataclass(frozen=True)
class Exported:
    """What was written: rows, and how many texts of a column were too long for a worksheet's cell."""

    rows: int
    cut: dict[str, int] = field(default_factory=dict)


def guarded(text: str) -> str:
    """A text as a spreadsheet may safely open it: an apostrophe before what it would take for a formula."""
    return "'" + text if text.startswith(tuple(TRIGGERS)) else text


def _guard(table: pa.Table) -> pa.Table:
    """Guard every text cell of a batch; numbers and dates stay as they are."""
    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    text = pl.col(pl.String)
    risky = text.str.head(1).is_in(list(TRIGGERS))
    return frame.with_columns(pl.when(risky).then(pl.lit("'") + text).otherwise(text).name.keep()).to_arrow(
        compat_level=pl.CompatLevel.oldest()
    )


def _batches(con: Connection, query: str) -> Iterator[pa.Table]:
    reader = con.sql(query).to_arrow_reader(BATCH_ROWS)
    empty = True
    for batch in reader:
        empty = False
        yield pa.Table.from_batches([batch])
    if empty:
        yield reader.schema.empty_table()


def _csv(con: Connection, query: str, path: Path) -> Exported:
    rows, writer = 0, None
    with Sink(path) as file:
        for table in _batches(con, query):
            safe = _guard(table)
            writer = writer or pa_csv.CSVWriter(file, safe.schema)
            writer.write_table(safe)
            rows += table.num_rows
        if writer:
            writer.close()
    return Exported(rows)


def _jsonl(con: Connection, query: str, path: Path) -> Exported:
    rows = 0
    with Sink(path) as file:
        for table in _batches(con, query):
            frame = pl.from_arrow(table)
            assert isinstance(frame, pl.DataFrame)
            file.write(frame.write_ndjson().encode())
            rows += table.num_rows
    return Exported(rows)


def _parquet(con: Connection, query: str, path: Path) -> Exported:
    rows, writer = 0, None
    with Sink(path) as file:
        for table in _batches(con, query):
            writer = writer or pq.ParquetWriter(file, table.schema, compression="zstd")
            writer.write_table(table)
            rows += table.num_rows
        if writer:
            writer.close()
    return Exported(rows)


def _xlsx(con: Connection, query: str, path: Path) -> Exported:
    count = int(con.execute(f"SELECT count(*) FROM ({query})").fetchall()[0][0])
    if count > XLSX_ROWS:
        raise AuditorError(
            f"{count:,} rows are more than the {XLSX_ROWS:,} a worksheet holds. Export to .csv, .jsonl or .parquet."
        )
    with Sink(path) as file, Worksheet(file, guarded) as sheet:
        for table in _batches(con, query):
            sheet.add(table)
    return Exported(sheet.rows, sheet.cut)


WRITERS: dict[str, Callable[[Connection, str, Path], Exported]] = {
    ".csv": _csv,
    ".xlsx": _xlsx,
    ".jsonl": _jsonl,
    ".parquet": _parquet,
}


def export(con: Connection, what: str, path: Path, filters: Filters | None = None) -> Exported:
    """Write a table of the snapshot, or what the filters leave of it, to a file, whole or not at all.

    Text cells of CSV and XLSX are guarded against being run as formulas; JSON Lines and Parquet, which machines read,
    hold the text as it was imported. Errors: AuditorError for an unknown table, suffix or filter, too many rows for a
    worksheet, or a file that cannot be written.
    """
    _writer(path)
    return export_query(con, query_of(con, what, filters), path)


def export_query(con: Connection, query: str, path: Path) -> Exported:
    """Write what a query gives to a file, as `export` does."""
    writer = _writer(path)
    with whole(path) as part:
        return writer(con, query, part)


def export_decisions(decisions: Sequence[Decision], path: Path) -> Exported:
    """Write all decisions to a file, those that were undone among them, as `export` does."""
    standing = {decision.id for decision in in_force(decisions)}
    rows = [
        (d.id, d.at, d.who, d.kind, json.dumps(dict(d.subject), ensure_ascii=False), d.text, d.undoes, d.id in standing)
        for d in decisions
    ]
    return export_frame(pl.DataFrame(rows, schema=DECISIONS, orient="row").sort("id"), path)


def export_frame(frame: pl.DataFrame, path: Path) -> Exported:
    """Write a table that no snapshot holds to a file, its rows in order, as `export` does."""
    writer = _writer(path)
    with duckdb.connect() as con, whole(path) as part:
        con.register("told", frame.with_row_index("_row").to_arrow())
        return writer(con, "SELECT * EXCLUDE (_row) FROM told ORDER BY _row", part)


def require_suffix(path: Path) -> None:
    """AuditorError where the suffix names no format, before work is done that would have nowhere to go."""
    _writer(path)


def export_rows(frame: pl.DataFrame, path: Path) -> Exported:
    """Write a frame to a file in its own order, as `export` does."""
    writer = _writer(path)
    numbered = frame.with_row_index("place_in_order")
    with duckdb.connect() as con, whole(path) as part:
        con.register("listed", numbered.to_arrow())
        return writer(con, "SELECT * EXCLUDE (place_in_order) FROM listed ORDER BY place_in_order", part)


def _writer(path: Path) -> Callable[[Connection, str, Path], Exported]:
    writer = WRITERS.get(path.suffix.lower())
    if writer is None:
        raise AuditorError(f"{path}: the suffix says the format; use one of {', '.join(WRITERS)}.")
    return writer


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Give a file to write to, which takes the place of `path` once it is finished; AuditorError where that fails."""
    part = path.with_name(f".{path.name}.part")
    try:
        yield part
        part.replace(path)
    except OSError as error:
        raise AuditorError(f"{path}: cannot be written: {error.strerror or error}.") from error
    finally:
        _remove(part)


def _remove(part: Path) -> None:
    """Remove what is left of an unfinished file; where the folder cannot be reached there is nothing to remove."""
    try:
        part.unlink(missing_ok=True)
    except OSError:
        return

"""Exports: a query over a snapshot, streamed to CSV, XLSX, JSON Lines or Parquet by the file's suffix."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import xlsxwriter

from auditor.errors import AuditorError
from auditor.reports.tables import query_of
from auditor.store.records_db import Connection

#: Rows below the header that a worksheet holds.
XLSX_ROWS = 1_048_575
BATCH_ROWS = 50_000

#: First characters that a spreadsheet takes for a formula or a separator (OWASP, CSV injection).
TRIGGERS = "=+-@\t\r\n"


def guarded(text: str) -> str:
    """A text as a spreadsheet may safely open it: an apostrophe before what it would take for a formula."""
    return "'" + text if text.startswith(tuple(TRIGGERS)) else text


def _guard(table: pa.Table) -> pa.Table:
    """Guard every text cell of a batch; numbers and dates stay as they are."""
    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    text = pl.col(pl.String)
    risky = text.str.contains("^[=+\\-@\\t\\r\\n]")
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


def _csv(con: Connection, query: str, path: Path) -> int:
    rows, writer = 0, None
    with path.open("wb") as file:
        for table in _batches(con, query):
            safe = _guard(table)
            writer = writer or pa_csv.CSVWriter(file, safe.schema)
            writer.write_table(safe)
            rows += table.num_rows
        if writer:
            writer.close()
    return rows


def _jsonl(con: Connection, query: str, path: Path) -> int:
    rows = 0
    with path.open("wb") as file:
        for table in _batches(con, query):
            frame = pl.from_arrow(table)
            assert isinstance(frame, pl.DataFrame)
            frame.write_ndjson(file)
            rows += table.num_rows
    return rows


def _parquet(con: Connection, query: str, path: Path) -> int:
    rows, writer = 0, None
    for table in _batches(con, query):
        writer = writer or pq.ParquetWriter(path, table.schema, compression="zstd")
        writer.write_table(table)
        rows += table.num_rows
    if writer:
        writer.close()
    return rows


def _xlsx(con: Connection, query: str, path: Path) -> int:
    count = int(con.execute(f"SELECT count(*) FROM ({query})").fetchall()[0][0])
    if count > XLSX_ROWS:
        raise AuditorError(
            f"{count:,} rows are more than the {XLSX_ROWS:,} a worksheet holds. Export to .csv, .jsonl or .parquet."
        )
    book = xlsxwriter.Workbook(path, {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    sheet = book.add_worksheet("export")
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    row = 0
    for table in _batches(con, query):
        if row == 0:
            sheet.freeze_panes(1, 0)
            for column, name in enumerate(table.column_names):
                sheet.write_string(0, column, guarded(name))
        for values in zip(*(table.column(name).to_pylist() for name in table.column_names), strict=True):
            row += 1
            for column, value in enumerate(values):
                _cell(sheet, row, column, value, day)
    book.close()
    return row


def _cell(sheet: xlsxwriter.worksheet.Worksheet, row: int, column: int, value: object, day: object) -> None:
    if value is None:
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, (int, float)):
        sheet.write_number(row, column, value)
    elif isinstance(value, str):
        sheet.write_string(row, column, guarded(value)[:32_767])
    elif hasattr(value, "isoformat"):
        sheet.write_datetime(row, column, value, day)
    else:
        sheet.write_string(row, column, guarded(str(value))[:32_767])


WRITERS: dict[str, Callable[[Connection, str, Path], int]] = {
    ".csv": _csv,
    ".xlsx": _xlsx,
    ".jsonl": _jsonl,
    ".parquet": _parquet,
}


def export(con: Connection, what: str, path: Path) -> int:
    """Write a table of the snapshot to a file, whole or not at all; return its rows.

    Text cells of CSV and XLSX are guarded against being run as formulas. Errors: AuditorError for an unknown table or
    suffix, too many rows for a worksheet, or a file that cannot be written.
    """
    writer = WRITERS.get(path.suffix.lower())
    if writer is None:
        raise AuditorError(f"{path}: the suffix says the format; use one of {', '.join(WRITERS)}.")
    part = path.with_name(f".{path.name}.part")
    try:
        rows = writer(con, query_of(con, what), part)
        part.replace(path)
    except OSError as error:
        raise AuditorError(f"{path}: cannot be written: {error.strerror or error}.") from error
    finally:
        part.unlink(missing_ok=True)
    return rows

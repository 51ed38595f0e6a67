"""The first rows of a file that nobody has described yet: its encoding, its delimiter, its header."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Sequence
from itertools import islice
from pathlib import Path

from auditor.errors import AuditorError
from auditor.records.fault import clean
from auditor.records.proposing.headers import find_header
from auditor.records.proposing.proposal import Table
from auditor.records.sheet_count import survey_sheet
from auditor.records.sheet_rows import sheet_rows
from auditor.records.workbook import open_workbook

CSV_SUFFIXES = (".csv", ".tsv", ".txt")
WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")
SAMPLED_ROWS = 1_000
_BLOCK_BYTES = 1 << 20
_DELIMITERS = (",", ";", "\t", "|")
_SNIFFED_ROWS = 60
_LONGEST_CELL = 1 << 17


def read_tables(path: Path) -> list[Table]:
    """Return the first rows of a CSV file, or of every sheet of a workbook that holds anything.

    AuditorError where the file is of another kind or holds nothing.
    """
    suffix = path.suffix.lower()
    if not path.is_file():
        raise AuditorError(f"{path}: there is no such file")
    if suffix in CSV_SUFFIXES:
        return [_csv_table(path)]
    if suffix in WORKBOOK_SUFFIXES:
        return _sheet_tables(path)
    raise AuditorError(f"{path}: a mapping is proposed for .csv and .xlsx files; save the table as one of them")


def choose_table(path: Path, tables: Sequence[Table], sheet: str | None) -> Table:
    """Return the table of the named sheet, or the only one; AuditorError lists the sheets where one must be named."""
    if sheet is not None:
        for table in tables:
            if table.sheet is not None and clean(table.sheet) == clean(sheet):
                return table
        if len(tables) != 1 or tables[0].sheet is not None:
            have = ", ".join(repr(table.sheet) for table in tables)
            raise AuditorError(f"{path}: no sheet {sheet!r} holds anything; there is: {have}")
    if len(tables) > 1:
        have = ", ".join(repr(table.sheet) for table in tables)
        raise AuditorError(f"{path}: {len(tables)} sheets hold something: {have}. Name the one to map: --sheet NAME")
    return tables[0]


def _csv_table(path: Path) -> Table:
    encoding = _encoding(path)
    delimiter = _delimiter(path, encoding)
    rows = _csv_rows(path, encoding, delimiter, SAMPLED_ROWS)
    if not any(any(cell.strip() for cell in row) for row in rows):
        raise AuditorError(f"{path}: holds nothing")
    usual = "\t" if path.suffix.lower() == ".tsv" else ","
    at = find_header(rows)
    return _table(
        rows,
        at,
        at + 1,
        delimiter=None if delimiter == usual else delimiter,
        encoding=None if encoding == "utf-8-sig" else encoding,
    )


def _table(
    rows: Sequence[Sequence[str]],
    at: int,
    header_row: int,
    delimiter: str | None = None,
    encoding: str | None = None,
    sheet: str | None = None,
) -> Table:
    headers = tuple(rows[at])
    body = tuple((*row[: len(headers)], *[""] * (len(headers) - len(row))) for row in rows[at + 1 :] if any(row))
    titles = tuple(clean(cell) for row in rows[:at] for cell in row if clean(cell))
    return Table(headers, body, header_row, titles, delimiter, encoding, sheet)


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        if file.read(2) in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            return "utf-16"
        file.seek(0)
        decoder = codecs.getincrementaldecoder("utf-8-sig")("strict")
        try:
            while block := file.read(_BLOCK_BYTES):
                decoder.decode(block)
            decoder.decode(b"", True)
        except UnicodeDecodeError:
            return "cp1252"
    return "utf-8-sig"


def _csv_rows(path: Path, encoding: str, delimiter: str, most: int) -> list[list[str]]:
    limit = csv.field_size_limit(_LONGEST_CELL)
    rows: list[list[str]] = []
    try:
        with path.open(encoding=encoding, errors="replace", newline="") as file:
            rows.extend(islice(csv.reader((line.replace("\0", "") for line in file), delimiter=delimiter), most))
    except (csv.Error, UnicodeError):
        pass  # What was read so far is enough to propose; reading the file itself tells what is wrong with it.
    finally:
        csv.field_size_limit(limit)
    return rows


def _delimiter(path: Path, encoding: str) -> str:
    """Return the delimiter that cuts most rows into the most cells."""

    def strength(delimiter: str) -> float:
        widths = [len(row) for row in _csv_rows(path, encoding, delimiter, _SNIFFED_ROWS) if any(row)]
        usual = max(set(widths), key=widths.count, default=1)
        return (usual - 1) * widths.count(usual) / max(1, len(widths))

    return max(_DELIMITERS, key=strength)


def _sheet_tables(path: Path) -> list[Table]:
    with open_workbook(path) as book:
        full = [sheet for sheet in book.sheets if survey_sheet(book, sheet).rows]
        tables = []
        for sheet in full:
            rows = list(islice(sheet_rows(book, sheet), SAMPLED_ROWS))
            widest = max((max(row.cells, default=0) for row in rows), default=0)
            texts = [[" ".join(row.cells.get(at, "").split()) for at in range(1, widest + 1)] for row in rows]
            at = find_header(texts)
            while texts[at] and not clean(texts[at][-1]):
                texts[at].pop()
            name = sheet.name if len(full) > 1 else None
            tables.append(_table(texts, at, rows[at].number, sheet=name))
    if not tables:
        raise AuditorError(f"{path}: no sheet holds anything")
    return tables

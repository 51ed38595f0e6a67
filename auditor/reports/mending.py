"""The workbook of rows to mend: a user's own refused rows, the bad cells marked and the reasons beside them.

Saved again as XLSX and imported, its rows take the place of the refused ones.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import xlsxwriter
from xlsxwriter.format import Format

from auditor.errors import AuditorError
from auditor.records import Mapping
from auditor.records.mended import FRONT, SHIFTED, Mark, is_front
from auditor.records.own_rows import OwnRows, own_rows
from auditor.reports.export import XLSX_ROWS, whole
from auditor.reports.sink import Sink
from auditor.reports.worksheet import fitted, open_book
from auditor.store import Store
from auditor.store.mending import mapping_of
from auditor.store.originals import Import, original_path, read_manifest
from auditor.store.records_db import Connection
from auditor.store.rejects import OPEN

#: Comments on a sheet; a spreadsheet program gets slow with more. Further cells have their colour and reason.
MOST_COMMENTS = 10_000
FIRST_SHEET = "How to mend"
_LISTED = ("row in the file", "column", "cell", "reason")
_HOW = (
    "Each sheet holds your own rows that were refused, as they stand in your file. Column B says why; the cells at"
    " fault are coloured. Mend them there, in the way your file writes such values.",
    "Leave row 1 and the hidden column C as they are. A row that you remove stays refused. Where column B says that"
    " cells are missing or too many, move them to their columns and empty column B of that row.",
    "Save this workbook as .xlsx and import it: auditor import FILE.xlsx. Each sheet is read by the mapping of its own"
    " file. Rows of JSON files are listed only: mend those in the file and import it again.",
)
_ABOUT = ("sheet", "rows", "file", "sheet in the file", "mapping", "import")


@dataclass(frozen=True)
class Mended:
    """What was written: rows, sheets of rows, and how many texts of a column were too long for a cell."""

    rows: int
    sheets: int
    cut: dict[str, int]


@dataclass(frozen=True)
class _Part:
    """The open rejects of one sheet of one import; `own` is None where the file has no rows of cells."""

    name: str
    entry: Import
    sheet: str | None
    rejects: pl.DataFrame
    own: OwnRows | None

    @property
    def rows(self) -> int:
        return self.rejects.height if self.own is None else self.own.rows.height


def write_mending(con: Connection, store: Store, path: Path) -> Mended:
    """Write the open rejects of a snapshot as rows to mend, whole or not at all.

    Errors: AuditorError where an original is gone, a sheet would hold too many rows, or the file cannot be written.
    """
    parts = _parts(con, store)
    cut: Counter[str] = Counter()
    with whole(path) as part, Sink(part) as file, open_book(file) as book:
        _explain(book, parts)
        for one in parts:
            if one.own is None:
                _write_list(book, one, cut)
            else:
                _write_rows(book, one, one.own, cut)
    return Mended(sum(one.rows for one in parts), len(parts), dict(cut))


def _parts(con: Connection, store: Store) -> list[_Part]:
    entries = read_manifest(store)
    groups = con.execute(
        f"SELECT DISTINCT import_id, sheet FROM reject WHERE {OPEN} ORDER BY ALL NULLS FIRST"
    ).fetchall()
    parts: list[_Part] = []
    for import_id in dict.fromkeys(group[0] for group in groups):
        entry = entries[import_id - 1]
        mapping = mapping_of(store, entries, entry)
        sheets = [sheet for number, sheet in groups if number == import_id]
        if mapping.sheets is not None and mapping.sheets.circuits.sheet not in sheets:
            sheets.append(mapping.sheets.circuits.sheet)  # What belongs together is read with its circuits.
        for sheet in sheets:
            parts.append(_part(con, store, entry, mapping, sheet, [part.name for part in parts]))
    return parts


def _part(
    con: Connection, store: Store, entry: Import, mapping: Mapping, sheet: str | None, taken: Sequence[str]
) -> _Part:
    path = original_path(store, entry.sha256, entry.file_name)
    if not path.exists():
        raise AuditorError(
            f"{path}: the original of import {entry.import_id} ({entry.file_name}) is gone; put it back."
        )
    found = pl.from_arrow(
        con.sql(
            f'SELECT row_number, "column", raw, code, sentence FROM reject WHERE {OPEN} AND import_id = $id'
            ' AND sheet IS NOT DISTINCT FROM $sheet ORDER BY row_number, "column", code, sentence',
            params={"id": entry.import_id, "sheet": sheet},
        ).to_arrow_table()
    )
    assert isinstance(found, pl.DataFrame)
    records = entry.imported_as == "records"
    own = own_rows(path, mapping, sheet, found["row_number"].unique()) if records else None
    part = _Part(_sheet_name(entry, sheet, taken), entry, sheet, found, own)
    if part.rows > XLSX_ROWS:
        raise AuditorError(
            f"{entry.file_name}: {part.rows:,} refused rows are more than the {XLSX_ROWS:,} a worksheet holds. Mend the"
            " file itself and import it again; .csv, .jsonl and .parquet list the reasons."
        )
    return part


def _sheet_name(entry: Import, sheet: str | None, taken: Sequence[str]) -> str:
    """A name that a sheet may have: 31 characters, some of them not allowed, no two alike."""
    text = f"{entry.import_id} {sheet or Path(entry.file_name).stem}"
    plain = "".join("-" if c in "[]:*?/\\'" or not c.isprintable() else c for c in text).strip()
    name, number = plain[:31], 1
    while name.casefold() in {other.casefold() for other in taken}:
        number += 1
        name = f"{plain[:25]} ({number})"
    return name


def _explain(book: xlsxwriter.Workbook, parts: Sequence[_Part]) -> None:
    sheet = book.add_worksheet(FIRST_SHEET)
    wrapped, bold = book.add_format({"text_wrap": True, "valign": "top"}), book.add_format({"bold": True})
    sheet.set_column(0, 0, 40)
    sheet.set_column(1, len(_ABOUT) - 1, 24)
    for row, line in enumerate(_HOW):
        sheet.set_row(row, 50)
        sheet.merge_range(row, 0, row, len(_ABOUT) - 1, "", wrapped)
        sheet.write_string(row, 0, line, wrapped)
    first = len(_HOW) + 1
    for at, name in enumerate(_ABOUT):
        sheet.write_string(first, at, name, bold)
    for row, part in enumerate(parts, first + 1):
        mapping = part.entry.mapping_name or ("none: canonical columns" if part.own else "none")
        told = (part.name, part.rows, part.entry.file_name, part.sheet or "", mapping, part.entry.import_id)
        for at, value in enumerate(told):
            if isinstance(value, int):
                sheet.write_number(row, at, value)
            else:
                sheet.write_string(row, at, value)


def _write_list(book: xlsxwriter.Workbook, part: _Part, cut: Counter[str]) -> None:
    """Rejects of a nested file: where the fault is, for it is mended there."""
    sheet = book.add_worksheet(part.name)
    bold, text = book.add_format({"bold": True}), _text_format(book)
    sheet.freeze_panes(1, 0)
    sheet.set_column(1, 3, 40)
    for at, name in enumerate(_LISTED):
        sheet.write_string(0, at, name, bold)
    rows = part.rejects.select("row_number", "column", "raw", "sentence").iter_rows()
    for row, (number, *texts) in enumerate(rows, 1):
        sheet.write_number(row, 0, number)
        for at, value in enumerate(texts, 1):
            sheet.write_string(row, at, _fitted(value or "", _LISTED[at], cut), text)


def _write_rows(book: xlsxwriter.Workbook, part: _Part, own: OwnRows, cut: Counter[str]) -> None:
    """The user's own columns behind the three in front."""
    sheet = book.add_worksheet(part.name)
    text, bad = _text_format(book), _text_format(book, bg_color="#FFD9B3", border=1, border_color="#B35900")
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    places = [at for at, name in enumerate(own.names) if not is_front(name)]
    names = [own.names[at] for at in places]
    _write_header(book, sheet, part, [own.headers[at] for at in places], text)
    faults, comments = _by_row(part.rejects), 0
    for row, (number, cells) in enumerate(own.rows.iter_rows(), 1):
        told = faults[number]
        reason = "; ".join(f"{column}: {why}" if column else why for column, _, why in told)
        sheet.write_number(row, 0, number)
        sheet.write_string(row, 1, fitted(reason), wrapped)
        sheet.write_string(row, 2, _mark(part, number, told).text())
        why_of = _reasons(told)
        for at, value in enumerate([cells[at] if at < len(cells) else "" for at in places] + cells[len(own.names) :]):
            name = names[at] if at < len(names) else ""
            why = why_of.get(name)
            _cell(sheet, row, len(FRONT) + at, _fitted(value or "", name, cut), bad if why else text)
            if why and comments < MOST_COMMENTS:
                comments += 1
                sheet.write_comment(row, len(FRONT) + at, why, {"x_scale": 2})


def _write_header(
    book: xlsxwriter.Workbook,
    sheet: xlsxwriter.worksheet.Worksheet,
    part: _Part,
    headers: Sequence[str],
    text: Format,
) -> None:
    """Columns and row 1; the header of the hidden column says where the sheet comes from."""
    origin = Mark(part.entry.import_id, part.entry.sha256[:12], 0, "", part.sheet)
    bold = book.add_format({"bold": True, "text_wrap": True, "num_format": "@"})
    sheet.freeze_panes(1, len(FRONT))
    sheet.set_column(0, 0, 10)
    sheet.set_column(1, 1, 60)
    sheet.set_column(2, 2, None, None, {"hidden": True})
    sheet.set_column(len(FRONT), len(FRONT) + len(headers) - 1, 16, text)
    for at, header in enumerate((*FRONT[:2], origin.header(), *headers)):
        sheet.write_string(0, at, header, bold)


def _text_format(book: xlsxwriter.Workbook, **more: object) -> Format:
    """What is typed into such a cell is kept as text: no date, no number, no formula is made of it."""
    return book.add_format({"num_format": "@", **more})


def _by_row(rejects: pl.DataFrame) -> dict[int, list[tuple[str, str, str]]]:
    """The faults of each row: column, code, sentence."""
    found: dict[int, list[tuple[str, str, str]]] = {}
    for number, column, code, sentence in rejects.select("row_number", "column", "code", "sentence").iter_rows():
        found.setdefault(number, []).append((column or "", code, sentence))
    return found


def _mark(part: _Part, number: int, told: Sequence[tuple[str, str, str]]) -> Mark:
    shifted = next((code for _, code, _ in told if code in SHIFTED), "")
    return Mark(part.entry.import_id, part.entry.sha256[:12], number, shifted, part.sheet)


def _reasons(told: Sequence[tuple[str, str, str]]) -> dict[str, str]:
    """Why cells are at fault, by column; what is wrong with another row is no cell's fault."""
    why: dict[str, str] = {}
    for column, code, sentence in told:
        if column and code != "related-row":
            why[column] = f"{why[column]}; {sentence}" if column in why else sentence
    return why


def _cell(sheet: xlsxwriter.worksheet.Worksheet, row: int, at: int, value: str, style: Format) -> None:
    if value:
        sheet.write_string(row, at, value, style)
    else:
        sheet.write_blank(row, at, None, style)


def _fitted(value: str, column: str, cut: Counter[str]) -> str:
    shown = fitted(value)
    if shown != value:
        cut[column] += 1
    return shown

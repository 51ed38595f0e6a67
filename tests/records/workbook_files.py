"""Workbooks made for the reader to read: with xlsxwriter, or raw where it cannot make the fault."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import xlsxwriter

from auditor.records import Mapping, Reading, read_records

Rows = Sequence[Sequence[Any]]
Touch = Callable[[Any, dict[str, Any]], None]

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DOC = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


def write_book(path: Path, sheets: dict[str, Rows], touch: Touch | None = None, **options: Any) -> Path:
    """Write sheets of plain cells (text as text, numbers as numbers); `touch` then gets the book and its sheets."""
    book = xlsxwriter.Workbook(str(path), options)
    made = {}
    for name, rows in sheets.items():
        made[name] = sheet = book.add_worksheet(name)
        for at, row in enumerate(rows):
            for column, value in enumerate(row):
                if isinstance(value, str) and value:
                    sheet.write_string(at, column, value)
                elif value is not None and value != "":
                    sheet.write(at, column, value)
    if touch is not None:
        touch(book, made)
    book.close()
    return path


def raw_book(path: Path, sheet: str, *, workbook: str = "", strings: str = "", styles: str = "") -> Path:
    """Write a workbook of one sheet whose XML is given: `sheet` is what the worksheet holds."""
    related = ['<Relationship Id="r1" Type="x/worksheet" Target="worksheets/sheet1.xml"/>']
    parts = {"xl/worksheets/sheet1.xml": sheet if sheet.startswith("<?xml") else worksheet(sheet)}
    if strings:
        related.append('<Relationship Id="r2" Type="x/sharedStrings" Target="sharedStrings.xml"/>')
        parts["xl/sharedStrings.xml"] = f'<sst xmlns="{_MAIN}">{strings}</sst>'
    if styles:
        related.append('<Relationship Id="r3" Type="x/styles" Target="/xl/styles.xml"/>')
        parts["xl/styles.xml"] = f'<styleSheet xmlns="{_MAIN}">{styles}</styleSheet>'
    parts["xl/workbook.xml"] = (
        f'<workbook xmlns="{_MAIN}" xmlns:r="{_DOC}">{workbook}<sheets><sheet name="S" sheetId="1" r:id="r1"/></sheets>'
        "</workbook>"
    )
    parts["xl/_rels/workbook.xml.rels"] = f'<Relationships xmlns="{_PACKAGE}">{"".join(related)}</Relationships>'
    return write_parts(path, parts)


def worksheet(content: str) -> str:
    """Return a worksheet part that holds this."""
    return f'<?xml version="1.0" encoding="UTF-8"?><worksheet xmlns="{_MAIN}">{content}</worksheet>'


def write_parts(path: Path, parts: dict[str, str | bytes]) -> Path:
    """Write an archive of these parts, with the relation that leads to the workbook unless it is given."""
    root = f'<Relationship Id="r0" Type="{_DOC}/officeDocument" Target="xl/workbook.xml"/>'
    every: dict[str, str | bytes] = {"_rels/.rels": f'<Relationships xmlns="{_PACKAGE}">{root}</Relationships>'}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in (every | parts).items():
            archive.writestr(name, content)
    return path


def inline(reference: str, text: str) -> str:
    """Return a cell that holds its text itself."""
    return f'<c r="{reference}" t="inlineStr"><is><t>{text}</t></is></c>'


def text_rows(rows: Rows, first: int = 1) -> str:
    """Return rows of inline text as the XML of `sheetData` holds them."""
    return "".join(
        f'<row r="{at}">' + "".join(inline(f"{chr(65 + c)}{at}", str(v)) for c, v in enumerate(row)) + "</row>"
        for at, row in enumerate(rows, first)
    )


def read_book(path: Path, mapping: Mapping | None = None) -> Reading:
    """Read a workbook."""
    return read_records(path, mapping)


def told_on(reading: Reading) -> list[tuple[str | None, int, str, str]]:
    """Return the rejects as (sheet, row_number, column, code)."""
    return reading.rejects.select("sheet", "row_number", "column", "code").rows()

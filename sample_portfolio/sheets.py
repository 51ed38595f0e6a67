"""Writes a small workbook (SpreadsheetML, ECMA-376) with the standard library: equal cells give equal bytes.

The parts are stored, not compressed, for compressed bytes differ from one zlib to another.
"""

from __future__ import annotations

import datetime
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_DOC = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
#: Styles by number: plain, a date, five figures with leading zeros.
_STYLES = (
    '<numFmts count="2"><numFmt numFmtId="164" formatCode="m/d/yyyy"/><numFmt numFmtId="165" formatCode="00000"/>'
    '</numFmts><fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/></borders>'
    '<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="3"><xf/><xf numFmtId="164" applyNumberFormat="1"/>'
    '<xf numFmtId="165" applyNumberFormat="1"/></cellXfs>'
)


@dataclass(frozen=True)
class Padded:
    """A number that is shown with five figures."""

    number: int


@dataclass(frozen=True)
class Formula:
    """A formula that was never computed."""

    text: str


@dataclass(frozen=True)
class Wrong:
    """An error that a cell shows, such as #REF!."""

    text: str


Cell = str | int | float | datetime.date | Padded | Formula | Wrong | None


@dataclass
class Sheet:
    """A sheet: rows from the top, merged ranges, hidden rows, and cells far away by (row, column)."""

    name: str
    rows: list[list[Cell]]
    merged: list[str] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)
    hidden: bool = False
    far: dict[tuple[int, int], Cell] = field(default_factory=dict)


def letters(column: int) -> str:
    """Return the letters of a column, the first being 0."""
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def cell_xml(place: str, cell: Cell) -> str:
    """Return a cell as XML; nothing for None and the empty text."""
    if cell is None or cell == "":
        return ""
    if isinstance(cell, datetime.date):
        return f'<c r="{place}" s="1"><v>{(cell - datetime.date(1899, 12, 30)).days}</v></c>'
    if isinstance(cell, Padded):
        return f'<c r="{place}" s="2"><v>{cell.number}</v></c>'
    if isinstance(cell, Formula):
        return f'<c r="{place}"><f>{escape(cell.text)}</f></c>'
    if isinstance(cell, Wrong):
        return f'<c r="{place}" t="e"><v>{escape(cell.text)}</v></c>'
    if isinstance(cell, (int, float)):
        return f'<c r="{place}"><v>{cell!r}</v></c>'
    return f'<c r="{place}" t="inlineStr"><is><t xml:space="preserve">{escape(cell)}</t></is></c>'


def sheet_xml(sheet: Sheet) -> str:
    """Return a sheet's part."""
    rows = {at: dict(enumerate(row)) for at, row in enumerate(sheet.rows, 1)}
    for (at, column), cell in sheet.far.items():
        rows.setdefault(at, {})[column] = cell
    lines = []
    for at, cells in sorted(rows.items()):
        hidden = ' hidden="1"' if at in sheet.hidden_rows else ""
        inner = "".join(cell_xml(f"{letters(column)}{at}", cell) for column, cell in sorted(cells.items()))
        lines.append(f'<row r="{at}"{hidden}>{inner}</row>\n')
    merged = "".join(f'<mergeCell ref="{one}"/>' for one in sheet.merged)
    merged = f'<mergeCells count="{len(sheet.merged)}">{merged}</mergeCells>' if merged else ""
    return f'{_HEAD}<worksheet xmlns="{_MAIN}"><sheetData>\n{"".join(lines)}</sheetData>{merged}</worksheet>'


def parts(sheets: list[Sheet]) -> dict[str, str]:
    """Return the workbook's parts by name."""
    content = f"{_PACKAGE}/content-types"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    overrides = [("xl/workbook.xml", "sheet.main"), ("xl/styles.xml", "styles")]
    overrides += [(f"xl/worksheets/sheet{at}.xml", "worksheet") for at in range(1, len(sheets) + 1)]
    types = "".join(f'<Override PartName="/{name}" ContentType="{kind}.{what}+xml"/>' for name, what in overrides)
    default = '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    related = [(f"rId{at}", "worksheet", f"worksheets/sheet{at}.xml") for at in range(1, len(sheets) + 1)]
    related.append((f"rId{len(sheets) + 1}", "styles", "styles.xml"))
    states = ("", ' state="hidden"')
    listed = "".join(
        f'<sheet name="{escape(sheet.name)}" sheetId="{at}"{states[sheet.hidden]} r:id="rId{at}"/>'
        for at, sheet in enumerate(sheets, 1)
    )
    made = {
        "[Content_Types].xml": f'{_HEAD}<Types xmlns="{content}">{default}{types}</Types>',
        "_rels/.rels": relations([("rId1", "officeDocument", "xl/workbook.xml")]),
        "xl/workbook.xml": f'{_HEAD}<workbook xmlns="{_MAIN}" xmlns:r="{_DOC}"><sheets>{listed}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": relations(related),
        "xl/styles.xml": f'{_HEAD}<styleSheet xmlns="{_MAIN}">{_STYLES}</styleSheet>',
    }
    return made | {f"xl/worksheets/sheet{at}.xml": sheet_xml(sheet) for at, sheet in enumerate(sheets, 1)}


def relations(related: list[tuple[str, str, str]]) -> str:
    """Return a part of relations."""
    inner = "".join(f'<Relationship Id="{key}" Type="{_DOC}/{kind}" Target="{part}"/>' for key, kind, part in related)
    return f'{_HEAD}<Relationships xmlns="{_PACKAGE}/relationships">{inner}</Relationships>'


def write_workbook(path: Path, sheets: list[Sheet]) -> None:
    """Write a workbook; the archive's times and attributes are fixed."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, text in parts(sheets).items():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.create_system, entry.external_attr = 3, 0o644 << 16
            archive.writestr(entry, text.encode())

"""Workbooks read with the standard library alone and written again, as a spreadsheet program opens and saves them."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import xlsxwriter

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_REL = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"

#: Rows of cells by sheet; rows that hold nothing are left out.
Sheets = dict[str, list[list[str]]]


def _place(reference: str) -> tuple[int, int]:
    letters, digits = re.match(r"([A-Z]+)([0-9]+)", reference).groups()  # type: ignore[union-attr]
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return int(digits), number - 1


def _text(cell: ElementTree.Element) -> str:
    if cell.get("t") == "inlineStr":
        text = "".join(part.text or "" for part in cell.iter(f"{_MAIN}t"))
        return re.sub(r"_x([0-9A-Fa-f]{4})_", lambda match: chr(int(match[1], 16)), text)
    return cell.findtext(f"{_MAIN}v") or ""


def _comments(book: zipfile.ZipFile, number: int) -> dict[tuple[int, int], str]:
    related = f"xl/worksheets/_rels/sheet{number}.xml.rels"
    if related not in book.namelist():
        return {}
    target = re.search(rb'Target="\.\./(comments[^"]*)"', book.read(related))
    root = ElementTree.fromstring(book.read(f"xl/{target[1].decode()}")) if target else ElementTree.Element("none")
    return {
        _place(one.get("ref", "")): "".join(part.text or "" for part in one.iter(f"{_MAIN}t"))
        for one in root.iter(f"{_MAIN}comment")
    }


def read_sheets(path: Path, marks: bool = False) -> Sheets:
    """The texts of every sheet; with `marks`, the comments instead."""
    found: Sheets = {}
    with zipfile.ZipFile(path) as book:
        names = ElementTree.fromstring(book.read("xl/workbook.xml")).iter(f"{_MAIN}sheet")
        for number, sheet in enumerate(names, 1):
            root = ElementTree.fromstring(book.read(f"xl/worksheets/sheet{number}.xml"))
            comments = _comments(book, number)
            rows = []
            for row in root.iter(f"{_MAIN}row"):
                cells = {
                    _place(c.get("r", "")): comments.get(_place(c.get("r", "")), "") if marks else _text(c) for c in row
                }
                if cells:
                    width = max(column for _, column in cells) + 1
                    line = [""] * width
                    for (_, column), text in cells.items():
                        line[column] = text
                    rows.append(line)
            found[sheet.get("name", "")] = rows
    return found


def write_sheets(path: Path, sheets: Sheets) -> Path:
    """Write texts as texts, as a spreadsheet program saves cells of the format "text"."""
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                for column, text in enumerate(row):
                    if text:
                        sheet.write_string(at, column, text)
    return path

"""Reads exports back with readers that share nothing with what wrote them, where that can be had."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from datetime import date, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pyarrow.parquet as pq

NS = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
Row = dict[str, object]


def read_csv(path: Path) -> list[Row]:
    """Cells as the texts they are; an unquoted empty cell is null to the writer, which this reader cannot tell."""
    with path.open(encoding="utf-8", newline="") as file:
        return [dict(row) for row in csv.DictReader(file, strict=True)]


def read_jsonl(path: Path) -> list[Row]:
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]


def read_parquet(path: Path) -> list[Row]:
    return [dict(row) for row in pq.read_table(path).to_pylist()]


def _unescaped(text: str) -> str:
    """OOXML writes control characters as _xHHHH_ (ECMA-376 Part 1, 22.9.2.19)."""
    return re.sub(r"_x([0-9A-Fa-f]{4})_", lambda match: chr(int(match[1], 16)), text)


def _column(reference: str) -> int:
    number = 0
    for letter in re.sub("[0-9]", "", reference):
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def sheet_cells(path: Path) -> list[list[ElementTree.Element]]:
    """The <c> elements of the only sheet, by row."""
    with zipfile.ZipFile(path) as book:
        assert [n for n in book.namelist() if n.startswith("xl/worksheets/")] == ["xl/worksheets/sheet1.xml"]
        root = ElementTree.fromstring(book.read("xl/worksheets/sheet1.xml"))
    return [row.findall("m:c", NS) for row in root.findall("m:sheetData/m:row", NS)]


def _value(cell: ElementTree.Element) -> object:
    kind = cell.get("t")
    if kind == "inlineStr":
        return _unescaped("".join(part.text or "" for part in cell.iter(f"{{{NS['m']}}}t")))
    text = cell.findtext("m:v", namespaces=NS)
    assert kind in (None, "n", "b"), kind
    if text is None:
        return None
    if cell.get("s"):
        return date(1899, 12, 30) + timedelta(days=int(text))
    return float(text)


def read_xlsx(path: Path) -> list[Row]:
    header, *rows = ({_column(c.get("r", "")): _value(c) for c in row} for row in sheet_cells(path))
    return [{str(name): row.get(place) for place, name in header.items()} for row in rows]


READERS = {".csv": read_csv, ".jsonl": read_jsonl, ".parquet": read_parquet, ".xlsx": read_xlsx}

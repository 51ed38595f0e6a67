"""Small files for the reader to read."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

from auditor.records import Mapping, Reading, load_mapping, read_records
from auditor.records.grammar import Fault

HEADER = ("system_id", "circuit_id", "inverter_count", "home_run_length_m", "home_run_size", "design_date", "designer")
GOOD = ("S1", "1", "16", "23", "10 AWG", "2020-03-25", "Rowan")


def csv_text(rows: list[tuple[str, ...]], header: tuple[str, ...] = HEADER) -> str:
    """Return rows as CSV text with quotes where needed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerows([header, *rows])
    return out.getvalue()


def read_text(folder: Path, text: str | bytes, mapping: Mapping | None = None, name: str = "records.csv") -> Reading:
    """Write the text to a file and read it."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_records(path, mapping)


def read_cells(folder: Path, mapping: Mapping | None = None, **cells: str) -> Reading:
    """Read one row: a good one with these cells changed or added."""
    row = dict(zip(HEADER, GOOD, strict=True)) | cells
    return read_text(folder, csv_text([tuple(row.values())], tuple(row)), mapping)


def read_json(folder: Path, document: Any, mapping: Mapping | None = None) -> Reading:
    """Write a document as JSON and read it."""
    return read_text(folder, json.dumps(document), mapping, "records.json")


def mapping_of(folder: Path, text: str) -> Mapping:
    """Load a mapping from TOML text."""
    path = folder / "mapping.toml"
    path.write_text(text, encoding="utf-8")
    return load_mapping(path)


def told(reading: Reading) -> list[tuple[int, str, str]]:
    """Return the rejects as (row_number, column, code)."""
    return reading.rejects.select("row_number", "column", "code").rows()


def balanced(reading: Reading) -> bool:
    """Whether every row in came out accepted, rejected or repeated."""
    return reading.rows_in == reading.accepted + reading.rejected + reading.duplicate


def code(value: object) -> str:
    """The code of a fault, which has a sentence too."""
    assert isinstance(value, Fault), value
    assert value.sentence
    return value.code

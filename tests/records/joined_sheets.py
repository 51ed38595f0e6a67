"""Three sheets that belong together, and how a test reads them with some cells changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from records_files import mapping_of
from workbook_files import read_book, write_book

from auditor.records import Reading

MAPPING = """
[file]
missing = ["n/a"]
[sheets.systems]
sheet = "Jobs"
header_row = 2
[sheets.systems.columns]
system_id = "Job"
designer = "Drawn by"
service = { column = "Svc", values = { "1PH" = "120/240" } }
[sheets.circuits]
sheet = "Circuits"
[sheets.circuits.columns]
system_id = "Job No"
circuit_id = "Ckt"
inverter_count = "Qty"
[sheets.runs]
sheet = "Runs"
[sheets.runs.columns]
system_id = "Job"
circuit_id = "Ckt"
role = { column = "Kind", values = { "HR" = "home run", "FDR" = "feeder" } }
length_m = { column = "Feet", unit = "ft" }
size = "Wire"
[constants]
installation_code = "NEC"
feed = "end"
[ignore]
columns = ["Notes"]
"""
JOBS: list[tuple[Any, ...]] = [
    ("Jobs of 2023",),
    ("Job", "Drawn by", "Svc", "busbar_a"),
    ("S1", "Rowan", "1PH", 200),
    ("S2", "Alder", "1PH", 225),
]
CIRCUITS: list[tuple[Any, ...]] = [
    ("Job No", "Ckt", "Qty", "Notes", "Odd"),
    ("S1", "1", 16, "", "x"),
    ("S1", "2", 15),
    ("S2", "1", 12),
]
RUNS: list[tuple[Any, ...]] = [
    ("Job", "Ckt", "Kind", "Feet", "Wire", "combiner_id"),
    ("S1", "1", "HR", 75, "10 AWG"),
    ("S1", "1", "HR", 20, "8 AWG"),
    ("S1", "2", "HR", 60, "2/0 AL"),
    ("S1", None, "FDR", 40, "6 AWG"),
    ("S2", "1", "HR", 50, "10 AWG"),
    ("S2", None, "FDR", 30, "6 AWG", "C1"),
]


def read(folder: Path, jobs: Any = JOBS, circuits: Any = CIRCUITS, runs: Any = RUNS, mapping: str = MAPPING) -> Reading:
    """Write the three sheets and read them."""
    sheets = {"Lists": [("x",)], "Runs": runs, "Circuits": circuits, "Jobs": jobs}
    return read_book(write_book(folder / "x.xlsx", sheets), mapping_of(folder, mapping))


def put(rows: list[tuple[Any, ...]], at: int, **cells: Any) -> list[tuple[Any, ...]]:
    """Return rows with some cells of one (counted from 1, as the sheet shows) changed, by letter."""
    changed = list(rows[at - 1]) + [None] * 6
    for letter, value in cells.items():
        changed[ord(letter) - 65] = value
    return [*rows[: at - 1], tuple(changed), *rows[at:]]

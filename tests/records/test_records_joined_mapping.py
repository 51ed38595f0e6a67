"""Mappings of sheets that belong together: what makes no sense, and what does not fit the workbook."""

from __future__ import annotations

from pathlib import Path

import pytest
from joined_sheets import MAPPING, read
from records_files import csv_text, mapping_of, read_text

from auditor.errors import AuditorError


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[sheets.systems]\nsheet = "A"', r"\[sheets.circuits\]: is missing"),
        ('[sheets.circuits]\nsheet = "A"\n[columns]\ndesigner = "x"', "write each sheet's columns under its own"),
        ('[file]\nsheet = "B"\n[sheets.circuits]\nsheet = "A"', "name each sheet under its own"),
        ('[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "A "', "names the same sheet"),
        (
            '[sheets.circuits]\nsheet = "A"\ncolumns = { lenght_m = "x" }',
            r"\[sheets.circuits.columns\] lenght_m: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "B"\ncolumns = { feed = "x" }',
            r"runs.columns\] feed: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.systems]\nsheet = "B"\ncolumns = { circuit_id = "x" }',
            r"\[sheets.systems.columns\] circuit_id: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "B"\nconstants = { role = "wire" }',
            r"\[sheets.runs.constants\] role: 'wire' is not one of",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\ncolumns = { tilt_deg = { column = "T", unit = "ft" } }',
            r"\[sheets.circuits.columns.tilt_deg\] unit",
        ),
    ],
)
def test_mappings_of_sheets_that_make_no_sense(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(AuditorError, match=message):
        mapping_of(tmp_path, text)


def test_sheets_that_cannot_be_joined(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="there is none, but"):
        read(tmp_path, mapping=MAPPING.replace('"Runs"', '"Wires"'))
    with pytest.raises(AuditorError, match=r"sheet 'Jobs': row 1 is not the header; row 2 holds Job"):
        read(tmp_path, mapping=MAPPING.replace("header_row = 2", ""))
    with pytest.raises(AuditorError, match="sheet 'Runs': no column gives role"):
        read(tmp_path, mapping=MAPPING.replace("role = {", "insulation = {"))
    with pytest.raises(AuditorError, match="this file is no workbook"):
        read_text(tmp_path, csv_text([]), mapping_of(tmp_path, MAPPING))

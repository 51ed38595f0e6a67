"""What the tests of the store share."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

import xlsxwriter

from auditor.store import Store
from auditor.store.evidence import EvidenceImported

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"

#: How the three sheets of a workbook belong together.
JOINED = """
[sheets.systems]
sheet = "Jobs"
[sheets.circuits]
sheet = "Circuits"
[sheets.runs]
sheet = "Runs"
constants = { role = "home run" }
"""


def rows_of(path: Path, count: int) -> str:
    """The header and first rows of a sample file."""
    return "".join(path.read_text("utf-8").splitlines(keepends=True)[: count + 1])


def new_store(root: Path) -> Store:
    """An empty store with the sample's equipment and policy."""
    place = Store(root)
    place.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", place.catalog / "equipment.toml")
    shutil.copyfile(SAMPLE / "policy.toml", place.policy)
    return place


def write_book(path: Path, sheets: Mapping[str, Sequence[Sequence[object]]]) -> Path:
    """A workbook with a sheet for each name, its rows as given."""
    with xlsxwriter.Workbook(str(path)) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                sheet.write_row(at, 0, row)
    return path


def tally(done: EvidenceImported) -> tuple[int, int, int, int]:
    """Rows in, accepted, rejected and repeated, which add up."""
    found = done.outcome
    assert found.rows_in == found.accepted + found.rejected + found.duplicate
    return found.rows_in, found.accepted, found.rejected, found.duplicate

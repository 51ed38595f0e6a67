"""Rows of foreign files, of sheets that belong together and of nested files, mended where they are."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from mending_cases import (
    bring,
    clean_content,
    content,
    everything,
    exported,
    given,
    joined_book,
    mended,
    rejects,
    set_cells,
)
from sheets_read_back import Sheets, read_sheets
from store_files import JOINED, SAMPLE

from auditor.store import Store
from auditor.store.mending import mended_imports
from auditor.store.records_db import remove


def test_foreign_files_are_read_by_their_own_mappings_which_nobody_has_to_name(store: Store, tmp_path: Path) -> None:
    """The sample's foreign CSV and its workbook of several sheets, with the faults that are planted there."""
    field, book = SAMPLE / "field_export.csv", SAMPLE / "site_book.xlsx"
    for path in (field, book):
        bring(store, path, path.with_name(path.stem + "_mapping.toml"))
    assert len(rejects(store)) == 14

    def mend(sheets: Sheets) -> None:
        set_cells(sheets, "1 field_export", **{"HR Wire": "#10"}, row_2__PTO="6/7/2019")
        set_cells(sheets, "1 field_export", **{"row_3__HR Run (there+back, ft)": "80"})
        set_cells(sheets, "2 Jobs", Bus="200")
        for row in range(1, len(sheets["2 Circuits"])):
            set_cells(sheets, "2 Circuits", **{f"row_{row}__Qty": "8", f"row_{row}__OCPD": "20"})
        for row in range(1, len(sheets["2 Runs"])):
            set_cells(sheets, "2 Runs", **{f"row_{row}__Length, ft": "60", f"row_{row}__Wire": "#10"})

    done = bring(store, mended(store, tmp_path, mend))
    told = [row for one in done for row in one.reading.rejects.to_dicts()]
    assert [one.outcome.rejected for one in done] == [0, len(rejects(store))], told
    assert {row["code"] for row in told} <= {"foreign-key", "constraint-error"}
    assert [row[5] for row in rejects(store, "import_id = 1")] == [3, 3, 3]


@pytest.mark.parametrize(
    ("fault", "mend"),
    [
        ({"busbar": "many"}, ("1 Jobs", {"busbar_a": "200"})),
        ({"breaker": "many"}, ("1 Circuits", {"breaker_a": "20"})),
        ({"length": "long"}, ("1 Runs", {"length_m": "30"})),
        ({"circuit": "7"}, ("1 Runs", {"circuit_id": "1"})),
    ],
)
def test_sheets_that_belong_together(
    store: Store, tmp_path: Path, fault: dict[str, str], mend: tuple[str, dict[str, str]]
) -> None:
    """A fault on any of them; rows that belong with circuits of the store need not bring those along."""
    mapping = given(tmp_path / "in", JOINED, "mapping.toml")
    bring(store, joined_book(tmp_path / "in" / "book.xlsx", **fault), mapping)  # type: ignore[arg-type]
    assert rejects(store)
    (done,) = bring(store, mended(store, tmp_path, lambda sheets: set_cells(sheets, mend[0], **mend[1])))
    assert (done.outcome.rejected, done.outcome.still_open) == (0, 0), done.reading.rejects.to_dicts()
    assert done.reading.unmapped == ()
    clean = clean_content(tmp_path / "clean", (joined_book(tmp_path / "in" / "clean.xlsx"), mapping))
    assert content(store) == clean
    before = everything(store)
    remove(store)
    assert everything(store) == before


def test_a_row_that_still_belongs_nowhere_stays_rejected(store: Store, tmp_path: Path) -> None:
    mapping = given(tmp_path / "in", JOINED, "mapping.toml")
    bring(store, joined_book(tmp_path / "in" / "book.xlsx", circuit="7"), mapping)
    (done,) = bring(store, mended(store, tmp_path, lambda sheets: set_cells(sheets, "1 Runs", circuit_id="8")))
    assert done.reading.rejects["code"].to_list() == ["foreign-key"]
    assert [row[:3] for row in rejects(store)] == [(2, "1 Runs", 2)]


def test_nested_files_are_listed_and_mended_where_they_are(store: Store, tmp_path: Path) -> None:
    systems = [
        {
            "system_id": "S1",
            "circuits": [{"circuit_id": "1", "inverter_count": 9}, {"circuit_id": "2", "breaker_a": "x"}],
        },
        {"system_id": "S2", "busbar_a": "=many", "circuits": [{"circuit_id": "1"}]},
    ]
    bring(store, given(tmp_path / "in", json.dumps({"systems": systems}), "p.json"))
    path = exported(store, tmp_path / "rejects.xlsx")
    rows = read_sheets(path)["1 p"]
    assert [row[:3] for row in rows[1:]] == [["1", "circuits[1].breaker_a", "x"], ["2", "busbar_a", "=many"]]
    assert mended_imports(path) == []
    assert [row[3:5] for row in rejects(store)] == [("S1", "2"), ("S2", "1")]
    systems[0]["circuits"][1]["breaker_a"] = 20  # type: ignore[index]
    systems[1]["busbar_a"] = 200
    (done,) = bring(store, given(tmp_path / "in", json.dumps({"systems": systems}), "p.json"))
    assert (done.outcome.rejected, done.outcome.closed, done.outcome.still_open) == (0, 2, 0)

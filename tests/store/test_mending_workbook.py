"""The workbook of rows to mend: the users' own rows, marked where they are wrong, and what it is refused for."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from mending_cases import (
    CLEAN,
    HEADER,
    MESSY,
    bring,
    content,
    exported,
    given,
    joined_book,
    mend_messy,
    mended,
)
from sheets_read_back import Sheets, read_sheets
from store_files import new_store

from auditor.errors import AuditorError
from auditor.reports.mending import write_mending
from auditor.store import Store
from auditor.store.mending import mended_imports
from auditor.store.snapshot import open_snapshot


def test_the_workbook_holds_the_users_own_rows_and_marks_what_is_wrong(messy: Store, tmp_path: Path) -> None:
    path = exported(messy, tmp_path / "rejects.xlsx")
    sheets = read_sheets(path)
    assert list(sheets) == ["How to mend", "1 a"]
    header, first, second = sheets["1 a"]
    assert header[3:] == HEADER.strip().split(",")
    assert first[3:] == MESSY.splitlines()[1].split(",")
    assert second[3:] == MESSY.splitlines()[3].split(",")
    assert [row[0] for row in (first, second)] == ["3", "5"]
    assert first[1].startswith("home_run_length_m: 'about 25' is not a length")
    assert second[1] == "the row has 10 cells where the header has 9"
    shown = read_sheets(path, marks=True)["1 a"]
    assert [column for column, mark in enumerate(shown[1]) if mark] == [header.index("home_run_length_m")]
    assert shown[1][header.index("home_run_length_m")].startswith("'about 25' is not a length")
    about = dict(zip(sheets["How to mend"][3], sheets["How to mend"][4], strict=False))
    assert (about["sheet"], about["rows"], about["file"], about["mapping"]) == (
        "1 a",
        "2",
        "a.csv",
        "none: canonical columns",
    )


def test_a_workbook_of_another_store_is_refused(messy: Store, tmp_path: Path) -> None:
    path = mended(messy, tmp_path, mend_messy)
    other = new_store(tmp_path / "other")
    bring(other, given(tmp_path / "in", HEADER + CLEAN, "c.csv"))
    with pytest.raises(AuditorError, match="its rows come from an import that this store does not hold"):
        bring(other, path)


def test_rows_moved_to_another_sheet_are_refused(store: Store, tmp_path: Path) -> None:
    bring(store, given(tmp_path / "in", HEADER + MESSY))
    bring(store, given(tmp_path / "in", HEADER + MESSY.replace("S1,2", "S4,2"), "b.csv"))

    def mend(sheets: Sheets) -> None:
        sheets["1 a"].append(sheets["2 b"].pop())

    with pytest.raises(AuditorError, match="sheet '1 a': holds rows of several files or sheets"):
        bring(store, mended(store, tmp_path, mend))


def test_cells_that_look_like_formulas_stay_text(store: Store, tmp_path: Path) -> None:
    cells = ["=1+1", "+5", "-12", "@x", "'=2", "_x0041_", "Ünï ", '"quoted", text', "12:30"]
    header = HEADER.strip() + "," + ",".join(f"own {at}" for at in range(len(cells)))
    row = "S1,1,120/240,Hill,U,many,20,20,10 AWG," + ",".join('"' + c.replace('"', '""') + '"' for c in cells)
    bring(store, given(tmp_path / "in", f"{header}\n{row}\n"))
    path = exported(store, tmp_path / "rejects.xlsx")
    assert read_sheets(path)["1 a"][1][12:] == cells
    assert b"<f>" not in b"".join(read_parts(path))


def read_parts(path: Path) -> list[bytes]:
    with zipfile.ZipFile(path) as book:
        return [book.read(name) for name in book.namelist() if name.startswith("xl/worksheets/sheet")]


def test_nothing_open_gives_a_workbook_with_its_explanation(store: Store, tmp_path: Path) -> None:
    bring(store, given(tmp_path / "in", HEADER + CLEAN))
    assert list(read_sheets(exported(store, tmp_path / "rejects.xlsx"))) == ["How to mend"]


def test_an_original_that_is_gone_is_said(messy: Store, tmp_path: Path) -> None:
    content(messy)
    for path in messy.originals.glob("*.csv"):
        path.unlink()
    with open_snapshot(messy) as con, pytest.raises(AuditorError, match=r"original of import 1 \(a\.csv\) is gone"):
        write_mending(con, messy, tmp_path / "rejects.xlsx")
    assert not (tmp_path / "rejects.xlsx").exists()


def test_sheet_names_are_names_that_a_sheet_may_have(store: Store, tmp_path: Path) -> None:
    for number, name in enumerate(
        ("it's [a] very: long / name of a file.csv", "it's [a] very: long - name of a filf.csv")
    ):
        text = (HEADER + MESSY).replace("S1,", f"T{number},").replace("S3,", f"U{number},")
        folder = tmp_path / f"in{number}"
        folder.mkdir()
        path = given(folder, text, name.replace("/", "-"))
        bring(store, path)
    names = list(read_sheets(exported(store, tmp_path / "rejects.xlsx")))
    assert len(names) == len({name.casefold() for name in names}) == 3
    assert all(len(name) <= 31 and not set(name) & set("[]:*?/\\'") for name in names)


def test_an_ordinary_workbook_is_no_workbook_of_mended_rows(tmp_path: Path) -> None:
    assert mended_imports(joined_book(tmp_path / "book.xlsx")) == []
    assert mended_imports(given(tmp_path / "in", HEADER)) == []

"""Rows mended in the exported workbook: back in, they are what a clean file would have given, and their rejects close.

The workbook is read back by the standard library's XML (ECMA-376 part 1) and written anew cell for cell, as a
spreadsheet program saves it; nothing of the project's reader takes part in that.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
import xlsxwriter
from sheets_read_back import Sheets, read_sheets, write_sheets
from store_files import SAMPLE, new_store

from auditor.catalog import load_catalog
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.reports.mending import write_mending
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.mending import mended_imports
from auditor.store.records_db import Connection, open_records, remove
from auditor.store.snapshot import open_snapshot

AS_OF = date(2026, 1, 31)
HEADER = (
    "system_id,circuit_id,service,utility,inverter_model,inverter_count,breaker_a,home_run_length_m,home_run_size\n"
)
CLEAN = """S1,1,120/240,Hill Power,Larkfield U240,16,20,20,10 AWG
S1,2,120/240,,Larkfield U240,12,20,25,10 AWG
S2,1,120/240,Vale Power,Larkfield U240,10,20,30,8 AWG
S3,1,120/240,Vale Power,Larkfield U240,9,20,31,8 AWG
"""
MESSY = CLEAN.replace("12,20,25,", "12,20,about 25,").replace("S3,1,120/240,Vale Power", "S3,1,120/240,Vale Power, Inc")
Mend = Callable[[Sheets], None]


def bring(store: Store, path: Path, mapping: Path | None = None, **options: object) -> list[Imported]:
    with store.locked("import"), open_records(store) as con:
        return [
            import_file(con, store, path, mapping, imported_on="2026-01-31", mends=mends, **options)  # type: ignore[arg-type]
            for mends in mended_imports(path) or [0]
        ]


def content(store: Store) -> str:
    with store.locked("audit"), open_records(store) as con:
        return publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF).content_hash


def given(folder: Path, text: str, name: str = "a.csv") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(text, "utf-8")
    return path


def exported(store: Store, path: Path) -> Path:
    content(store)
    with open_snapshot(store) as con:
        write_mending(con, store, path)
    return path


def mended(store: Store, folder: Path, mend: Mend, name: str = "mended.xlsx") -> Path:
    """The exported workbook as a person saves it after mending."""
    sheets = read_sheets(exported(store, folder / "rejects.xlsx"))
    mend(sheets)
    return write_sheets(folder / name, sheets)


def rejects(store: Store, where: str = "closed_by IS NULL") -> list[tuple[object, ...]]:
    with open_records(store) as con:
        query = f"SELECT import_id, sheet, row_number, system_id, circuit_id, closed_by FROM reject WHERE {where}"
        return con.execute(query + " ORDER BY ALL").fetchall()


def everything(store: Store) -> list[object]:
    with open_records(store) as con:
        names = [
            row[0]
            for row in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary ORDER BY 1").fetchall()
        ]
        assert {"reject", "import", "conflict", "system_past"} <= set(names)
        return [con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in names]


def clean_content(root: Path, *files: tuple[Path, Path | None]) -> str:
    store = new_store(root)
    for path, mapping in files:
        bring(store, path, mapping)
    return content(store)


def set_cells(sheets: Sheets, name: str, **cells: str) -> None:
    """Write into the first row of a sheet, by the column's header; `row_N__` before a header means another row."""
    header = sheets[name][0]
    for key, value in cells.items():
        row, _, column = key.rpartition("__")
        sheets[name][int(row.removeprefix("row_") or 1)][header.index(column)] = value


@pytest.fixture
def messy(store: Store, tmp_path: Path) -> Store:
    bring(store, given(tmp_path / "in", HEADER + MESSY))
    return store


def mend_messy(sheets: Sheets) -> None:
    rows = sheets["1 a"]
    set_cells(sheets, "1 a", home_run_length_m="25")
    front, cells = rows[2][:3], rows[2][3:]
    cells[3:5] = ["Vale Power"]
    rows[2] = [front[0], "", front[2], *cells]


def test_a_messy_file_mended_is_a_clean_file(messy: Store, tmp_path: Path) -> None:
    assert rejects(messy) == [(1, None, 3, "S1", "2", None), (1, None, 5, "S3", "1", None)]
    (done,) = bring(messy, mended(messy, tmp_path, mend_messy))
    outcome = done.outcome
    assert (outcome.rows_in, outcome.accepted, outcome.rejected, outcome.duplicate) == (2, 2, 0, 0)
    assert (outcome.closed, outcome.still_open) == (2, 0)
    assert done.reading.unmapped == ()
    assert rejects(messy, "true") == [(1, None, 3, "S1", "2", 2), (1, None, 5, "S3", "1", 2)]
    assert content(messy) == clean_content(tmp_path / "clean", (given(tmp_path / "in", HEADER + CLEAN, "c.csv"), None))


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


def test_rows_that_are_still_wrong_are_rejects_of_the_new_import_and_can_be_mended_again(
    messy: Store, tmp_path: Path
) -> None:
    (done,) = bring(messy, mended(messy, tmp_path, lambda sheets: None, "once.xlsx"))
    assert (done.outcome.rejected, done.outcome.closed, done.outcome.still_open) == (2, 2, 2)
    # Both rows as they were: one with its bad length, one whose cells nobody has put in their columns.
    assert list(dict.fromkeys(row[:3] for row in rejects(messy))) == [(2, "1 a", 2), (2, "1 a", 3)]
    told = done.reading.rejects
    assert told.filter(row_number=2)["code"].to_list() == ["type-error"]
    assert "extra-cell" in told.filter(row_number=3)["code"].to_list()

    def mend(sheets: Sheets) -> None:
        sheets["1 a"] = sheets.pop("2 1 a")
        mend_messy(sheets)

    (again,) = bring(messy, mended(messy, tmp_path, mend, "twice.xlsx"))
    assert (again.outcome.accepted, again.outcome.rejected, again.outcome.still_open) == (2, 0, 0)
    assert content(messy) == clean_content(tmp_path / "clean", (given(tmp_path / "in", HEADER + CLEAN, "c.csv"), None))


def test_a_row_taken_out_of_the_workbook_stays_open(messy: Store, tmp_path: Path) -> None:
    def mend(sheets: Sheets) -> None:
        mend_messy(sheets)
        del sheets["1 a"][2]

    (done,) = bring(messy, mended(messy, tmp_path, mend))
    assert (done.outcome.accepted, done.outcome.closed, done.outcome.still_open) == (1, 1, 1)
    assert [row[:3] for row in rejects(messy)] == [(1, None, 5)]


def test_the_database_is_rebuilt_with_the_same_closures(messy: Store, tmp_path: Path) -> None:
    bring(messy, mended(messy, tmp_path, lambda sheets: None, "once.xlsx"))

    def mend(sheets: Sheets) -> None:
        sheets["1 a"] = sheets.pop("2 1 a")
        mend_messy(sheets)

    bring(messy, mended(messy, tmp_path, mend, "twice.xlsx"))
    before = everything(messy)
    remove(messy)
    assert everything(messy) == before


def test_what_a_mended_row_leaves_empty_or_says_otherwise_is_as_in_a_whole_file(store: Store, tmp_path: Path) -> None:
    text = HEADER + (
        "S1,1,120/240,Hill Power,Larkfield U240,16,20,20,10 AWG\n"
        "S1,2,,,Larkfield U240,many,20,25,10 AWG\n"
        "S2,1,120/240,Vale Power,Larkfield U240,10,20,30,8 AWG\n"
        "S2,2,120/240,Dale Power,Larkfield U240,many,20,30,8 AWG\n"
        "S3,1,120/240,Vale Power,Larkfield U240,10,20,30,8 AWG\n"
        "S3,1,120/240,Vale Power,Larkfield U240,ten,15,31,8 AWG\n"
    )
    bring(store, given(tmp_path / "in", text))

    def mend(sheets: Sheets) -> None:
        set_cells(sheets, "1 a", inverter_count="12", row_2__inverter_count="9", row_3__inverter_count="10")

    (done,) = bring(store, mended(store, tmp_path, mend))
    assert done.outcome.still_open == 0
    assert done.reading.tables.conflicts["column"].to_list() == ["utility", "breaker_a", "home_run_length_m"]
    clean = text.replace("many,20,25", "12,20,25").replace("many,20,30", "9,20,30").replace("ten,", "10,")
    assert content(store) == clean_content(tmp_path / "clean", (given(tmp_path / "in", clean, "c.csv"), None))
    with open_records(store) as con:
        held = con.execute("SELECT system_id, service, utility FROM system ORDER BY ALL").fetchall()
    assert held == [("S1", "120/240", "Hill Power"), ("S2", "120/240", None), ("S3", "120/240", "Vale Power")]


def test_a_mended_row_does_not_settle_what_other_rows_dispute(store: Store, tmp_path: Path) -> None:
    text = HEADER + (
        "S1,1,120/240,Hill Power,Larkfield U240,16,20,20,10 AWG\n"
        "S1,2,120/240,Dale Power,Larkfield U240,12,20,25,10 AWG\n"
        "S1,3,120/240,Hill Power,Larkfield U240,many,20,25,10 AWG\n"
    )
    bring(store, given(tmp_path / "in", text))
    bring(store, mended(store, tmp_path, lambda sheets: set_cells(sheets, "1 a", inverter_count="9")))
    with open_records(store) as con:
        assert con.execute("SELECT utility FROM system").fetchall() == [(None,)]
    clean = given(tmp_path / "in", text.replace("many", "9"), "c.csv")
    assert content(store) == clean_content(tmp_path / "clean", (clean, None))


def test_a_stand_in_that_comes_again_closes_nothing(messy: Store, tmp_path: Path) -> None:
    gone = given(tmp_path / "in", HEADER + CLEAN.splitlines(keepends=True)[0], "b.csv")
    bring(messy, gone, replace_circuits=True)
    again = given(tmp_path / "in", HEADER + "S1,2,120/240,,U,12,20,still about 25,10 AWG\n", "c.csv")
    (done,) = bring(messy, again)
    assert (done.outcome.closed, done.outcome.still_open) == (0, 3)


def test_a_fact_that_a_later_import_corrected_is_not_taken_back_by_a_mended_row(messy: Store, tmp_path: Path) -> None:
    path = mended(messy, tmp_path, mend_messy)
    bring(messy, given(tmp_path / "in", "system_id,circuit_id,utility\nS1,1,Hill Power\nS3,7,Other\n", "b.csv"))
    (done,) = bring(messy, path)
    # S3 says two utilities by now: the fact is missing and told, not guessed.
    assert done.reading.tables.conflicts.select("system_id", "column").rows() == [("S3", "utility")]
    with open_records(messy) as con:
        held = con.execute("SELECT system_id, utility FROM system ORDER BY ALL").fetchall()
    assert held == [("S1", "Hill Power"), ("S2", "Vale Power"), ("S3", None)]


def test_a_stand_in_goes_where_the_mended_row_is_about_another_circuit(store: Store, tmp_path: Path) -> None:
    text = HEADER + CLEAN + "S9,4,120/240,,Larkfield U240,many,20,25,10 AWG\nS1,,,,Larkfield U240,3,20,20,10 AWG\n"
    bring(store, given(tmp_path / "in", text))
    with open_records(store) as con:
        assert ("S9", "4") in con.execute("SELECT system_id, circuit_id FROM circuit").fetchall()

    def mend(sheets: Sheets) -> None:
        set_cells(sheets, "1 a", system_id="S2", circuit_id="4", inverter_count="4", row_2__circuit_id="3")

    bring(store, mended(store, tmp_path, mend))
    with open_records(store) as con:
        keys = con.execute("SELECT system_id, circuit_id FROM circuit ORDER BY ALL").fetchall()
        systems = con.execute("SELECT system_id FROM system ORDER BY ALL").fetchall()
    assert keys == [("S1", "1"), ("S1", "2"), ("S1", "3"), ("S2", "1"), ("S2", "4"), ("S3", "1")]
    assert systems == [("S1",), ("S2",), ("S3",)]


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


JOINED = """
[sheets.systems]
sheet = "Jobs"
[sheets.circuits]
sheet = "Circuits"
[sheets.runs]
sheet = "Runs"
constants = { role = "home run" }
"""


def joined_book(
    path: Path, busbar: object = 200, breaker: object = 20, length: object = 30, circuit: str = "1"
) -> Path:
    sheets = {
        "Jobs": [("system_id", "service", "busbar_a"), ("S1", "120/240", busbar), ("S2", "120/240", 225)],
        "Circuits": [
            ("system_id", "circuit_id", "inverter_model", "inverter_count", "breaker_a"),
            ("S1", "1", "Larkfield U240", 9, 20),
            ("S2", "1", "Larkfield U240", 10, 20),
            ("S2", "2", "Larkfield U240", 11, breaker),
        ],
        "Runs": [
            ("system_id", "circuit_id", "length_m", "size"),
            ("S1", "1", 20, "10 AWG"),
            ("S2", circuit, length, "10 AWG"),
            ("S2", "2", 25, "10 AWG"),
        ],
    }
    with xlsxwriter.Workbook(str(path)) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                sheet.write_row(at, 0, row)
    return path


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


@pytest.mark.parametrize(
    ("text", "name", "mapping", "still_open"),
    [
        ("S1,2,120/240,,U,12,20,25,10 AWG\n", "other.csv", "", 1),
        ("S8,2,120/240,,U,12,20,25,10 AWG\n", "other.csv", "", 2),
        (MESSY + "S8,2,120/240,,U,12,20,25,10 AWG\n", "a.csv", "", 2),
        (MESSY, "renamed.csv", "[file]\nmissing = ['', 'none']\n", 2),
        ("S7,1,120/240,,U,12,20,25,10 AWG\n" + MESSY, "other.csv", "", 4),
    ],
    ids=["its circuit comes in", "another comes in", "same name and rows", "same bytes", "another file"],
)
def test_what_else_closes_a_reject(
    messy: Store, tmp_path: Path, text: str, name: str, mapping: str, still_open: int
) -> None:
    by = given(tmp_path / "in", mapping, "m.toml") if mapping else None
    (done,) = bring(messy, given(tmp_path / "in", HEADER + text, name), by, older=True)
    if mapping:  # Nothing new came of it, so it was not kept.
        assert done.outcome.accepted == 0
    assert (done.import_id, done.outcome.still_open) == (2, still_open)
    assert len(rejects(messy)) == still_open


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


def test_the_connection_is_usable_after_a_refusal(store: Store, tmp_path: Path) -> None:
    path = given(tmp_path / "in", HEADER + CLEAN)

    def counted(con: Connection) -> int:
        return int(con.execute("SELECT count(*) FROM circuit").fetchall()[0][0])

    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        later = given(tmp_path / "in", HEADER + CLEAN.replace(",16,", ",15,"), "b.csv")
        import_file(con, store, later, imported_on="2026-01-31")
        with pytest.raises(AuditorError, match="--older"):
            import_file(con, store, path, imported_on="2026-01-31")
        assert counted(con) == 4
        assert import_file(con, store, path, imported_on="2026-01-31", older=True).import_id == 3


@pytest.mark.parametrize("lost", ["column", "header"])
def test_marks_that_are_gone_are_missed_by_name(messy: Store, tmp_path: Path, lost: str) -> None:
    def mend(sheets: Sheets) -> None:
        mend_messy(sheets)
        if lost == "column":
            sheets["1 a"] = [row[:2] + row[3:] for row in sheets["1 a"]]
        else:
            sheets["1 a"][0][2] = "origin (auditor)"

    path = mended(messy, tmp_path, mend)
    with pytest.raises(
        AuditorError, match=r"sheet '1 a': holds rows to mend, and its hidden column C.*is gone"
    ) as told:
        mended_imports(path)
    assert "auditor export rejects -o FILE.xlsx" in str(told.value)
    assert len(rejects(messy)) == 2

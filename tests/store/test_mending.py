"""Rows mended in the exported workbook: they come in as a clean file would have given them, and their rejects close."""

from __future__ import annotations

from pathlib import Path

import pytest
from mending_cases import (
    CLEAN,
    HEADER,
    bring,
    clean_content,
    content,
    given,
    mend_messy,
    mended,
    rejects,
    set_cells,
)
from sheets_read_back import Sheets

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.mending import mended_imports
from auditor.store.records_db import Connection, open_records


def test_a_messy_file_mended_is_a_clean_file(messy: Store, tmp_path: Path) -> None:
    assert rejects(messy) == [(1, None, 3, "S1", "2", None), (1, None, 5, "S3", "1", None)]
    (done,) = bring(messy, mended(messy, tmp_path, mend_messy))
    outcome = done.outcome
    assert (outcome.rows_in, outcome.accepted, outcome.rejected, outcome.duplicate) == (2, 2, 0, 0)
    assert (outcome.closed, outcome.still_open) == (2, 0)
    assert done.reading.unmapped == ()
    assert rejects(messy, "true") == [(1, None, 3, "S1", "2", 2), (1, None, 5, "S3", "1", 2)]
    assert content(messy) == clean_content(tmp_path / "clean", (given(tmp_path / "in", HEADER + CLEAN, "c.csv"), None))


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

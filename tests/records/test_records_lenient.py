"""Columns whose unreadable cells count as missing, where the mapping says so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest
from records_files import GOOD, HEADER, balanced, csv_text, mapping_of, read_json, read_text, told
from workbook_files import read_book, write_book

from auditor.errors import AuditorError
from auditor.records import Reading
from auditor.records.frames import REJECT_SCHEMA, WARNING_SCHEMA
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

LENIENT = """
[columns]
home_run_length_m = { column = "home_run_length_m", on_error = "missing" }
home_run_size = { column = "home_run_size", on_error = "missing" }
"""


def warned(reading: Reading) -> list[tuple[Any, ...]]:
    """Return the warnings as (row, column, raw, code)."""
    return reading.warnings.select("row_number", "column", "raw", "code").rows()


def bad(**cells: str) -> tuple[str, ...]:
    """Return the good row with these cells."""
    return tuple((dict(zip(HEADER, GOOD, strict=True)) | cells).values())


def test_an_unreadable_cell_is_missing_with_a_warning(tmp_path: Path) -> None:
    rows = [GOOD, bad(circuit_id="2", home_run_length_m="far"), bad(circuit_id="3", home_run_size="10/2")]
    reading = read_text(tmp_path, csv_text(rows), mapping_of(tmp_path, LENIENT))
    assert (reading.accepted, reading.rejected) == (3, 0)
    assert reading.tables.run.select("length_m", "size").rows() == [(23.0, "10 AWG"), (None, "10 AWG"), (23.0, None)]
    assert warned(reading) == [
        (3, "home_run_length_m", "far", "type-error"),
        (4, "home_run_size", "10/2", "cable-not-size"),
    ]
    assert balanced(reading)
    strict = read_text(tmp_path, csv_text(rows))
    assert (strict.accepted, strict.rejected, strict.warnings.height) == (1, 2, 0)
    # What is told is the same, but for what becomes of it.
    assert strict.rejects.equals(reading.warnings.select(strict.rejects.columns))
    assert reading.warnings.select("system_id", "circuit_id").rows() == [("S1", "2"), ("S1", "3")]


def test_bounds_are_lenient_too_and_other_columns_are_not(tmp_path: Path) -> None:
    rows = [bad(home_run_length_m="9999"), bad(circuit_id="2", home_run_length_m="far", inverter_count="many")]
    reading = read_text(tmp_path, csv_text(rows), mapping_of(tmp_path, LENIENT))
    assert warned(reading) == [(2, "home_run_length_m", "9999", "constraint-error")]
    # A row that is refused anyway has nothing that counts as missing.
    assert told(reading) == [(3, "inverter_count", "type-error")]


def test_a_cell_of_a_workbook_that_is_no_text(tmp_path: Path) -> None:
    def touch(book: Any, sheets: Any) -> None:
        sheets["S"].write_formula("D2", "=1/0", None, "#DIV/0!")

    path = write_book(tmp_path / "x.xlsx", {"S": [HEADER, GOOD]}, touch)
    reading = read_book(path, mapping_of(tmp_path, LENIENT))
    assert (reading.accepted, reading.rejected) == (1, 0)
    assert warned(reading) == [(2, "home_run_length_m", "#DIV/0!", "error-cell")]
    assert reading.warnings["sheet"].to_list() == ["S"]
    assert reading.tables.run["length_m"].to_list() == [None]


def test_nested_records(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[columns]\ntilt_deg = { column = "tilt", on_error = "missing" }')
    systems = [
        {"system_id": "S1", "tilt": "steep", "circuits": [{"circuit_id": "1"}]},
        {"system_id": "S2", "tilt": {"front": 20}, "circuits": [{"circuit_id": "1"}]},
        {"system_id": "S3", "tilt": 20, "circuits": [{"circuit_id": "1"}]},
    ]
    reading = read_json(tmp_path, {"systems": systems}, mapping)
    assert (reading.accepted, reading.rejected) == (3, 0)
    assert reading.tables.system["tilt_deg"].to_list() == [None, None, 20.0]
    assert reading.warnings["system_id"].to_list() == ["S1", "S2"]
    assert sorted(warned(reading)) == [(1, "tilt", "steep", "type-error"), (2, "tilt", '{"front": "20"}', "type-error")]


def test_an_id_with_a_hidden_character_is_missing_and_not_kept(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[columns]\ndistribution_feeder_id = { column = "DF", on_error = "missing" }')
    rows = [(*GOOD, "F\u200b1"), (*bad(system_id="S2"), "F1")]
    reading = read_text(tmp_path, csv_text(rows, (*HEADER, "DF")), mapping)
    assert reading.tables.system["distribution_feeder_id"].to_list() == [None, "F1"]
    assert len(warned(reading)) == 1


@pytest.mark.parametrize("column", ["system_id", "circuit_id", "combiner_id"])
def test_key_columns_are_never_lenient(tmp_path: Path, column: str) -> None:
    with pytest.raises(AuditorError, match=rf"(?s)columns\.{column}.*on_error"):
        mapping_of(tmp_path, f'[columns]\n{column} = {{ column = "X", on_error = "missing" }}')


def test_warnings_are_kept_with_their_import(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    store.create()
    (tmp_path / "a.csv").write_text(csv_text([bad(home_run_length_m="far")]), encoding="utf-8")
    (tmp_path / "m.toml").write_text(LENIENT, encoding="utf-8")
    with store.locked("test"), open_records(store) as con:
        import_file(con, store, tmp_path / "a.csv", tmp_path / "m.toml", imported_on="2026-01-31")
        query = 'SELECT import_id, "row", "column", raw, code, sentence, system_id, circuit_id'
        (kept,) = con.execute(f"{query} FROM import_warning").fetchall()
        assert kept[:5] == (1, 2, "home_run_length_m", "far", "type-error")
        assert "'far'" in kept[5]
        assert kept[6:] == ("S1", "1")
        assert con.execute("SELECT count(*) FROM reject").fetchall() == [(0,)]


def test_the_frames_have_their_columns_where_nothing_is_told(tmp_path: Path) -> None:
    reading = read_text(tmp_path, csv_text([GOOD]))
    assert reading.warnings.height == 0
    assert reading.warnings.schema == pl.Schema(WARNING_SCHEMA)
    assert reading.rejects.schema == pl.Schema(REJECT_SCHEMA)

"""Cells that are refused, and those that only look odd."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from records_files import GOOD, HEADER, balanced, csv_text, mapping_of, read_cells, read_text, told

from auditor.records import read_records
from auditor.records.bindings import Binding
from auditor.records.casting import cast_chunk, cast_frame
from auditor.records.cells import CellRules, read_cell
from auditor.records.fault import Fault
from auditor.records.mapping import identity_mapping
from auditor.records.schema import simple_columns


def test_leading_zeros_of_ids_stay(tmp_path: Path) -> None:
    rows = [(f"{i:05d}", "01", *GOOD[2:]) for i in range(300)]
    reading = read_text(tmp_path, csv_text(rows))
    assert reading.tables.system["system_id"].to_list() == [row[0] for row in rows]
    assert reading.tables.circuit["circuit_id"].unique().to_list() == ["01"]


@pytest.mark.parametrize(
    ("column", "text", "code"),
    [
        ("inverter_count", "n/a", "type-error"),
        ("inverter_count", "16.5", "type-error"),
        ("inverter_count", "0", "constraint-error"),
        ("home_run_length_m", "-3", "constraint-error"),
        ("home_run_length_m", "NaN", "type-error"),
        ("home_run_length_m", "1,250", "ambiguous-number"),
        ("home_run_length_m", "99999 ft", "constraint-error"),
        ("home_run_size", "10/2", "cable-not-size"),
        ("home_run_size", "2026-10-02", "looks-like-date"),
        ("home_run_size", "6", "ambiguous-unit"),
        ("design_date", "10/2/2023", "ambiguous-date"),
        ("design_date", "25/03/2020", "ambiguous-date"),
        ("latitude_deg", "91", "constraint-error"),
        ("power_factor", "inf", "type-error"),
        ("circuit_id", "1\u200b", "type-error"),
        ("system_id", "", "constraint-error"),
        ("feed", "middle", "constraint-error"),
    ],
)
def test_a_bad_cell_is_one_reject_with_its_text(tmp_path: Path, column: str, text: str, code: str) -> None:
    reading = read_cells(tmp_path, **{column: text})
    assert told(reading) == [(2, column, code)]
    assert reading.rejects["raw"].to_list() == [text]
    assert reading.rejects["canonical"].to_list() == [column]
    assert (reading.accepted, reading.rejected) == (0, 1)
    assert reading.tables.system.height == 0


def test_all_faults_of_a_row_are_told_at_once(tmp_path: Path) -> None:
    reading = read_cells(tmp_path, inverter_count="many", home_run_size="10/2", design_date="1/2/2020")
    assert [column for _, column, _ in told(reading)] == ["inverter_count", "home_run_size", "design_date"]
    assert reading.rejected == 1


def test_the_hint_for_a_cell_that_may_mean_missing(tmp_path: Path) -> None:
    assert "list it under missing" in read_cells(tmp_path, inverter_count="n/a").rejects["sentence"][0]


def test_empty_cells_are_missing_and_never_guessed(tmp_path: Path) -> None:
    reading = read_cells(
        tmp_path, inverter_count="", home_run_length_m=" ", home_run_size="", design_date="", designer=""
    )
    assert reading.accepted == 1
    assert reading.tables.circuit["inverter_count"].to_list() == [None]
    assert reading.tables.system.select("design_date", "designer").rows() == [(None, None)]
    assert reading.tables.run.height == 0


def test_text_is_trimmed_and_otherwise_left_alone(tmp_path: Path) -> None:
    reading = read_cells(tmp_path, designer="  n/a ", service="240 1PH", region="=1+1")
    assert reading.tables.system.select("designer", "service", "region").rows() == [("n/a", "240 1PH", "=1+1")]


def test_a_size_that_states_its_material_fills_it_in(tmp_path: Path) -> None:
    reading = read_cells(tmp_path, home_run_size="2/0 AL")
    assert reading.tables.run.select("size", "material").rows() == [("2/0 AWG", "aluminium")]
    assert "home_run_material" in reading.present
    agreed = read_cells(tmp_path, home_run_size="2/0 AL", home_run_material="aluminum")
    assert agreed.tables.run["material"].to_list() == ["aluminium"]


def test_a_size_that_contradicts_the_material_is_one_reject(tmp_path: Path) -> None:
    reading = read_cells(tmp_path, home_run_size="2/0 AL", home_run_material="copper")
    assert told(reading) == [(2, "home_run_size", "constraint-error")]
    assert "aluminium" in reading.rejects["sentence"][0]


def test_spreadsheet_forms_of_figures(tmp_path: Path) -> None:
    reading = read_cells(
        tmp_path, inverter_count="16.0", home_run_length_m="75\u00a0ft", design_date="2020-03-25 00:00:00"
    )
    assert reading.tables.circuit["inverter_count"].to_list() == [16]
    assert reading.tables.run["length_m"].to_list() == pytest.approx([22.86], rel=1e-12)  # 75 * 0.3048
    assert str(reading.tables.system["design_date"][0]) == "2020-03-25"


def test_cast_chunk_takes_a_frame_of_text() -> None:
    frame = pl.DataFrame({"row_number": [2, 3, 4], "system_id": ["S1", "", "S2"], "circuit_id": ["1", "", ""]})
    cast = cast_chunk(frame, identity_mapping())
    assert cast.rows.rows() == [(2, "S1", "1")]
    assert cast.rejects["row_number"].to_list() == [4]
    assert cast.blank == 1


RULES = (
    CellRules(),
    CellRules(unit="ft"),
    CellRules(unit="ft", round_trip=True),
    CellRules(decimal_mark=","),
    CellRules(decimal_mark="."),
    CellRules(missing=frozenset({"", "n/a", "0"}), values={"7": "8"}),
)
FIGURES = st.one_of(
    st.text(alphabet="0123456789.,+-eE '\"ftm", max_size=8),
    st.floats(-10, 10_000).map(repr),
    st.integers(-5, 10**20).map(str),
    st.sampled_from(["n/a", "N/A", "inf", "nan", "1e400", "16.0", "7", "0", "1,250", "1.250", "75 ft", "٣", "1_0"]),
)


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["inverter_count", "home_run_length_m", "latitude_deg", "breaker_a", "transformer_kva"]),
    st.sampled_from(RULES),
    st.lists(FIGURES, min_size=1, max_size=20),
)
def test_the_fast_way_agrees_with_the_grammar(name: str, rules: CellRules, texts: list[str]) -> None:
    column = simple_columns()[name]
    if rules.unit is not None and column.kind != "length":
        return
    frame = pl.DataFrame({"row_number": range(len(texts)), "x": texts})
    cast = cast_frame(frame, [Binding(name, column, "x", rules)], ())
    values = dict(cast.rows.select("row_number", name).rows())
    for row, text in enumerate(texts):
        expected = read_cell(text, column, rules)
        if isinstance(expected, Fault):
            assert row not in values
        else:
            assert values[row] == expected
            assert type(values[row]) is type(expected)


CELL = st.one_of(
    st.sampled_from(
        ["", "16", "23 m", "75 ft", "10 AWG", "10/2", "n/a", "2020-03-25", "1/2/2020", 'a"b', "x,y", "two\nlines"]
    ),
    st.text(alphabet="ab 1,\n\"'é", max_size=4),
)
ROW = st.one_of(
    st.tuples(st.sampled_from(["S1", "S2", ""]), st.sampled_from(["1", "2", ""]), *[CELL] * (len(HEADER) - 2)),
    st.lists(CELL, max_size=len(HEADER) + 2).map(tuple),
)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(ROW, max_size=12))
def test_rows_in_are_all_accounted_for(tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, ...]]) -> None:
    reading = read_text(tmp_path_factory.mktemp("r"), csv_text(rows))
    assert balanced(reading)
    assert reading.rows_in == sum(any(cell.strip() for cell in row) for row in rows)
    assert reading.tables.circuit.height == reading.accepted
    told_rows = set(reading.rejects["row_number"])
    assert len(told_rows) == reading.rejected
    assert not told_rows & set(reading.tables.circuit["source_row"])


@settings(max_examples=15, deadline=None)
@given(lengths=st.lists(st.floats(0.1, 3_000).map(lambda x: round(x, 3)), min_size=1, max_size=8))
def test_feet_and_metres_give_the_same_tables(tmp_path_factory: pytest.TempPathFactory, lengths: list[float]) -> None:
    folder = tmp_path_factory.mktemp("r")
    header = ("system_id", "circuit_id", "home_run_length_m")
    in_feet = [(f"S{i}", "1", f"{length} ft") for i, length in enumerate(lengths)]
    bare = [(f"S{i}", "1", f"{length}") for i, length in enumerate(lengths)]
    mapping = mapping_of(folder, '[columns]\nhome_run_length_m = { column = "home_run_length_m", unit = "ft" }')
    first = read_text(folder, csv_text(in_feet, header)).tables.run
    second = read_text(folder, csv_text(bare, header), mapping).tables.run
    assert first.equals(second)
    assert first["length_m"].to_list() == pytest.approx([length * 0.3048 for length in lengths], rel=1e-12)


def test_the_guard_of_our_own_exports_is_taken_off_again(tmp_path: Path) -> None:
    path = tmp_path / "guarded.csv"
    path.write_text("system_id,circuit_id,site_label\n'=1+1,1,'@home\nS2,1,'tis\nS3,1,'\n", "utf-8")
    systems = read_records(path).tables.system.sort("source_row")
    assert systems["system_id"].to_list() == ["=1+1", "S2", "S3"]
    assert systems["site_label"].to_list() == ["@home", "'tis", "'"]

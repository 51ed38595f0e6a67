"""Workbooks as people keep them: which sheet, where the header is, what cells hold, and what is refused."""

from __future__ import annotations

import datetime
import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from records_files import HEADER, balanced, csv_text, mapping_of, read_text
from workbook_files import inline, raw_book, read_book, text_rows, told_on, write_book

from auditor.errors import AuditorError
from auditor.records import read_records
from auditor.records.bindings import plan_columns
from auditor.records.mapping import Mapping
from auditor.records.sheet_table import choose_sheet, open_sheet
from auditor.records.workbook import open_workbook

KEYS = ("system_id", "circuit_id")
SMALL = [("system_id", "circuit_id", "designer"), ("S1", "1", "Rowan"), ("S2", "1", "Alder")]


def read_cell_of(folder: Path, header: str, cell: str, **parts: str) -> Any:
    """Read one row with this cell as XML in column C."""
    head = text_rows([(*KEYS, header)])
    row = f'<row r="2">{inline("A2", "S1")}{inline("B2", "1")}{cell}</row>'
    return read_book(raw_book(folder / "x.xlsx", f"<sheetData>{head}{row}</sheetData>", **parts))


def test_a_sheet_gives_the_tables_of_the_same_csv(tmp_path: Path) -> None:
    rows = [("S1", "1", 16, 23.5, "10 AWG", "2020-03-25", "Rowan"), ("S1", "2", 15, "75 ft", "", "", "Rowan")]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"Wiring": [HEADER, *rows]}))
    same = read_text(tmp_path, csv_text([tuple(map(str, row)) for row in rows]))
    for name in ("system", "circuit", "run"):
        assert_frame_equal(getattr(reading.tables, name), getattr(same.tables, name))
    assert (reading.rows_in, reading.accepted, reading.notes) == (2, 2, ())
    assert reading.present == same.present


def test_text_stays_text(tmp_path: Path) -> None:
    header = (*KEYS, "designer", "region", "home_run_size")
    rows = [("00123", "NA", "n/a", "=1+1", "10/2"), ("1E5", "TRUE", "null", "2-1", "8 AWG")]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": [header, *rows]}))
    assert told_on(reading) == [("A", 2, "home_run_size", "cable-not-size")]
    assert reading.rejects["raw"].to_list() == ["10/2"]
    assert reading.tables.circuit.select(KEYS).rows() == [("1E5", "TRUE")]
    assert reading.tables.system.select("designer", "region").rows() == [("null", "2-1")]


def test_numbers_dates_and_what_their_formats_say(tmp_path: Path) -> None:
    header = (*KEYS, "design_date", "energized_date", "transformer_r_pct", "home_run_length_m", "tilt_deg", "region")

    def touch(book: Any, sheets: dict[str, Any]) -> None:
        sheet = sheets["A"]
        formats = [book.add_format({"num_format": code}) for code in ("00000", "d-mmm-yy", "0.0%", '0 "ft"')]
        sheet.write_number(1, 0, 123, formats[0])
        sheet.write_number(1, 1, 7)
        sheet.write_datetime(1, 2, datetime.datetime(2020, 3, 25), formats[1])
        sheet.write_datetime(1, 3, datetime.datetime(2021, 1, 2, 13, 30), formats[1])
        sheet.write_number(1, 4, 0.014, formats[2])
        sheet.write_number(1, 5, 75, formats[3])
        sheet.write_number(1, 6, 0.1 + 0.2)
        sheet.write_boolean(1, 7, True)

    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": [header]}, touch))
    system = reading.tables.system.row(0, named=True)
    assert reading.tables.circuit.select(KEYS).rows() == [("00123", "7")]
    assert (str(system["design_date"]), str(system["energized_date"])) == ("2020-03-25", "2021-01-02")
    assert system["transformer_r_pct"] == pytest.approx(1.4, rel=1e-12)
    assert system["tilt_deg"] == 0.3
    assert system["region"] == "TRUE"
    assert reading.tables.run["length_m"].to_list() == pytest.approx([22.86], rel=1e-12)  # 75 * 0.3048


def test_a_date_counts_as_one_only_where_the_cell_says_so(tmp_path: Path) -> None:
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": [(*KEYS, "design_date"), ("S1", "1", 43915)]}))
    assert told_on(reading) == [("A", 2, "design_date", "type-error")]
    assert "serial" in reading.rejects["sentence"][0]


def test_days_from_1904(tmp_path: Path) -> None:
    rows = [(*KEYS, "design_date"), ("S1", "1", datetime.date(2020, 3, 25))]
    path = write_book(tmp_path / "x.xlsx", {"A": rows}, date_1904=True, default_date_format="yyyy-mm-dd")
    assert str(read_book(path).tables.system["design_date"][0]) == "2020-03-25"


@pytest.mark.parametrize("cell", [45_967, datetime.date(2026, 10, 2)])
def test_a_size_that_became_a_date(tmp_path: Path, cell: Any) -> None:
    rows = [(*KEYS, "home_run_size"), ("S1", "1", cell)]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}, default_date_format="d-mmm"))
    assert told_on(reading) == [("A", 2, "home_run_size", "looks-like-date")]


def test_a_decimal_comma_concerns_text_and_not_stored_numbers(tmp_path: Path) -> None:
    rows = [(*KEYS, "home_run_length_m"), ("S1", "1", 12.5), ("S2", "1", "12,5")]
    mapping = mapping_of(tmp_path, '[file]\ndecimal_mark = ","')
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}), mapping)
    assert reading.tables.run["length_m"].to_list() == [12.5, 12.5]


@pytest.mark.parametrize(
    ("cell", "code", "raw"),
    [
        ('<c r="C2"><f>A2*2</f></c>', "formula-without-value", "=A2*2"),
        ('<c r="C2"><f>A2*2</f><v></v></c>', "formula-without-value", "=A2*2"),
        ('<c r="C2"><f t="shared" si="0"/></c>', "formula-without-value", "="),
        ('<c r="C2" t="e"><v>#N/A</v></c>', "error-cell", "#N/A"),
        ('<c r="C2" t="e"><f>1/0</f><v>#DIV/0!</v></c>', "error-cell", "#DIV/0!"),
        ('<c r="C2"><v>12345678901234567890</v></c>', "type-error", "1.23456789012346e+19"),
    ],
)
def test_cells_that_are_no_text_even_in_a_text_column(tmp_path: Path, cell: str, code: str, raw: str) -> None:
    reading = read_cell_of(tmp_path, "designer", cell)
    assert told_on(reading) == [("S", 2, "designer", code)]
    assert reading.rejects["raw"].to_list() == [raw]
    assert reading.rejects["canonical"].to_list() == ["designer"]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (1, 0, 1)


def test_a_faulty_cell_in_a_column_that_feeds_nothing_is_nobodys_trouble(tmp_path: Path) -> None:
    reading = read_cell_of(tmp_path, "Notes", '<c r="C2" t="e"><v>#REF!</v></c>')
    assert (reading.accepted, reading.unmapped) == (1, ("Notes",))


def test_a_faulty_key_is_one_reject(tmp_path: Path) -> None:
    head = text_rows([(*KEYS, "inverter_count")])
    row = f'<row r="2"><c r="A2" t="e"><v>#REF!</v></c>{inline("B2", "1")}{inline("C2", "many")}</row>'
    reading = read_book(raw_book(tmp_path / "x.xlsx", f"<sheetData>{head}{row}</sheetData>"))
    assert told_on(reading) == [("S", 2, "inverter_count", "type-error"), ("S", 2, "system_id", "error-cell")]
    assert reading.rejected == 1


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ('<c r="C2"><f>8*2</f><v>16</v></c>', "16"),
        ('<c r="C2" t="str"><f>A2</f><v>ab_x000A_c_x005F_</v></c>', "ab\nc_"),
        ('<c r="C2" t="str"><f>""</f><v></v></c>', None),
        ('<c r="C2" t="inlineStr"><is><r><t>Ro</t></r><r><t xml:space="preserve">wan </t></r></is></c>', "Rowan"),
        ('<c r="C2" t="inlineStr"><is><t>a</t><rPh sb="0" eb="1"><t>b</t></rPh></is></c>', "a"),
        ('<c r="C2" t="s"><v>1</v></c>', "second & last"),
        ('<c r="C2" t="d"><v>2020-03-25T00:00:00</v></c>', "2020-03-25T00:00:00"),
        ("<c t='b'><v>0</v></c>", "FALSE"),
        ('<c r="C2" s="7"/>', None),
    ],
)
def test_the_forms_of_a_cell(tmp_path: Path, cell: str, value: str | None) -> None:
    strings = "<si><t>first</t></si><si><r><t>second</t></r><r><t> &amp; last</t></r><rPh><t>no</t></rPh></si>"
    reading = read_cell_of(tmp_path, "designer", cell, strings=strings)
    assert reading.tables.system["designer"].to_list() == [value]


def test_a_zero_that_was_never_computed(tmp_path: Path) -> None:
    # xlsxwriter stores 0 for a formula and asks for the workbook to be computed when it is opened.
    def touch(_: Any, sheets: dict[str, Any]) -> None:
        sheets["A"].write_formula(1, 2, "=8*2")
        sheets["A"].write_formula(2, 2, "=8*2", None, 16)

    rows = [(*KEYS, "inverter_count"), ("S1", "1"), ("S2", "1")]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}, touch))
    assert told_on(reading) == [("A", 2, "inverter_count", "formula-without-value")]
    assert reading.tables.circuit["inverter_count"].to_list() == [16]
    computed = read_cell_of(tmp_path, "tilt_deg", '<c r="C2"><f>1-1</f><v>0</v></c>')
    assert computed.tables.system["tilt_deg"].to_list() == [0.0]


def test_row_numbers_are_the_sheets_own(tmp_path: Path) -> None:
    rows = [("Export of May",), (), (*KEYS, "designer"), ("S1", "1", "a"), (), (None, None, " "), ("S2", None, "b")]
    mapping = mapping_of(tmp_path, "[file]\nheader_row = 3")
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}), mapping)
    assert reading.tables.circuit["source_row"].to_list() == [4]
    assert told_on(reading) == [("A", 7, "circuit_id", "constraint-error")]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (2, 1, 1)


def test_a_header_that_is_not_in_row_1_is_pointed_to(tmp_path: Path) -> None:
    rows = [("Export of May",), (), ("Circuit\nid", *KEYS), ("x", "S1", "1")]
    path = write_book(tmp_path / "x.xlsx", {"A": rows})
    with pytest.raises(AuditorError, match=r"sheet 'A': row 1 is not the header; row 3 holds .* header_row = 3"):
        read_book(path)
    mapping = mapping_of(tmp_path, '[file]\nheader_row = 3\n[columns]\ndesigner = "Circuit id"')
    assert read_book(path, mapping).tables.system["designer"].to_list() == ["x"]
    foreign = mapping_of(tmp_path, '[columns]\nsystem_id = "Job"\ncircuit_id = "Ckt"')
    other = write_book(tmp_path / "y.xlsx", {"A": [("T",), ("Job", "Ckt"), ("S1", "1")]})
    with pytest.raises(AuditorError, match="row 2 holds Ckt and Job"):
        read_book(other, foreign)
    with pytest.raises(AuditorError, match="no column gives system_id or circuit_id"):
        read_book(other)


def test_one_sheet_with_data_is_the_one(tmp_path: Path) -> None:
    reading = read_book(write_book(tmp_path / "x.xlsx", {"Cover": [], "Wiring": SMALL, "Empty": []}))
    assert reading.accepted == 2
    with pytest.raises(AuditorError, match="no sheet holds anything"):
        read_book(write_book(tmp_path / "y.xlsx", {"Cover": []}))


def test_several_sheets_are_listed_with_their_headers(tmp_path: Path) -> None:
    path = write_book(tmp_path / "x.xlsx", {"Wiring": SMALL, "Lists": [("Crews",), ("Heron",)]})
    with pytest.raises(AuditorError) as caught:
        read_book(path)
    assert "2 sheets hold something" in str(caught.value)
    assert "'Wiring': row 1: system_id, circuit_id, designer" in str(caught.value)
    assert "'Lists': row 1: Crews" in str(caught.value)
    assert read_book(path, mapping_of(tmp_path, '[file]\nsheet = " Wiring"')).accepted == 2
    with pytest.raises(AuditorError, match="names a sheet 'Wires'; there is none, but 'Wiring', 'Lists'"):
        read_book(path, mapping_of(tmp_path, '[file]\nsheet = "Wires"'))


def test_hidden_rows_and_sheets_are_read_and_said(tmp_path: Path) -> None:
    def touch(_: Any, sheets: dict[str, Any]) -> None:
        sheets["A"].set_row(2, None, None, {"hidden": True})
        sheets["A"].hide()

    reading = read_book(write_book(tmp_path / "x.xlsx", {"B": [], "A": SMALL}, touch))
    assert reading.accepted == 2
    assert reading.notes == (
        "Sheet 'A' is hidden; it was read like any other.",
        "Sheet 'A': 1 hidden row was read like any other (row 3).",
    )


MERGED = [
    ("Title", None, None, None),
    (*KEYS, "designer", "Notes"),
    ("S1", "1", "Rowan", "x"),
    (None, "2", None, None),
    (None, "3", "Alder", None),
    ("S2", "1", "Heron", None),
]


def merged_book(path: Path, *ranges: str) -> Path:
    """Write MERGED with these ranges merged (as XML, for xlsxwriter would overwrite their cells)."""
    cells = "".join(
        f'<row r="{at}">' + "".join(inline(f"{chr(65 + c)}{at}", v) for c, v in enumerate(row) if v) + "</row>"
        for at, row in enumerate(MERGED, 1)
    )
    listed = "".join(f'<mergeCell ref="{one}"/>' for one in ranges)
    return raw_book(path, f"<sheetData>{cells}</sheetData><mergeCells>{listed}</mergeCells>")


def test_merged_cells_refuse_the_sheet_and_are_named(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, "[file]\nheader_row = 2")
    with pytest.raises(AuditorError, match=r"sheet 'S': cells are merged: A3:A5, C3:C4\. .*fill down"):
        read_book(merged_book(tmp_path / "x.xlsx", "A1:D1", "A3:A5", "C3:C4"), mapping)


def test_merged_cells_that_touch_nothing_that_is_read(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, "[file]\nheader_row = 2")
    reading = read_book(merged_book(tmp_path / "x.xlsx", "A1:D1", "D3:D5", "F3:G9"), mapping)
    assert (reading.accepted, reading.rejected) == (2, 2)


def test_merged_cells_are_filled_down_where_the_mapping_says_so(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[file]\nheader_row = 2\nmerged = "fill down"')
    reading = read_book(merged_book(tmp_path / "x.xlsx", "A3:A5", "C3:C4", "B6:B90"), mapping)
    assert reading.tables.circuit.select(KEYS).rows() == [("S1", "1"), ("S1", "2"), ("S1", "3"), ("S2", "1")]
    # Row 5 states Alder, rows 3 and 4 share Rowan; rows 7 to 90 hold nothing of their own and are none.
    told = reading.tables.conflicts.select("values", "rows", "sheets").rows()
    assert told == [(["Rowan", "Alder"], [3, 5], ["S", "S"])]
    assert (reading.rows_in, reading.accepted) == (4, 4)
    assert reading.notes == ("Sheet 'S': merged cells were filled down: A3:A5, C3:C4, B6:B90.",)
    with pytest.raises(AuditorError, match=r"merged across columns.*: B4:C4\."):
        read_book(merged_book(tmp_path / "x.xlsx", "A3:A5", "B4:C4"), mapping)


def test_a_header_over_two_merged_rows(tmp_path: Path) -> None:
    rows = [("system_id", "Circuit", "designer"), (None, "circuit_id", None), ("S1", "1", "a")]
    cells = "".join(
        f'<row r="{at}">' + "".join(inline(f"{chr(65 + c)}{at}", v) for c, v in enumerate(row) if v) + "</row>"
        for at, row in enumerate(rows, 1)
    )
    merges = '<mergeCells count="2"><mergeCell ref="A1:A2"/><mergeCell ref="C1:C2"/></mergeCells>'
    path = raw_book(tmp_path / "x.xlsx", f"<sheetData>{cells}</sheetData>{merges}")
    reading = read_book(path, mapping_of(tmp_path, '[file]\nheader_row = 2\nmerged = "fill down"'))
    assert reading.tables.system.select("system_id", "designer").rows() == [("S1", "a")]


def test_a_stray_cell_far_below_is_one_row(tmp_path: Path) -> None:
    def touch(_: Any, sheets: dict[str, Any]) -> None:
        sheets["A"].write_string("B1048576", "x")
        sheets["A"].write_string("XFD3", "far right")

    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": SMALL}, touch))
    assert told_on(reading) == [("A", 1_048_576, "system_id", "constraint-error")]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (3, 2, 1)
    assert reading.unmapped == ("(column XFD has no header)",)


def test_cells_beside_the_table_alone_make_a_row_that_is_told(tmp_path: Path) -> None:
    rows = [*SMALL, (None, None, None, None, "see below")]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}))
    assert told_on(reading) == [("A", 4, "system_id", "constraint-error"), ("A", 4, "circuit_id", "constraint-error")]
    assert reading.unmapped == ("(column E has no header)",)


def test_columns_without_a_header_are_told_where_they_hold_something(tmp_path: Path) -> None:
    rows = [(None, "system_id", None, "circuit_id"), (None, "S1", "x", "1")]
    reading = read_book(write_book(tmp_path / "x.xlsx", {"A": rows}))
    assert reading.unmapped == ("(column 3 has no header)",)


def test_rows_and_cells_without_references_count_on(tmp_path: Path) -> None:
    cell = '<c t="inlineStr"><is><t>{}</t></is></c>'
    rows = [KEYS, ("S1", "1"), (), ("S2", "1")]
    data = "".join("<row>" + "".join(cell.format(v) for v in row) + "</row>" for row in rows)
    reading = read_book(raw_book(tmp_path / "x.xlsx", f"<sheetData>{data}</sheetData>"))
    assert reading.tables.circuit["source_row"].to_list() == [2, 4]


def test_names_with_a_prefix(tmp_path: Path) -> None:
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    data = re.sub(r"<(/?)(\w)", r"<\1x:\2", f"<sheetData>{text_rows([KEYS, ('S1', '1')])}<row r='9'/></sheetData>")
    sheet = f'<?xml version="1.0"?><x:worksheet xmlns:x="{main}">{data}</x:worksheet>'
    assert read_book(raw_book(tmp_path / "x.xlsx", sheet)).accepted == 1


def test_small_chunks_give_the_same_rows(tmp_path: Path) -> None:
    rows = [KEYS, *((f"S{i}", "1") for i in range(500))]
    path = write_book(tmp_path / "x.xlsx", {"A": rows})
    with open_workbook(path) as book:
        sheet, survey = choose_sheet(book, None, 1)
        table = open_sheet(book, sheet, survey, Mapping(), plan_columns)
        whole, small = list(table.chunks()), list(table.chunks(most_cells=30))
    assert len(small) > 10
    assert pl.concat(c.frame for c in small).equals(pl.concat(c.frame for c in whole))


def test_two_readers_that_disagree_refuse_the_sheet(tmp_path: Path) -> None:
    # What stands in a comment is text to an XML parser and a row to the one that counts.
    hidden = f"<!-- {text_rows([('S9', '9')], 9)} -->"
    data = text_rows([KEYS, ("S1", "1")])
    with pytest.raises(AuditorError, match="row-count: two readers disagree on the rows, 1 and 2"):
        read_book(raw_book(tmp_path / "x.xlsx", f"<sheetData>{data}{hidden}</sheetData>"))


def test_progress_counts_up_to_the_rows_of_the_sheet(tmp_path: Path) -> None:
    seen: list[tuple[int, int | None]] = []
    path = write_book(tmp_path / "x.xlsx", {"A": [*SMALL, (), ("S3", None)]})
    read_records(path, None, lambda done, total: seen.append((done, total)))
    assert seen[-1] == (3, 3)


CELL = st.one_of(
    st.sampled_from(["", "16", "75 ft", "10 AWG", "10/2", "n/a", "2020-03-25", " ", "x"]),
    st.integers(0, 60_000),
    st.floats(0.5, 400).map(lambda x: round(x, 2)),
)
ROW = st.tuples(st.sampled_from(["S1", "S2", ""]), st.sampled_from(["1", "2", ""]), *[CELL] * (len(HEADER) - 2))


@settings(max_examples=40, deadline=None)
@given(rows=st.lists(ROW, max_size=8))
def test_any_sheet_is_read_as_the_same_csv_and_accounts_for_every_row(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[Any, ...]]
) -> None:
    folder = tmp_path_factory.mktemp("r")
    reading = read_book(write_book(folder / "x.xlsx", {"A": [HEADER, *rows]}))
    same = read_text(
        folder, csv_text([tuple(f"{c:.15g}" if isinstance(c, float) else str(c) for c in row) for row in rows])
    )
    assert balanced(reading)
    assert reading.rejects.drop("sheet").equals(same.rejects.drop("sheet"))
    assert reading.rows_in == sum(any(str(cell).strip() for cell in row) for row in rows)
    for name in ("system", "circuit", "run"):
        assert_frame_equal(getattr(reading.tables, name), getattr(same.tables, name))

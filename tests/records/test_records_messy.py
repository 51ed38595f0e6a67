"""Files as people keep them: every row of the catalogue of messy data that concerns import, and what covers it.

| row | what is messy | covered by |
|---|---|---|
| 1 | one-way against there-and-back lengths | here; `test_records_metamorphic`; told by the rise: `tests/suspicion` |
| 2 | feet against metres, units in headers and cells | here; `test_records_grammar`; a file's: `tests/suspicion` |
| 3 | gauges in every spelling | here; `test_records_grammar` |
| 4 | `10/2` made into a date | here; `test_records_workbook.test_a_size_that_became_a_date` |
| 5 | whose resistance table | not of import: the catalog names table and temperature |
| 6 | ids with leading zeros | here, with the first zero on row 30,001; `test_records_casting` |
| 7 | dates of which nobody says which figure is the day | here; `test_records_grammar` |
| 8 | missing lengths | here; what the audit makes of them: `tests/checks` |
| 9 | a stale count, a model under another name | here; a later file's revision: `tests/store` |
| 10 | one project under several ids | here that they stay two; candidates: the tests of duplicates |
| 11 | quotes that do not close, ragged rows | here; `test_records_csv` |
| 12 | merged cells, a header further down, a stray cell, NFC and NFD | `test_records_workbook`, `test_records_csv` |
| 13 to 15 | event dates, vocabularies, an event for each unit | not of project records |

Beside the catalogue: totals at the foot of a table, and rows that contradict each other (`test_records_split`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from records_files import GOOD, HEADER, balanced, csv_text, mapping_of, read_cells, read_text, told
from workbook_files import read_book, told_on, write_book

from auditor.errors import AuditorError


def test_lengths_there_and_back_are_halved_where_the_mapping_says_so(tmp_path: Path) -> None:
    text = csv_text([GOOD, ("S1", "2", "16", "75 ft", *GOOD[4:])])
    both = mapping_of(tmp_path, '[file]\nlengths = "round-trip"')
    assert read_text(tmp_path, text).tables.run["length_m"].to_list() == pytest.approx([23, 22.86], rel=1e-12)
    assert read_text(tmp_path, text, both).tables.run["length_m"].to_list() == pytest.approx([11.5, 11.43], rel=1e-12)


def test_units_in_the_header_and_in_the_cells(tmp_path: Path) -> None:
    mapping = mapping_of(tmp_path, '[columns]\nhome_run_length_m = { column = "HR (ft)", unit = "ft" }')
    header = tuple("HR (ft)" if name == "home_run_length_m" else name for name in HEADER)
    # 1 ft is 0.3048 m exactly (international foot); the unit in a cell governs over the header's.
    cells = {"75": 22.86, "75'": 22.86, "75 ft": 22.86, "23 m": 23.0, "900 in": 22.86, "75' 6\"": 23.0124}
    rows = [("S1", str(i), "16", cell, *GOOD[4:]) for i, cell in enumerate(cells)]
    reading = read_text(tmp_path, csv_text(rows, header), mapping)
    assert reading.tables.run["length_m"].to_list() == pytest.approx(list(cells.values()), rel=1e-12)


def test_gauges_in_every_spelling(tmp_path: Path) -> None:
    # 0000 is 4/0 (ASTM B258); a cable's 10-2 and 10/2 say gauge and conductors, and are no size.
    cells = {
        "4/0": "4/0 AWG", "0000": "4/0 AWG", "#10": "10 AWG", "10 AWG": "10 AWG", "AWG 10": "10 AWG",
        "250 kcmil": "250 kcmil", "250 MCM": "250 kcmil", "2/0 AL": "2/0 AWG", "1/0": "1/0 AWG", "6 mm2": "6 mm2",
    }  # fmt: skip
    rows = [("S1", str(i), "16", "23", cell, *GOOD[5:]) for i, cell in enumerate(cells)]
    cables = [("S2", str(i), "16", "23", cell, *GOOD[5:]) for i, cell in enumerate(("10-2", "10/2", "10/2 NM-B"))]
    reading = read_text(tmp_path, csv_text(rows + cables))
    assert reading.tables.run["size"].to_list() == list(cells.values())
    assert reading.tables.run["material"].to_list() == [None] * 7 + ["aluminium", None, None]
    assert [code for *_, code in told(reading)] == ["cable-not-size"] * 3


@pytest.mark.parametrize("cell", ["2-Oct", "Oct-02", "2023-10-02", "10/2/2023"])
def test_a_size_made_into_a_date(tmp_path: Path, cell: str) -> None:
    reading = read_cells(tmp_path, home_run_size=cell)
    assert told(reading) == [(2, "home_run_size", "looks-like-date")]
    assert "10/2" in reading.rejects["sentence"][0]


def test_the_first_leading_zero_on_row_30001(tmp_path: Path) -> None:
    rows = [(str(i), "1", *GOOD[2:]) for i in range(30_000)] + [("00123", "1", *GOOD[2:])]
    reading = read_text(tmp_path, csv_text(rows))
    ids = set(reading.tables.system["system_id"])
    assert {"123", "00123"} <= ids
    assert len(ids) == reading.accepted == 30_001


def test_dates_of_which_nobody_says_which_figure_is_the_day(tmp_path: Path) -> None:
    dates = ["10/2/2023", "3/10/2023", "12/3/2023"]
    text = csv_text([("S" + d[:2].strip("/"), "1", *GOOD[2:5], d, GOOD[6]) for d in dates])
    reading = read_text(tmp_path, text)
    assert [code for *_, code in told(reading)] == ["ambiguous-date"] * 3

    def read_as(order: str) -> list[Any]:
        mapping = mapping_of(tmp_path, f'[file]\ndate_order = "{order}"')
        return read_text(tmp_path, text, mapping).tables.system.sort("system_id")["design_date"].cast(str).to_list()

    assert read_as("month-day-year") == ["2023-10-02", "2023-12-03", "2023-03-10"]
    assert read_as("day-month-year") == ["2023-02-10", "2023-03-12", "2023-10-03"]


def test_a_missing_length_stays_missing(tmp_path: Path) -> None:
    reading = read_cells(tmp_path, home_run_length_m="")
    assert reading.tables.run["length_m"].to_list() == [None]
    # Figures that stand for nothing are no lengths either.
    assert told(read_cells(tmp_path, home_run_length_m="-1")) == [(2, "home_run_length_m", "constraint-error")]
    assert told(read_cells(tmp_path, home_run_length_m="TBD")) == [(2, "home_run_length_m", "type-error")]


def test_a_stale_count_and_a_model_under_another_name(tmp_path: Path) -> None:
    mapping = mapping_of(
        tmp_path, '[columns]\ninverter_model = { column = "Inv", values = { "LF-290" = "Larkfield U290" } }'
    )
    rows = [(*GOOD, "LF-290"), ("S1", "1", "14", *GOOD[3:], "Larkfield U290")]
    reading = read_text(tmp_path, csv_text(rows, (*HEADER, "Inv")), mapping)
    assert reading.tables.circuit.select("inverter_model", "inverter_count").rows() == [("Larkfield U290", None)]
    assert reading.tables.conflicts.select("circuit_id", "column", "values", "rows").rows() == [
        ("1", "inverter_count", ["16", "14"], [2, 3])
    ]


def test_one_project_under_two_ids_stays_two_systems(tmp_path: Path) -> None:
    reading = read_text(tmp_path, csv_text([GOOD, ("S1-R1", *GOOD[1:]), ("s1", *GOOD[1:])]))
    assert reading.tables.system["system_id"].to_list() == ["S1", "S1-R1", "s1"]
    assert reading.duplicate == 0


@pytest.mark.parametrize(
    ("opens", "closes", "code"),
    [
        ("S9,", None, None),  # never closed: the file is refused
        ("S9,", ",Rowan", "missing-cell"),  # from the first cell to the end of the last
        ("Rowan", ",Rowan", "open-quote"),  # within the last column: as many cells as any row
        ("16,", ",16", "open-quote"),  # within the third
    ],
)
def test_a_quote_that_swallows_rows(tmp_path: Path, opens: str, closes: str | None, code: str | None) -> None:
    lines = csv_text([(f"S{i}", *GOOD[1:]) for i in range(100)]).splitlines()
    lines[10] = lines[10].replace(opens, '"' + opens)
    if closes is None:
        with pytest.raises(AuditorError, match="line 11"):
            read_text(tmp_path, "\n".join(lines))
        return
    lines[79] = lines[79].replace(closes, closes + '"')
    reading = read_text(tmp_path, "\n".join(lines))
    assert (reading.rows_in, reading.accepted) == (31, 30)
    assert [(row, told_code) for row, _, told_code in told(reading)] == [(11, code)]
    assert "70 lines" in reading.rejects["sentence"][0]
    assert balanced(reading)


def test_a_note_of_several_lines_is_a_note(tmp_path: Path) -> None:
    notes = ["checked, twice\nand again", "a\nb\nc", "one, two, three,\nfour, five, six"]
    rows = [(f"S{i}", *GOOD[1:6], note) for i, note in enumerate(notes)]
    reading = read_text(tmp_path, csv_text(rows))
    assert reading.tables.system["designer"].to_list() == notes


def test_ragged_rows_are_refused_one_by_one(tmp_path: Path) -> None:
    text = csv_text([GOOD, GOOD[:4], (*GOOD, "", ""), ("S2", *GOOD[1:])])
    reading = read_text(tmp_path, text)
    assert [(row, code) for row, _, code in told(reading)] == [(3, "missing-cell"), (4, "extra-cell")]
    assert balanced(reading)


@pytest.mark.parametrize(
    "row",
    [
        ("Total", "", "160", "1200", "", "", ""),
        ("TOTAL", "1", "160", "", "", "", ""),
        ("Grand total:", "", "160", "", "", "", ""),
        ("Sub-total", "", "160", "", "", "", ""),
        ("Total: 10", "", "160", "", "", "", ""),
        ("Total systems (10)", "", "160", "", "", "", ""),
        ("Sum of circuits", "", "", "1200 m", "", "", ""),
        ("Average", "", "16.0", "", "", "", ""),
        ("S1", "Total", "160", "", "", "", ""),
        ("S1 Total", "", "160", "", "", "", ""),
        ("Subtotal S1", "", "160", "", "", "", ""),
        ("Count: 2", "", "", "", "", "", ""),
        ("", "", "160", "1,200.5 m", "", "", ""),
        ("", "", "160", "", "", "", "Total"),
    ],
)
def test_a_row_that_sums_up_is_no_system(tmp_path: Path, row: tuple[str, ...]) -> None:
    reading = read_text(tmp_path, csv_text([GOOD, row, ("S2", *GOOD[1:])]))
    assert reading.tables.system["system_id"].to_list() == ["S1", "S2"]
    assert reading.tables.circuit.height == 2
    ((number, _, code),) = told(reading)
    assert (number, code) == (3, "totals-row")
    assert "sums up other rows" in reading.rejects["sentence"][0]
    # Nobody's row holds no place for a circuit.
    assert reading.refused is not None and reading.refused.height == 0
    assert balanced(reading)


@pytest.mark.parametrize(
    "name", ["Totally Solar 1", "SUM-001", "Sumner 4", "TOTAL-7", "Subtotal Farms", "Meander", "Total7"]
)
def test_ids_that_only_look_like_a_total(tmp_path: Path, name: str) -> None:
    assert read_text(tmp_path, csv_text([(name, *GOOD[1:])])).tables.system["system_id"].to_list() == [name]


def test_rows_without_ids_that_say_something_are_refused_as_before(tmp_path: Path) -> None:
    row = ("", "", "16", "23", "", "", "Rowan")
    assert told(read_text(tmp_path, csv_text([GOOD, row]))) == [
        (3, "system_id", "constraint-error"),
        (3, "circuit_id", "constraint-error"),
    ]


def test_totals_on_sheets_that_belong_together(tmp_path: Path) -> None:
    mapping = '[sheets.systems]\nsheet = "A"\n[sheets.circuits]\nsheet = "B"\n[sheets.runs]\nsheet = "C"'
    sheets = {
        "A": [("system_id", "busbar_a"), ("S1", 200), ("Total", 200)],
        "B": [("system_id", "circuit_id", "inverter_count"), ("S1", "1", 16), (None, None, 16)],
        "C": [("system_id", "circuit_id", "role", "length_m"), ("S1", "1", "home run", 20), ("Sum", None, None, 20)],
    }
    reading = read_book(write_book(tmp_path / "x.xlsx", sheets), mapping_of(tmp_path, mapping))
    assert [(sheet, code) for sheet, _, _, code in told_on(reading)] == [(s, "totals-row") for s in "ABC"]
    assert reading.tables.system["system_id"].to_list() == ["S1"]
    assert reading.tables.run["length_m"].to_list() == [20.0]
    assert reading.refused is not None and reading.refused.height == 0
    assert balanced(reading)

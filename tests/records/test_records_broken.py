"""Ragged rows and rows that an open quote swallowed: whose they are, where their ids can be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from auditor.records import Reading, read_records

HEADER = "system_id,circuit_id,utility,inverter_count,breaker_a,home_run_length_m\n"
LABELLED = "site_label,system_id,utility,circuit_id,inverter_count\n"


def read(folder: Path, text: str, header: str = HEADER) -> Reading:
    path = folder / "a.csv"
    path.write_text(header + text, "utf-8")
    reading = read_records(path)
    assert reading.rows_in == reading.accepted + reading.rejected + reading.duplicate
    return reading


def owners(reading: Reading) -> list[tuple[object, ...]]:
    assert reading.refused is not None
    return reading.refused.rows()


@pytest.mark.parametrize(
    ("row", "code", "owner"),
    [
        ("S1,2,Hill, Inc,16,20,20", "extra-cell", [("S1", "2", 3)]),
        ("S1,2,Hill", "missing-cell", [("S1", "2", 3)]),
        ("S9,2", "missing-cell", [("S9", "2", 3)]),
        ('"S1","2","Hill, Inc",16,20', "missing-cell", [("S1", "2", 3)]),
        ("S1", "missing-cell", [("S1", None, 3)]),
        (",2,Hill", "missing-cell", []),
        ("S1\u200b,2,Hill", "missing-cell", []),
        ("S1,,Hill", "missing-cell", [("S1", None, 3)]),
    ],
)
def test_ids_that_stand_before_all_else_are_read(tmp_path: Path, row: str, code: str, owner: list[object]) -> None:
    reading = read(tmp_path, f"S1,1,Hill,16,20,20\n{row}\n")
    assert reading.rejects["code"].to_list() == [code]
    assert owners(reading) == owner


@pytest.mark.parametrize("row", ["Total,,28", "Total", ",,28,", "Sum of circuits,,,,,28,"])
def test_ragged_totals_are_nobodys(tmp_path: Path, row: str) -> None:
    reading = read(tmp_path, f"S1,1,Hill,16,20,20\n{row}\n")
    assert reading.rejects["code"].to_list() == ["totals-row"]
    assert owners(reading) == []


def test_an_id_that_may_be_another_columns_cell_must_be_known(tmp_path: Path) -> None:
    text = (
        "One,S1,Hill,1,16\n"
        "Two,S1,Hill,2\n"  # the system is known; which cell is the circuit's cannot be told
        "Three, North,S1,Hill,3,16\n"  # ' North' stands under system_id
        "Four,S7,Hill,4\n"  # nobody else names S7
    )
    reading = read(tmp_path, text, LABELLED)
    assert reading.rejects["row_number"].to_list() == [3, 4, 5]
    assert owners(reading) == [("S1", None, 3)]


@pytest.mark.parametrize(
    "text",
    [
        'S1,2,"Hill,16,20,20\nS1,3,Hill,16,20,20\nS2,4,Hill",16,20,20\n',
        'S1,2,Hill,16,"20,20\nS1,3,Hill,16,20,20\nS2,4,Hill,16,20",20\n',
        'S1,"2,Hill,16,20,20\nS1,3,Hill,16,20,20\nS2,4",Hill,16,20,20\n',
        'S1,2,Hill,16,20,"20\nS1,3,Hill,16,20,20\nS2,4,Hill,16,20,20"\n',
    ],
)
def test_rows_that_an_open_quote_swallowed_hold_their_places(tmp_path: Path, text: str) -> None:
    """The quote opens in one column of the first row and closes in the same one of the last."""
    reading = read(tmp_path, f"S1,1,Hill,16,20,20\n{text}S1,5,Hill,16,20,20\n")
    assert reading.rejects["code"].to_list() == ["open-quote"]
    assert owners(reading) == [("S1", "2", 3), ("S1", "3", 3), ("S2", "4", 3)]
    assert reading.tables.circuit["circuit_id"].to_list() == ["1", "5"]

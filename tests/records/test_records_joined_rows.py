"""Rows of sheets that belong together and speak of the same thing: repeated, in a stated order, in contradiction."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from joined_sheets import CIRCUITS, JOBS, RUNS, read
from records_files import balanced
from workbook_files import told_on

from auditor.records.frames import SOURCE_ROW


def test_a_run_that_another_sheets_columns_state_already(tmp_path: Path) -> None:
    circuits = [(*row, None) for row in CIRCUITS]
    circuits = [(*CIRCUITS[0], "home_run_length_m"), ("S1", "1", 16, "", "", 9), *CIRCUITS[2:]]
    jobs = [JOBS[0], (*JOBS[1], "feeder_length_m"), JOBS[2], (*JOBS[3], 9)]
    first = read(tmp_path, circuits=circuits)
    assert [row for row in told_on(first) if row[3] == "primary-key"] == [
        ("Runs", 2, "Kind", "primary-key"),
        ("Runs", 3, "Kind", "primary-key"),
    ]
    assert "row 2 of sheet 'Circuits' states this home run already" in first.rejects["sentence"].to_list()
    assert ("S1", "1") not in first.tables.circuit.select("system_id", "circuit_id").rows()
    # The feeder of combiner C1 is another than the one that the system's column states.
    second = read(tmp_path, jobs=jobs)
    assert [row[1] for row in told_on(second) if row[3] == "primary-key"] == [7]


def test_stated_orders(tmp_path: Path) -> None:
    header = (*RUNS[0], "run_order")
    runs = [
        header,
        ("S1", "1", "HR", 75, "10 AWG", None, 2),
        ("S1", "1", "HR", 20, "8 AWG", None, 1),
        ("S1", "1", "HR", 20, "8 AWG", None, 1),
        ("S1", "2", "HR", 60, "8 AWG", None, 1),
        ("S1", "2", "HR", 61, "8 AWG", None, 1),
    ]
    reading = read(tmp_path, runs=runs)
    # Rows 5 and 6 speak of one run, and disagree on its length.
    assert reading.tables.run.select("circuit_id", "run_order", "length_m", "size", SOURCE_ROW).rows() == [
        ("1", 1, 20 * 0.3048, "8 AWG", 3),
        ("1", 2, 75 * 0.3048, "10 AWG", 2),
        ("2", 1, None, "8 AWG", 5),
    ]
    conflict = reading.tables.conflicts.select("system_id", "circuit_id", "column", "rows").rows()
    assert conflict == [("S1", "2", "home_run_length_m", [5, 6])]
    assert reading.tables.conflicts["sheets"].to_list() == [["Runs", "Runs"]]
    assert reading.duplicate == 1
    assert balanced(reading)


def test_a_place_that_a_stated_order_takes_is_refused(tmp_path: Path) -> None:
    header = (*RUNS[0], "run_order")
    runs = [header, ("S1", "1", "HR", 75, "10 AWG", None, None), ("S1", "1", "HR", 20, "8 AWG", None, 1)]
    reading = read(tmp_path, runs=runs)
    assert ("Runs", 3, "run_order", "primary-key") in told_on(reading)
    assert balanced(reading)


def test_repeated_rows_of_systems_and_circuits(tmp_path: Path) -> None:
    jobs = [*JOBS, JOBS[2], ("S2", "Alder", "1PH", 400)]
    circuits = [*CIRCUITS, CIRCUITS[2], ("S2", "1", 13)]
    reading = read(tmp_path, jobs=jobs, circuits=circuits)
    assert (reading.duplicate, reading.rejected) == (2, 0)
    assert balanced(reading)
    # Two rows of one system disagree: the fact is missing, and both values are told.
    assert reading.tables.system["busbar_a"].to_list() == [200.0, None]
    assert reading.tables.conflicts.select("circuit_id", "column", "values", "rows").rows() == [
        (None, "busbar_a", ["225", "400"], [4, 6]),
        ("1", "inverter_count", ["12", "13"], [4, 6]),
    ]
    assert reading.tables.conflicts["sheets"].to_list() == [["Jobs", "Jobs"], ["Circuits", "Circuits"]]
    assert reading.row_keys is not None
    assert reading.row_keys.filter(system_id="S2", circuit_id="1").height >= 2


def test_a_fact_on_two_sheets_may_conflict(tmp_path: Path) -> None:
    circuits = [(*CIRCUITS[0], "busbar_a"), (*CIRCUITS[1], 225), *CIRCUITS[2:]]
    reading = read(tmp_path, circuits=circuits)
    assert reading.tables.system["busbar_a"].to_list() == [None, 225.0]
    (conflict,) = reading.tables.conflicts.select("column", "values", "rows", "sheets", "files").rows()
    assert conflict == ("busbar_a", ["225", "200"], [2, 3], ["Circuits", "Jobs"], [None, None])
    # The sheet's number stays out of the tables: rows are those of the systems' sheet.
    assert reading.tables.system[SOURCE_ROW].to_list() == [3, 4]


SYSTEM_ROW = st.tuples(
    st.sampled_from(["S1", "S2", "S3", ""]),
    st.sampled_from(["a", "b"]),
    st.just("1PH"),
    st.sampled_from([100, "x", ""]),
)
CIRCUIT_ROW = st.tuples(
    st.sampled_from(["S1", "S2", "S4", ""]), st.sampled_from(["1", "2", ""]), st.sampled_from([4, "?"])
)
RUN_ROW = st.tuples(
    st.sampled_from(["S1", "S2", "S4", ""]),
    st.sampled_from(["1", "2", "", "n/a"]),
    st.sampled_from(["HR", "FDR", "odd", ""]),
    st.sampled_from([10, "far", ""]),
    st.just("10 AWG"),
    st.sampled_from(["", "C1"]),
)


@settings(max_examples=40, deadline=None)
@given(
    jobs=st.lists(SYSTEM_ROW, max_size=5),
    circuits=st.lists(CIRCUIT_ROW, max_size=6),
    runs=st.lists(RUN_ROW, max_size=8),
)
def test_every_row_of_every_sheet_is_accounted_for(
    tmp_path_factory: pytest.TempPathFactory, jobs: list[Any], circuits: list[Any], runs: list[Any]
) -> None:
    reading = read(tmp_path_factory.mktemp("r"), [*JOBS[:2], *jobs], [CIRCUITS[0], *circuits], [RUNS[0], *runs])
    assert reading.rows_in == len(jobs) + len(circuits) + len(runs)
    assert balanced(reading)
    tables = reading.tables
    assert set(tables.circuit["system_id"]) <= set(tables.system["system_id"])
    known = set(tables.circuit.select("system_id", "circuit_id").rows())
    assert set(tables.run.filter(role="home run").select("system_id", "circuit_id").rows()) <= known
    assert not tables.run.select("system_id", "circuit_id", "combiner_id", "role", "run_order").is_duplicated().any()
    # No circuit is taken of which a run was refused that says whose it is.
    bad = {(r[0], r[1]) for r in runs if r[3] == "far" and r[0] and r[1] in ("1", "2")}
    assert not bad & known
    assert reading.row_keys is not None
    assert reading.row_keys.height == reading.accepted

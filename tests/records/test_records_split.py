"""Repeated rows, disagreeing facts, shared runs."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from records_files import balanced, csv_text, read_text

from auditor.records.frames import SOURCE_ROW, Tables
from auditor.records.split import to_tables

HEADER = ("system_id", "circuit_id", "designer", "tilt_deg", "combiner_id", "feeder_length_m", "service_drop_size")


def bare(tables: Tables) -> list[pl.DataFrame]:
    """Return the tables without their source rows, rows in order of all columns."""
    frames = (tables.system, tables.circuit, tables.unit, tables.run)
    return [frame.drop(SOURCE_ROW).sort(frame.drop(SOURCE_ROW).columns) for frame in frames]


def test_rows_of_one_system_share_its_facts(tmp_path: Path) -> None:
    rows = [("S1", str(i), "Rowan", "20", "", "12", "4/0 AWG") for i in (1, 2, 3)]
    tables = read_text(tmp_path, csv_text(rows, HEADER)).tables
    assert tables.system.select("system_id", "designer", "tilt_deg", SOURCE_ROW).rows() == [("S1", "Rowan", 20.0, 2)]
    assert tables.circuit["circuit_id"].to_list() == ["1", "2", "3"]
    assert tables.run.select("role", "run_order", "length_m", "size").rows() == [
        ("feeder", 1, 12.0, None),
        ("service drop", 1, None, "4/0 AWG"),
    ]
    assert tables.conflicts.height == 0


def test_facts_that_disagree_become_missing_and_are_told(tmp_path: Path) -> None:
    rows = [
        ("S1", "1", "Rowan", "20", "", "12", ""),
        ("S1", "2", "Alder", "", "", "15", ""),
        ("S1", "3", "Rowan", "20", "", "12", ""),
        ("S2", "1", "Alder", "", "", "", ""),
    ]
    reading = read_text(tmp_path, csv_text(rows, HEADER))
    assert (reading.accepted, reading.rejected) == (4, 0)
    # An empty cell disagrees with nothing: the tilt of S1 stands.
    assert reading.tables.system.select("system_id", "designer", "tilt_deg").rows() == [
        ("S1", None, 20.0),
        ("S2", "Alder", None),
    ]
    assert reading.tables.run.select("role", "length_m").rows() == [("feeder", None)]
    assert reading.tables.conflicts.drop("sheets", "files").rows() == [
        ("S1", None, None, "designer", ["Rowan", "Alder"], [2, 3]),
        ("S1", None, None, "feeder_length_m", ["12", "15"], [2, 3]),
    ]


def test_each_combiner_has_its_own_feeder(tmp_path: Path) -> None:
    rows = [
        ("S1", "1", "", "", "C1", "12", ""),
        ("S1", "2", "", "", "C2", "15", ""),
        ("S1", "3", "", "", "C1", "12", ""),
    ]
    tables = read_text(tmp_path, csv_text(rows, HEADER)).tables
    assert tables.run.select("combiner_id", "length_m").rows() == [("C1", 12.0), ("C2", 15.0)]
    assert tables.conflicts.height == 0


def test_a_combiners_feeder_may_conflict_by_itself(tmp_path: Path) -> None:
    rows = [
        ("S1", "1", "", "", "C1", "12", ""),
        ("S1", "2", "", "", "C1", "13", ""),
        ("S1", "3", "", "", "C2", "12", ""),
    ]
    tables = read_text(tmp_path, csv_text(rows, HEADER)).tables
    assert tables.run.select("combiner_id", "length_m").rows() == [("C1", None), ("C2", 12.0)]
    assert tables.conflicts.drop("sheets", "files").rows() == [
        ("S1", None, "C1", "feeder_length_m", ["12", "13"], [2, 3])
    ]


def test_a_repeated_row_is_a_duplicate_and_a_differing_one_counts(tmp_path: Path) -> None:
    first = ("S1", "1", "Rowan", "20", "", "", "")
    spelled = ("S1", "1", " Rowan", "20.0", "", "", "")
    other = ("S1", "1", "Alder", "20", "", "", "")
    rows = [first, spelled, other, ("S2", "1", *first[2:]), other]
    reading = read_text(tmp_path, csv_text(rows, HEADER))
    assert (reading.rows_in, reading.accepted, reading.rejected, reading.duplicate) == (5, 3, 0, 2)
    assert reading.duplicates.rows() == [(3, 2), (6, 4)]
    assert reading.tables.system["designer"].to_list() == [None, "Rowan"]
    assert reading.tables.circuit.select("system_id", "circuit_id", SOURCE_ROW).rows() == [
        ("S1", "1", 2),
        ("S2", "1", 5),
    ]
    assert reading.tables.conflicts.drop("sheets", "files").rows() == [
        ("S1", None, None, "designer", ["Rowan", "Alder"], [2, 4])
    ]
    assert reading.row_keys is not None
    assert reading.row_keys.rows() == [("S1", "1"), ("S1", "1"), ("S2", "1")]


def test_facts_of_a_circuit_on_which_rows_disagree_are_missing(tmp_path: Path) -> None:
    header = ("system_id", "circuit_id", "inverter_count", "breaker_a", "home_run_length_m", "home_run_size")
    rows = [
        ("S1", "1", "16", "20", "23", "10 AWG"),
        ("S1", "2", "14", "20", "23", "10 AWG"),
        ("S1", "1", "12", "20", "32", ""),
        ("S1", "1", "", "20", "23", "10 AWG"),
    ]
    reading = read_text(tmp_path, csv_text(rows, header))
    assert (reading.accepted, reading.rejected, reading.duplicate) == (4, 0, 0)
    assert balanced(reading)
    assert reading.tables.circuit.select("circuit_id", "inverter_count", "breaker_a").rows() == [
        ("1", None, 20.0),
        ("2", 14, 20.0),
    ]
    assert reading.tables.run.select("circuit_id", "length_m", "size").rows() == [
        ("1", None, "10 AWG"),
        ("2", 23.0, "10 AWG"),
    ]
    assert reading.tables.conflicts.drop("sheets", "files").rows() == [
        ("S1", "1", None, "home_run_length_m", ["23", "32"], [2, 4]),
        ("S1", "1", None, "inverter_count", ["16", "12"], [2, 4]),
    ]


def test_what_rows_disagree_on_is_not_worked_out_from_what_one_of_them_says(tmp_path: Path) -> None:
    header = ("system_id", "circuit_id", "inverter_count", "arm_counts", "feed")
    # Arms of 8+8 would give the count of 16 back; a centre feed would give 8+8 back.
    rows = [
        ("S1", "1", "16", "8+8", ""),
        ("S1", "1", "12", "", ""),
        ("S1", "2", "16", "8+8", "centre"),
        ("S1", "2", "16", "10+6", "centre"),
    ]
    tables = read_text(tmp_path, csv_text(rows, header)).tables
    assert tables.circuit.select("inverter_count", "arm_counts", "feed").rows() == [
        (None, None, None),
        (16, None, None),
    ]
    assert tables.conflicts["column"].to_list() == ["inverter_count", "arm_counts"]


def test_an_empty_cell_disagrees_with_nothing(tmp_path: Path) -> None:
    rows = [("S1", "1", "", "", "", "", ""), ("S1", "1", "", "20", "", "12", "")]
    reading = read_text(tmp_path, csv_text(rows, HEADER))
    assert reading.tables.system["tilt_deg"].to_list() == [20.0]
    assert reading.tables.run["length_m"].to_list() == [12.0]
    assert reading.tables.conflicts.height == 0


def test_to_tables_takes_typed_rows() -> None:
    rows = pl.DataFrame(
        {"row_number": [2, 3], "system_id": ["S1", "S1"], "circuit_id": ["1", "2"], "tilt_deg": [20.0, 20.0]}
    )
    tables = to_tables(rows)
    assert tables.system.select("system_id", "tilt_deg", SOURCE_ROW).rows() == [("S1", 20.0, 2)]
    assert tables.circuit[SOURCE_ROW].to_list() == [2, 3]


FACTS = st.tuples(
    st.sampled_from(["S1", "S2", "S3"]),
    st.sampled_from(["Rowan", "Alder", ""]),
    st.sampled_from(["20", "25", ""]),
    st.sampled_from(["C1", "C2", ""]),
    st.sampled_from(["12", "13", ""]),
    st.sampled_from(["4/0 AWG", "2/0 AWG", ""]),
)


@settings(max_examples=40, deadline=None)
@given(facts=st.lists(FACTS, min_size=1, max_size=10), data=st.data())
def test_shuffled_rows_give_the_same_tables(
    tmp_path_factory: pytest.TempPathFactory, facts: list[tuple[str, ...]], data: st.DataObject
) -> None:
    rows = [(system, str(i), *rest) for i, (system, *rest) in enumerate(facts)]
    shuffled = data.draw(st.permutations(rows))
    folder = tmp_path_factory.mktemp("r")
    first, second = (read_text(folder, csv_text(order, HEADER)) for order in (rows, shuffled))
    assert balanced(first)
    for one, other in zip(bare(first.tables), bare(second.tables), strict=True):
        assert_frame_equal(one, other)
    keys = ["system_id", "combiner_id", "column"]
    assert first.tables.conflicts.select(keys).equals(second.tables.conflicts.select(keys))


@settings(max_examples=40, deadline=None)
@given(facts=st.lists(FACTS, min_size=1, max_size=10))
def test_a_system_fact_is_the_one_value_its_rows_state(
    tmp_path_factory: pytest.TempPathFactory, facts: list[tuple[str, ...]]
) -> None:
    rows = [(system, str(i), *rest) for i, (system, *rest) in enumerate(facts)]
    tables = read_text(tmp_path_factory.mktemp("r"), csv_text(rows, HEADER)).tables
    for system, designer in tables.system.select("system_id", "designer").rows():
        stated = {row[2] for row in rows if row[0] == system and row[2]}
        assert designer == (stated.pop() if len(stated) == 1 else None)
    for system, combiner, length in (
        tables.run.filter(role="feeder").select("system_id", "combiner_id", "length_m").rows()
    ):
        stated = {float(row[5]) for row in rows if row[0] == system and row[4] == (combiner or "") and row[5]}
        assert length == (stated.pop() if len(stated) == 1 else None)


CIRCUIT_CELLS = st.tuples(
    st.sampled_from(["1", "2"]),
    st.sampled_from(["16", "12", ""]),
    st.sampled_from(["20", "30", ""]),
    st.sampled_from(["23", "32", ""]),
)


@settings(max_examples=40, deadline=None)
@given(cells=st.lists(CIRCUIT_CELLS, min_size=1, max_size=8))
def test_a_circuits_fact_is_the_one_value_its_rows_state(
    tmp_path_factory: pytest.TempPathFactory, cells: list[tuple[str, ...]]
) -> None:
    header = ("system_id", "circuit_id", "inverter_count", "breaker_a", "home_run_length_m")
    rows = [("S1", *row) for row in cells]
    reading = read_text(tmp_path_factory.mktemp("r"), csv_text(rows, header))
    assert (reading.rows_in, reading.rejected) == (len(rows), 0)
    assert reading.accepted == len(set(rows))
    lengths = dict(reading.tables.run.select("circuit_id", "length_m").rows())
    told = set(reading.tables.conflicts.select("circuit_id", "column").rows())
    for circuit, count, breaker in reading.tables.circuit.select("circuit_id", "inverter_count", "breaker_a").rows():
        for place, column, value in (
            (1, header[2], count),
            (2, header[3], breaker),
            (3, header[4], lengths.get(circuit)),
        ):
            stated = {float(row[place]) for row in cells if row[0] == circuit and row[place]}
            assert value == (stated.pop() if len(stated) == 1 else None)
            assert ((circuit, column) in told) == (len(stated) > 1)

"""Repeated rows, disagreeing facts, shared runs."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from records_files import balanced, csv_text, read_text, told

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
    assert reading.tables.conflicts.rows() == [
        ("S1", None, "designer", ["Rowan", "Alder"], [2, 3]),
        ("S1", None, "feeder_length_m", ["12.0", "15.0"], [2, 3]),
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
    assert tables.conflicts.rows() == [("S1", "C1", "feeder_length_m", ["12.0", "13.0"], [2, 3])]


def test_a_repeated_row_is_a_duplicate_and_a_differing_one_a_reject(tmp_path: Path) -> None:
    first = ("S1", "1", "Rowan", "20", "", "", "")
    spelled = ("S1", "1", " Rowan", "20.0", "", "", "")
    other = ("S1", "1", "Alder", "20", "", "", "")
    reading = read_text(tmp_path, csv_text([first, spelled, other, ("S2", "1", *first[2:])], HEADER))
    assert (reading.rows_in, reading.accepted, reading.rejected, reading.duplicate) == (4, 2, 1, 1)
    assert reading.duplicates.rows() == [(3, 2)]
    assert told(reading) == [(4, "circuit_id", "primary-key")]
    assert "already stands on row 2" in reading.rejects["sentence"][0]
    # The refused row's designer counts for nothing, so nothing disagrees.
    assert reading.tables.system["designer"].to_list() == ["Rowan", "Rowan"]
    assert reading.tables.conflicts.height == 0


def test_a_refused_row_takes_along_the_facts_that_only_it_stated(tmp_path: Path) -> None:
    rows = [("S1", "1", "", "", "", "", ""), ("S1", "1", "", "20", "", "12", "")]
    reading = read_text(tmp_path, csv_text(rows, HEADER))
    assert reading.tables.system["tilt_deg"].to_list() == [None]
    assert reading.tables.run.height == 0


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


@settings(max_examples=80, deadline=None)
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


@settings(max_examples=60, deadline=None)
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

"""Sheets that belong together: systems, circuits and runs, joined by id."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from records_files import balanced, csv_text, mapping_of, read_json, read_text
from workbook_files import read_book, told_on, write_book

from auditor.errors import AuditorError
from auditor.records import Reading
from auditor.records.frames import SOURCE_ROW

MAPPING = """
[file]
missing = ["n/a"]
[sheets.systems]
sheet = "Jobs"
header_row = 2
[sheets.systems.columns]
system_id = "Job"
designer = "Drawn by"
service = { column = "Svc", values = { "1PH" = "120/240" } }
[sheets.circuits]
sheet = "Circuits"
[sheets.circuits.columns]
system_id = "Job No"
circuit_id = "Ckt"
inverter_count = "Qty"
[sheets.runs]
sheet = "Runs"
[sheets.runs.columns]
system_id = "Job"
circuit_id = "Ckt"
role = { column = "Kind", values = { "HR" = "home run", "FDR" = "feeder" } }
length_m = { column = "Feet", unit = "ft" }
size = "Wire"
[constants]
installation_code = "NEC"
feed = "end"
[ignore]
columns = ["Notes"]
"""
JOBS: list[tuple[Any, ...]] = [
    ("Jobs of 2023",),
    ("Job", "Drawn by", "Svc", "busbar_a"),
    ("S1", "Rowan", "1PH", 200),
    ("S2", "Alder", "1PH", 225),
]
CIRCUITS: list[tuple[Any, ...]] = [
    ("Job No", "Ckt", "Qty", "Notes", "Odd"),
    ("S1", "1", 16, "", "x"),
    ("S1", "2", 15),
    ("S2", "1", 12),
]
RUNS: list[tuple[Any, ...]] = [
    ("Job", "Ckt", "Kind", "Feet", "Wire", "combiner_id"),
    ("S1", "1", "HR", 75, "10 AWG"),
    ("S1", "1", "HR", 20, "8 AWG"),
    ("S1", "2", "HR", 60, "2/0 AL"),
    ("S1", None, "FDR", 40, "6 AWG"),
    ("S2", "1", "HR", 50, "10 AWG"),
    ("S2", None, "FDR", 30, "6 AWG", "C1"),
]


def read(folder: Path, jobs: Any = JOBS, circuits: Any = CIRCUITS, runs: Any = RUNS, mapping: str = MAPPING) -> Reading:
    """Write the three sheets and read them."""
    sheets = {"Lists": [("x",)], "Runs": runs, "Circuits": circuits, "Jobs": jobs}
    return read_book(write_book(folder / "x.xlsx", sheets), mapping_of(folder, mapping))


def put(rows: list[tuple[Any, ...]], at: int, **cells: Any) -> list[tuple[Any, ...]]:
    """Return rows with some cells of one (counted from 1, as the sheet shows) changed, by letter."""
    changed = list(rows[at - 1]) + [None] * 6
    for letter, value in cells.items():
        changed[ord(letter) - 65] = value
    return [*rows[: at - 1], tuple(changed), *rows[at:]]


def test_three_sheets_become_the_tables_of_the_nested_file(tmp_path: Path) -> None:
    reading = read(tmp_path)
    assert (reading.rows_in, reading.accepted, reading.rejected, reading.duplicate) == (11, 11, 0, 0)
    nested = read_json(
        tmp_path,
        {
            "systems": [
                {
                    "system_id": "S1",
                    **{"designer": "Rowan", "service": "120/240", "busbar_a": 200, "installation_code": "NEC"},
                    "runs": [{"role": "feeder", "length_m": "40 ft", "size": "6 AWG"}],
                    "circuits": [
                        {
                            **{"circuit_id": "1", "inverter_count": 16, "feed": "end"},
                            "runs": [
                                {"role": "home run", "length_m": "75 ft", "size": "10 AWG"},
                                {"role": "home run", "length_m": "20 ft", "size": "8 AWG"},
                            ],
                        },
                        {
                            **{"circuit_id": "2", "inverter_count": 15, "feed": "end"},
                            "runs": [{"role": "home run", "length_m": "60 ft", "size": "2/0 AL"}],
                        },
                    ],
                },
                {
                    "system_id": "S2",
                    **{"designer": "Alder", "service": "120/240", "busbar_a": 225, "installation_code": "NEC"},
                    "runs": [{"role": "feeder", "combiner_id": "C1", "length_m": "30 ft", "size": "6 AWG"}],
                    "circuits": [
                        {
                            **{"circuit_id": "1", "inverter_count": 12, "feed": "end"},
                            "runs": [{"role": "home run", "length_m": "50 ft", "size": "10 AWG"}],
                        }
                    ],
                },
            ]
        },
    )
    for name in ("system", "circuit", "run"):
        assert_frame_equal(
            getattr(reading.tables, name).drop(SOURCE_ROW), getattr(nested.tables, name).drop(SOURCE_ROW)
        )
    assert reading.tables.conflicts.height == 0
    assert reading.tables.system[SOURCE_ROW].to_list() == [3, 4]
    assert reading.tables.run.filter(role="home run")[SOURCE_ROW].to_list() == [2, 3, 4, 6]


def test_what_the_sheets_state(tmp_path: Path) -> None:
    reading = read(tmp_path)
    assert {"designer", "busbar_a", "feed", "installation_code", "home_run_length_m", "home_run_material"} <= (
        reading.present
    )
    assert "feeder_size" in reading.present
    assert "service_drop_size" in reading.absent
    assert not {"role", "length_m", "run_order"} & reading.present
    assert (reading.unmapped, reading.ignored) == (("Circuits!Odd",), ("Circuits!Notes",))
    assert reading.row_keys is not None
    assert sorted(reading.row_keys.rows(), key=str) == sorted(
        [
            *(("S1", None), ("S2", None), ("S1", "1"), ("S1", "2"), ("S2", "1")),
            *(("S1", "1"), ("S1", "1"), ("S1", "2"), ("S1", None), ("S2", "1"), ("S2", None)),
        ],
        key=str,
    )


def test_a_refused_system_takes_along_all_that_rests_on_it(tmp_path: Path) -> None:
    reading = read(tmp_path, jobs=put(JOBS, 3, D="many"))
    assert told_on(reading) == [
        ("Jobs", 3, "busbar_a", "type-error"),
        ("Circuits", 2, "Job No", "related-row"),
        ("Circuits", 3, "Job No", "related-row"),
        *(("Runs", at, "Ckt", "related-row") for at in (2, 3, 4)),
        ("Runs", 5, "Job", "related-row"),
    ]
    assert reading.rejects["sentence"][1] == "row 3 of sheet 'Jobs', which belongs with it, was refused"
    assert reading.rejects["sentence"][3] == "row 2 of sheet 'Circuits', which belongs with it, was refused"
    assert (reading.accepted, reading.rejected) == (4, 7)
    assert reading.tables.system["system_id"].to_list() == ["S2"]


def test_a_refused_home_run_takes_its_circuit_along(tmp_path: Path) -> None:
    reading = read(tmp_path, runs=put(RUNS, 3, D="far"))
    assert told_on(reading) == [
        ("Circuits", 2, "Ckt", "related-row"),
        ("Runs", 2, "Ckt", "related-row"),
        ("Runs", 3, "Feet", "type-error"),
    ]
    assert reading.tables.circuit.select("system_id", "circuit_id").rows() == [("S1", "2"), ("S2", "1")]
    assert balanced(reading)


def test_a_refused_shared_run_takes_its_system_along(tmp_path: Path) -> None:
    reading = read(tmp_path, runs=put(RUNS, 5, E="10/2"))
    assert {row[:2] for row in told_on(reading)} == {
        ("Jobs", 3),
        *(("Circuits", at) for at in (2, 3)),
        *(("Runs", at) for at in (2, 3, 4, 5)),
    }
    assert reading.tables.system["system_id"].to_list() == ["S2"]


def test_a_refused_circuit_takes_its_runs_along_and_leaves_the_others(tmp_path: Path) -> None:
    reading = read(tmp_path, circuits=put(CIRCUITS, 2, C="several"))
    assert [row[:2] for row in told_on(reading)] == [("Circuits", 2), ("Runs", 2), ("Runs", 3)]
    assert reading.tables.circuit.height == 2


def test_rows_that_belong_to_nothing(tmp_path: Path) -> None:
    circuits = [*CIRCUITS, ("S9", "1", 3)]
    runs = [*RUNS, ("S1", "7", "HR", 10, "10 AWG"), ("S8", None, "FDR", 10, "10 AWG"), ("S9", "1", "HR", 5, "10 AWG")]
    reading = read(tmp_path, circuits=circuits, runs=runs)
    assert told_on(reading) == [
        ("Circuits", 5, "Job No", "foreign-key"),
        ("Runs", 8, "Ckt", "foreign-key"),
        ("Runs", 9, "Job", "foreign-key"),
        ("Runs", 10, "Ckt", "related-row"),
    ]
    assert reading.rejects["sentence"].to_list()[:3] == [
        "no row of sheet 'Jobs' has system_id S9",
        "no row of sheet 'Circuits' has system_id S1, circuit_id 7",
        "no row of sheet 'Jobs' has system_id S8",
    ]


def test_runs_have_their_place(tmp_path: Path) -> None:
    runs = [*RUNS, ("S2", None, "HR", 5, "10 AWG")]
    reading = read(tmp_path, runs=runs)
    assert ("Runs", 8, "Ckt", "constraint-error") in told_on(reading)
    assert "a home run needs its circuit's id" in reading.rejects["sentence"].to_list()
    # Nobody can tell whose it is, so no circuit of that system is taken.
    assert reading.tables.circuit["system_id"].unique().to_list() == ["S1"]
    other = read(tmp_path, runs=[*RUNS, ("S2", "1", "FDR", 5, "10 AWG")])
    assert "a feeder is shared by circuits; leave circuit_id empty" in other.rejects["sentence"].to_list()


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


def test_a_refused_system_without_circuits_is_known_by_its_id(tmp_path: Path) -> None:
    reading = read(tmp_path, jobs=[*JOBS, ("S3", "Heron", "1PH", "wide")])
    assert told_on(reading)[0][1] == 5
    assert reading.refused is not None
    assert reading.refused.rows() == [("S3", None, 5)]


def test_a_fact_on_two_sheets_may_conflict(tmp_path: Path) -> None:
    circuits = [(*CIRCUITS[0], "busbar_a"), (*CIRCUITS[1], 225), *CIRCUITS[2:]]
    reading = read(tmp_path, circuits=circuits)
    assert reading.tables.system["busbar_a"].to_list() == [None, 225.0]
    (conflict,) = reading.tables.conflicts.select("column", "values", "rows", "sheets", "files").rows()
    assert conflict == ("busbar_a", ["225", "200"], [2, 3], ["Circuits", "Jobs"], [None, None])
    # The sheet's number stays out of the tables: rows are those of the systems' sheet.
    assert reading.tables.system[SOURCE_ROW].to_list() == [3, 4]


def test_circuits_and_runs_without_a_sheet_of_systems(tmp_path: Path) -> None:
    mapping = """
    [sheets.circuits]
    sheet = "Circuits"
    [sheets.runs]
    sheet = "Home runs"
    constants = { role = "home run", material = "copper" }
    """
    circuits = [("system_id", "circuit_id", "designer"), ("S1", "1", "Rowan"), ("S1", "2", "Rowan")]
    runs = [("system_id", "circuit_id", "length_m"), ("S1", "1", 12.5), ("S1", "3", 1)]
    path = write_book(tmp_path / "x.xlsx", {"Circuits": circuits, "Home runs": runs})
    reading = read_book(path, mapping_of(tmp_path, mapping))
    assert told_on(reading) == [("Home runs", 3, "circuit_id", "foreign-key")]
    assert reading.tables.run.select("circuit_id", "length_m", "material").rows() == [("1", 12.5, "copper")]
    assert reading.tables.system["designer"].to_list() == ["Rowan"]


def test_a_system_without_circuits_is_kept(tmp_path: Path) -> None:
    reading = read(tmp_path, jobs=[*JOBS, ("S3", "Heron", "1PH", 100)])
    assert reading.tables.system["system_id"].to_list() == ["S1", "S2", "S3"]
    assert reading.accepted == 12


def test_blank_rows_and_rejects_without_ids(tmp_path: Path) -> None:
    circuits = [CIRCUITS[0], (), *CIRCUITS[1:], (None, None, " "), (None, "4", 3)]
    reading = read(tmp_path, circuits=circuits)
    assert told_on(reading) == [("Circuits", 7, "Job No", "constraint-error")]
    assert (reading.rows_in, reading.accepted) == (12, 11)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[sheets.systems]\nsheet = "A"', r"\[sheets.circuits\]: is missing"),
        ('[sheets.circuits]\nsheet = "A"\n[columns]\ndesigner = "x"', "write each sheet's columns under its own"),
        ('[file]\nsheet = "B"\n[sheets.circuits]\nsheet = "A"', "name each sheet under its own"),
        ('[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "A "', "names the same sheet"),
        (
            '[sheets.circuits]\nsheet = "A"\ncolumns = { lenght_m = "x" }',
            r"\[sheets.circuits.columns\] lenght_m: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "B"\ncolumns = { feed = "x" }',
            r"runs.columns\] feed: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.systems]\nsheet = "B"\ncolumns = { circuit_id = "x" }',
            r"\[sheets.systems.columns\] circuit_id: is no",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\n[sheets.runs]\nsheet = "B"\nconstants = { role = "wire" }',
            r"\[sheets.runs.constants\] role: 'wire' is not one of",
        ),
        (
            '[sheets.circuits]\nsheet = "A"\ncolumns = { tilt_deg = { column = "T", unit = "ft" } }',
            r"\[sheets.circuits.columns.tilt_deg\] unit",
        ),
    ],
)
def test_mappings_of_sheets_that_make_no_sense(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(AuditorError, match=message):
        mapping_of(tmp_path, text)


def test_sheets_that_cannot_be_joined(tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match="there is none, but"):
        read(tmp_path, mapping=MAPPING.replace('"Runs"', '"Wires"'))
    with pytest.raises(AuditorError, match=r"sheet 'Jobs': row 1 is not the header; row 2 holds Job"):
        read(tmp_path, mapping=MAPPING.replace("header_row = 2", ""))
    with pytest.raises(AuditorError, match="sheet 'Runs': no column gives role"):
        read(tmp_path, mapping=MAPPING.replace("role = {", "insulation = {"))
    with pytest.raises(AuditorError, match="this file is no workbook"):
        read_text(tmp_path, csv_text([]), mapping_of(tmp_path, MAPPING))


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


@settings(max_examples=60, deadline=None)
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

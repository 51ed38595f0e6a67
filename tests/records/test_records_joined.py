"""Sheets that belong together: systems, circuits and runs, joined by id; refused rows take along what rests on them."""

from __future__ import annotations

from pathlib import Path

from joined_sheets import CIRCUITS, JOBS, RUNS, put, read
from polars.testing import assert_frame_equal
from records_files import balanced, mapping_of, read_json
from workbook_files import read_book, told_on, write_book

from auditor.records.frames import SOURCE_ROW


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


def test_a_refused_system_without_circuits_is_known_by_its_id(tmp_path: Path) -> None:
    reading = read(tmp_path, jobs=[*JOBS, ("S3", "Heron", "1PH", "wide")])
    assert told_on(reading)[0][1] == 5
    assert reading.refused is not None
    assert reading.refused.rows() == [("S3", None, 5)]


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

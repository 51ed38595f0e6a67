"""Nested JSON, JSON Lines and Parquet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from records_files import balanced, csv_text, mapping_of, read_json, read_text, told

from auditor.errors import AuditorError
from auditor.records import read_records
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

CIRCUIT: dict[str, Any] = {
    "circuit_id": 1,
    "inverter_model": "Larkfield U240",
    "inverter_count": 16,
    "arm_counts": [8, 8],
    "extra_trunk": [{"after_unit": 8, "length_m": 3.5}],
    "units": [{"inverter_model": "Larkfield U240", "inverter_count": 15}, {"inverter_count": 1, "position": 4}],
    "runs": [{"role": "home run", "length_m": "75 ft", "size": "#10 CU"}],
}
SYSTEM: dict[str, Any] = {
    "system_id": "S1",
    "service": "120/240",
    "latitude_deg": 40.123456789,
    "runs": [
        {"role": "feeder", "length_m": 20, "size": "4 AWG", "material": "copper", "combiner_id": None},
        {"role": "service entrance", "length_m": 3, "insulation": "XHHW"},
    ],
    "circuits": [CIRCUIT],
}


def changed(base: dict[str, Any], **values: Any) -> dict[str, Any]:
    return base | values


def test_a_nested_system_becomes_its_tables(tmp_path: Path) -> None:
    reading = read_json(tmp_path, {"systems": [SYSTEM]})
    assert reading.rejects.height == 0
    assert (reading.rows_in, reading.accepted) == (1, 1)
    tables = reading.tables
    assert tables.system.select("system_id", "latitude_deg", "source_row").rows() == [("S1", 40.123456789, 1)]
    assert tables.circuit.select("circuit_id", "inverter_count", "arm_counts", "extra_trunk").rows() == [
        ("1", 16, "8+8", "8@3.5")
    ]
    assert tables.unit.select("unit_order", "inverter_count", "position").rows() == [(1, 15, None), (2, 1, 4)]
    assert tables.run.select("circuit_id", "role", "run_order", "size", "material").rows() == [
        (None, "feeder", 1, "4 AWG", "copper"),
        (None, "service entrance", 1, None, None),
        ("1", "home run", 1, "10 AWG", "copper"),
    ]
    assert tables.run.filter(role="home run")["length_m"].to_list() == pytest.approx([22.86], rel=1e-12)  # 75 ft
    assert {
        "units",
        "feeder_length_m",
        "home_run_size",
        "service_entrance_insulation",
        "latitude_deg",
    } <= reading.present
    assert "designer" not in reading.present


def test_json_lines_give_the_same_tables(tmp_path: Path) -> None:
    systems = [SYSTEM, changed(SYSTEM, system_id="S2")]
    whole = read_json(tmp_path, {"systems": systems})
    lines = "\n".join(json.dumps(system) for system in systems)
    by_line = read_text(tmp_path, lines, name="records.jsonl")
    for name in ("system", "circuit", "unit", "run"):
        assert_frame_equal(getattr(whole.tables, name), getattr(by_line.tables, name))


def test_rejects_give_the_path_and_the_systems_number(tmp_path: Path) -> None:
    bad = changed(CIRCUIT, circuit_id=2, inverter_count="many", units=[{"position": 0}], runs=[{"role": "feeder"}])
    empty = {"circuit_id": None}
    system = changed(SYSTEM, circuits=[CIRCUIT, bad, empty])
    reading = read_json(tmp_path, {"systems": [changed(SYSTEM, system_id="S0"), system]})
    assert sorted(told(reading)) == [
        (2, "circuits[1].inverter_count", "type-error"),
        (2, "circuits[1].runs[0].role", "constraint-error"),
        (2, "circuits[1].units[0].position", "constraint-error"),
        (2, "circuits[2].circuit_id", "constraint-error"),
    ]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (4, 2, 2)
    assert reading.tables.unit.height == 4


def test_a_fault_of_the_system_refuses_all_its_rows_once(tmp_path: Path) -> None:
    two = [CIRCUIT, changed(CIRCUIT, circuit_id="2")]
    for system, column in (
        (changed(SYSTEM, latitude_deg=100, circuits=two), "latitude_deg"),
        (changed(SYSTEM, runs=[{"role": "feeder", "length_m": "far"}], circuits=two), "runs[0].length_m"),
        (changed(SYSTEM, system_id=None, circuits=two), "system_id"),
        (changed(SYSTEM, runs=7, circuits=two), "runs"),
    ):
        reading = read_json(tmp_path, {"systems": [system]})
        assert [c for _, c, _ in told(reading)] == [column]
        assert (reading.rows_in, reading.rejected) == (2, 2)
        assert reading.tables.run.height == 0


def test_a_system_without_circuits_is_one_row(tmp_path: Path) -> None:
    bare = {key: value for key, value in SYSTEM.items() if key != "circuits"}
    reading = read_json(tmp_path, {"systems": [bare, changed(bare, system_id="S2", circuits=[])]})
    assert (reading.rows_in, reading.accepted, reading.tables.circuit.height) == (2, 2, 0)
    assert reading.tables.system["system_id"].to_list() == ["S1", "S2"]
    repeated = read_json(tmp_path, {"systems": [bare, bare, changed(bare, utility="U")]})
    assert (repeated.accepted, repeated.duplicate, repeated.rejected) == (2, 1, 0)
    assert repeated.tables.system["utility"].to_list() == [None if SYSTEM.get("utility") else "U"]


def test_repeated_circuits(tmp_path: Path) -> None:
    other_unit = changed(CIRCUIT, units=[])
    for second, counts in ((CIRCUIT, (1, 0, 1)), (other_unit, (2, 0, 0)), (changed(CIRCUIT, runs=None), (2, 0, 0))):
        reading = read_json(tmp_path, {"systems": [changed(SYSTEM, circuits=[CIRCUIT, second])]})
        assert (reading.accepted, reading.rejected, reading.duplicate) == counts
        assert reading.tables.unit.height == 2
        assert reading.tables.run.filter(role="home run").height == 1
        # A list that one of them does not give disagrees with nothing.
        assert reading.tables.conflicts.height == 0


def test_lists_of_one_circuit_that_disagree(tmp_path: Path) -> None:
    def circuit(lengths: list[float], counts: list[int]) -> dict[str, Any]:
        runs = [{"role": "home run", "length_m": length} for length in lengths]
        units = [{"inverter_model": "M", "inverter_count": count} for count in counts]
        return {"circuit_id": "1", "runs": runs, "units": units}

    document = {"systems": [{"system_id": "S1", "circuits": [circuit([10], [8, 4]), circuit([10, 5], [8, 6])]}]}
    tables = read_json(tmp_path, document).tables
    # One says that a second run follows the first, the other does not: how long it is, is not known.
    assert tables.run.select("run_order", "length_m").rows() == [(1, 10.0), (2, None)]
    assert tables.unit.select("unit_order", "inverter_model", "inverter_count").rows() == [(1, "M", 8), (2, "M", None)]
    assert tables.conflicts.select("circuit_id", "column", "values", "rows").rows() == [
        ("1", "home_run_2_length_m", ["5", "not listed"], [1, 1]),
        ("1", "unit_2_inverter_count", ["4", "6"], [1, 1]),
    ]


@pytest.mark.parametrize(
    ("system", "held"),
    [
        ({"latitude_deg": 100}, [("S1", "1"), ("S1", "2")]),
        ({"runs": [{"role": "feeder", "length_m": "far"}]}, [("S1", "1"), ("S1", "2")]),
        ({"runs": 7}, [("S1", "1"), ("S1", "2")]),
        ({"circuits": 7}, [("S1", None)]),
        ({"latitude_deg": 100, "circuits": []}, [("S1", None)]),
        ({"system_id": None}, []),
        ({"system_id": "S\u200b1"}, []),
        ({"system_id": {"no": "text"}}, []),
    ],
)
def test_a_refused_system_is_known_by_its_ids(
    tmp_path: Path, system: dict[str, Any], held: list[tuple[str, str | None]]
) -> None:
    two = [{"circuit_id": "1"}, {"circuit_id": "2"}]
    good = {"system_id": "S9", "circuits": [{"circuit_id": "1"}]}
    document = {"systems": [good, {"system_id": "S1", "circuits": two} | system]}
    reading = read_json(tmp_path, document)
    assert reading.tables.system["system_id"].to_list() == ["S9"]
    assert reading.refused is not None
    assert reading.refused.rows() == [(*key, 2) for key in held]


def test_a_repeated_id_names_nobody(tmp_path: Path) -> None:
    text = '{"systems": [{"system_id": "S1", "system_id": "S2", "circuits": [{"circuit_id": "1"}]}]}'
    reading = read_text(tmp_path, text, name="records.json")
    assert reading.refused is not None and reading.refused.height == 0
    text = '{"systems": [{"system_id": "S1", "tilt_deg": 1, "tilt_deg": 2, "circuits": [{"circuit_id": "1"}]}]}'
    reading = read_text(tmp_path, text, name="records.json")
    assert reading.refused is not None and reading.refused.rows() == [("S1", "1", 1)]


def test_a_system_given_in_two_places_is_one(tmp_path: Path) -> None:
    later = changed(SYSTEM, service="208Y/120", circuits=[changed(CIRCUIT, circuit_id="2")])
    reading = read_json(tmp_path, {"systems": [SYSTEM, later]})
    assert reading.accepted == 2
    assert reading.tables.system.select("system_id", "service").rows() == [("S1", None)]
    assert reading.tables.conflicts.drop("sheets", "files").rows() == [
        ("S1", None, None, "service", ["120/240", "208Y/120"], [1, 2])
    ]
    assert reading.tables.run.filter(role="feeder").height == 1


def test_runs_and_units_keep_their_order(tmp_path: Path) -> None:
    runs = [{"role": "home run", "length_m": 1}, {"role": "home run", "length_m": 2}]
    reading = read_json(tmp_path, {"systems": [changed(SYSTEM, circuits=[changed(CIRCUIT, runs=runs)])]})
    assert reading.tables.run.filter(role="home run").select("run_order", "length_m").rows() == [(1, 1.0), (2, 2.0)]
    twice = [dict(run, run_order=3) for run in runs]
    reading = read_json(tmp_path, {"systems": [changed(SYSTEM, circuits=[changed(CIRCUIT, runs=twice)])]})
    assert told(reading) == [(1, "circuits[0].runs", "primary-key")]
    units = [{"unit_order": 1}, {"unit_order": 1}]
    reading = read_json(tmp_path, {"systems": [changed(SYSTEM, circuits=[changed(CIRCUIT, units=units)])]})
    assert told(reading) == [(1, "circuits[0].units", "primary-key")]


def test_simple_run_columns_may_stand_in_nested_records(tmp_path: Path) -> None:
    circuit = {"circuit_id": "1", "home_run_length_m": 12}
    reading = read_json(tmp_path, {"systems": [{"system_id": "S1", "feeder_size": "4 AWG", "circuits": [circuit]}]})
    assert reading.tables.run.select("role", "length_m", "size").rows() == [
        ("feeder", None, "4 AWG"),
        ("home run", 12.0, None),
    ]


def test_unknown_keys_are_named(tmp_path: Path) -> None:
    circuit = changed(CIRCUIT, notes="x", runs=[{"role": "home run", "colour": "red"}])
    system = changed(SYSTEM, extra=1, circuits=[circuit])
    reading = read_json(tmp_path, {"systems": [system]}, mapping_of(tmp_path, '[ignore]\ncolumns = ["extra"]'))
    assert reading.unmapped == ("circuits[].notes", "circuits[].runs[].colour")
    assert reading.ignored == ("extra",)
    assert read_json(tmp_path, {"version": 2, "systems": [SYSTEM]}).unmapped == ("(beside systems) version",)


def test_a_mapping_renames_keys_of_systems_and_circuits(tmp_path: Path) -> None:
    mapping = mapping_of(
        tmp_path,
        '[file]\ndecimal_mark = ","\n[columns]\nsystem_id = "job"\ninverter_count = "qty"\n'
        'home_run_length_m = { column = "hr", unit = "ft" }\n[constants]\ninstallation_code = "NEC"',
    )
    system = {"job": "S1", "tilt_deg": 20.5, "circuits": [{"circuit_id": "1", "qty": 16, "hr": "7,5"}]}
    reading = read_json(tmp_path, {"systems": [system]}, mapping)
    assert reading.tables.system.select("system_id", "tilt_deg", "installation_code").rows() == [("S1", 20.5, "NEC")]
    assert reading.tables.run["length_m"].to_list() == pytest.approx([2.286], rel=1e-12)  # 7.5 * 0.3048
    with pytest.raises(AuditorError, match="which no system or circuit has"):
        read_json(tmp_path, {"systems": [SYSTEM | {"job": "x"}]}, mapping)


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("true", "type-error"),
        ("NaN", "type-error"),
        ("-Infinity", "type-error"),
        ("[1]", "type-error"),
        ('{"a": 1}', "type-error"),
        ('"\\ud800"', "type-error"),
        ("1e999", "type-error"),
    ],
)
def test_cells_that_json_allows_and_records_do_not(tmp_path: Path, cell: str, code: str) -> None:
    text = '{"systems": [{"system_id": "S1", "circuits": [{"circuit_id": "1"}], "tilt_deg": ' + cell + "}]}"
    assert told(read_text(tmp_path, text, name="r.json")) == [(1, "tilt_deg", code)]


def test_figures_keep_every_digit_they_are_written_with(tmp_path: Path) -> None:
    text = '{"systems": [{"system_id": 00123, "circuits": []}]}'
    with pytest.raises(AuditorError, match="line 1"):
        read_text(tmp_path, text, name="r.json")
    text = '{"systems": [{"system_id": 12345678901234567890123, "tilt_deg": 1.50, "circuits": [{"circuit_id": 1.10}]}]}'
    tables = read_text(tmp_path, text, name="r.json").tables
    assert tables.circuit.select("system_id", "circuit_id").rows() == [("12345678901234567890123", "1.10")]


def test_repeated_keys_are_refused(tmp_path: Path) -> None:
    text = (
        '{"systems": [{"system_id": "S1", "system_id": "S2", "circuits": [{"circuit_id": "1"}, {"circuit_id": "2"}]},'
        '{"system_id": "S3", "circuits": [{"circuit_id": "1", "circuit_id": "2"}, {"circuit_id": "3"}]}]}'
    )
    reading = read_text(tmp_path, text, name="r.json")
    assert told(reading) == [(1, "system_id", "duplicate-label"), (2, "circuits[0].circuit_id", "duplicate-label")]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (4, 1, 3)


def test_things_in_the_wrong_place(tmp_path: Path) -> None:
    reading = read_json(
        tmp_path,
        {
            "systems": [
                7,
                {"system_id": "S1", "circuits": "none"},
                {"system_id": "S2", "circuits": [None, {"circuit_id": "1"}]},
            ]
        },
    )
    assert told(reading) == [(1, "", "type-error"), (2, "circuits", "type-error"), (3, "circuits[0]", "type-error")]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (4, 1, 3)
    assert balanced(reading)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[]", '"systems"'),
        ("{}", '"systems"'),
        ('{"sites": []}', "is missing"),
        ('{"systems": {}}', "must be a list"),
        ('{"systems": [], "systems": []}', "twice"),
        ('{"systems": [{"system_id": "S1"}\n {"system_id": "S2"}]}', "line 2 column 2"),
        ('{"systems": []} x', "Extra data"),
        ('{"systems": [' + "[" * 100_000, "nested too deeply|not JSON"),
        ('{"systems": [{"system_id": "S1", "circuit_id": "1"}]}', "circuits belong in"),
    ],
)
def test_json_files_that_are_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(AuditorError, match=message):
        read_text(tmp_path, text, name="r.json")


def test_a_bad_line_of_json_lines_is_one_reject(tmp_path: Path) -> None:
    text = json.dumps(SYSTEM) + "\n\n{bad}\n" + json.dumps(changed(SYSTEM, system_id="S2"))
    reading = read_text(tmp_path, text, name="r.jsonl")
    assert told(reading) == [(3, "", "format-error")]
    assert reading.rejects["raw"].to_list() == ["{bad}"]
    assert reading.tables.system["source_row"].to_list() == [1, 4]
    assert (reading.rows_in, reading.accepted, reading.rejected) == (3, 2, 1)


def test_parquet_gives_the_tables_of_the_same_csv(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "system_id": ["S1", "S1", "S2"],
            "circuit_id": [1, 2, 1],
            "inverter_count": [16.0, 15.0, None],
            "home_run_length_m": [12.5, None, 3.0],
            "design_date": [pl.date(2020, 3, 25)] * 3,
        },
        strict=False,
    )
    frame = frame.with_columns(pl.lit("2020-03-25").str.to_date().alias("design_date"))
    frame.write_parquet(tmp_path / "r.parquet")
    reading = read_records(tmp_path / "r.parquet")
    rows = [
        ("S1", "1", "16", "12.5", "2020-03-25"),
        ("S1", "2", "15", "", "2020-03-25"),
        ("S2", "1", "", "3", "2020-03-25"),
    ]
    same = read_text(tmp_path, csv_text(rows, tuple(frame.columns)))
    for name in ("system", "circuit", "run"):
        one, other = getattr(reading.tables, name), getattr(same.tables, name)
        assert_frame_equal(one.drop("source_row"), other.drop("source_row"))
    assert reading.tables.circuit["source_row"].to_list() == [1, 2, 3]


def test_parquet_cells_are_refused_like_any_other(tmp_path: Path) -> None:
    pl.DataFrame(
        {"system_id": ["S1", "S2"], "circuit_id": ["1", None], "tilt_deg": [float("nan"), 2.0], "tags": [["a"], []]}
    ).write_parquet(tmp_path / "r.parquet")
    reading = read_records(tmp_path / "r.parquet")
    assert told(reading) == [(1, "tilt_deg", "type-error"), (2, "circuit_id", "constraint-error")]
    assert reading.unmapped == ("tags",)


def test_parquet_columns_that_have_no_text(tmp_path: Path) -> None:
    path = tmp_path / "r.parquet"
    pl.DataFrame({"system_id": [1.0], "circuit_id": ["1"]}).write_parquet(path)
    with pytest.raises(AuditorError, match="store ids as text"):
        read_records(path)
    pl.DataFrame({"system_id": ["1"], "circuit_id": ["1"], "arm_counts": [[8, 8]]}).write_parquet(path)
    with pytest.raises(AuditorError, match="not single cells"):
        read_records(path)
    path.write_bytes(b"not parquet")
    with pytest.raises(AuditorError, match="cannot be read as Parquet"):
        read_records(path)


def test_a_refused_system_is_held_in_the_store_as_one_of_which_nothing_is_known(tmp_path: Path) -> None:
    two = [{"circuit_id": "1", "breaker_a": 20}, {"circuit_id": "2", "breaker_a": 20}]
    document = {"systems": [{"system_id": "S1", "latitude_deg": 100, "circuits": two}]}
    (tmp_path / "bad.json").write_text(json.dumps(document), encoding="utf-8")
    document["systems"][0]["latitude_deg"] = 10
    (tmp_path / "good.json").write_text(json.dumps(document), encoding="utf-8")
    store = Store(tmp_path / "store")
    store.create()
    query = "SELECT system_id, circuit_id, breaker_a FROM circuit ORDER BY ALL"
    with store.locked("test"), open_records(store) as con:
        import_file(con, store, tmp_path / "bad.json", imported_on="2026-01-31")
        assert con.execute("SELECT system_id, latitude_deg FROM system").fetchall() == [("S1", None)]
        assert con.execute(query).fetchall() == [("S1", "1", None), ("S1", "2", None)]
        import_file(con, store, tmp_path / "good.json", imported_on="2026-02-01")
        assert con.execute("SELECT system_id, latitude_deg FROM system").fetchall() == [("S1", 10.0)]
        assert con.execute(query).fetchall() == [("S1", "1", 20.0), ("S1", "2", 20.0)]

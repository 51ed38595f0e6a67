"""`auditor import --as readings|events`: what it prints and refuses, and what the audit's snapshot holds of it."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import polars as pl
import pytest
from command_line import SAMPLE, Refused, Run

from auditor.records.evidence_schema import EVENT, READING
from auditor.store import Store
from auditor.store.originals import read_manifest
from auditor.store.snapshot import open_snapshot, snapshot_numbers

EVENTS = "system_id,circuit_id,unit,start,end,kind,words,source\n"
LOG = "S1,,,2025-06-01T00:00,2025-07-01T00:00,logging,,\nS1,1,,2025-06-03T12:00,,overvoltage trip,,\n"


@pytest.fixture
def events(tmp_path: Path) -> Path:
    path = tmp_path / "events.csv"
    path.write_text(EVENTS + LOG, "utf-8")
    return path


def test_the_sample_is_counted_as_its_own_plan_says(run: Run, full: Path) -> None:
    """`expected_logs.csv` comes from plain loops over days that share no line with the auditor."""
    for name, kind in (("events.csv", "events"), ("readings.csv", "readings")):
        assert run("import", SAMPLE / name, "--as", kind, "--store", full, "--no-audit").status == 0
    assert run("audit", "--store", full).status == 0
    with (SAMPLE / "expected_logs.csv").open(encoding="utf-8", newline="") as file:
        expected = [tuple(row.values()) for row in csv.DictReader(file)]
    with open_snapshot(Store(full)) as con:
        found = con.execute("FROM observed ORDER BY system_id, month").fetchall()
        systems = {row[0] for row in con.execute("SELECT system_id FROM system").fetchall()}
        tables = {row[0] for row in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    got = [(r[0], str(r[1]), f"{r[2]:g}", *map(str, r[3:])) for r in found]
    assert got == [row for row in expected if row[0] in systems]
    assert {row[0] for row in expected} - systems == {"Q9999"}
    # A snapshot holds counts, and neither readings nor events.
    assert not tables & {"reading", "event"}
    by_system: dict[str, int] = {}
    for row in found:
        by_system[row[0]] = by_system.get(row[0], 0) + row[3]
    far, *others = sorted(by_system.values(), reverse=True)
    assert far > 5 * max(others)
    logs_move_the_planted_systems(full)


def logs_move_the_planted_systems(store: Path) -> None:
    """What `sample_portfolio/logs.py` plants: far more trips than the neighbours, silence, winter, other settings."""
    with open_snapshot(Store(store)) as con:
        rows = pl.DataFrame(con.sql("FROM system_result WHERE log_multiplier IS NOT NULL").to_arrow_table())
        without = con.execute("SELECT count(expected_trip_days_in_log) FROM system_result WHERE logged_days IS NULL")
        assert without.fetchall() == [(0,)]
        fits = con.execute("SELECT system_id, days, place FROM fitted_supply").fetchall()
    told = {row["system_id"]: row for row in rows.iter_rows(named=True)}
    assert len(told) == 15
    times = {system_id: row["log_multiplier"] for system_id, row in told.items()}
    # 34 trip-days in a year: the answer goes there, whatever the records say, and the log is told as hardly possible.
    busy = told.pop("Q0140")
    assert busy["trip_days_per_year_low"] < 34 < busy["trip_days_per_year_high"]
    assert busy["chance_of_so_many_in_log"] < 0.001
    assert busy["trip_band"] == "most months"
    # Seven days of readings are enough for a level, five are not.
    assert fits == [("Q0140", 7, "service")]
    assert busy["supply_from"] == "readings of 7 days"
    for row in told.values():
        seen, expected = row["logged_trip_days"], row["expected_trip_days_in_log"]
        assert row["supply_from"] == "policy"
        assert seen == 0 or seen < 2 * expected or row["log_multiplier"] > 1, row["system_id"]
        assert seen or row["log_multiplier"] < 1, row["system_id"]
    # Of the quiet ones the log in winter alone moves least, then those silent over the summer or since June.
    quiet = {system_id: times[system_id] for system_id, row in told.items() if not row["logged_trip_days"]}
    assert max(quiet, key=lambda system_id: quiet[system_id]) == "Q0169"
    # Trips before the other settings do not count: one of ten.
    assert told["Q0174"]["logged_trip_days"] == 1


def test_an_import_ends_with_an_audit_unless_it_is_deferred(run: Run, store: Path, small: Path, events: Path) -> None:
    run("import", small, "--store", store, "--no-audit")
    ran = run("import", events, "--as", "events", "--zone", "-05:00", "--store", store, "--no-audit")
    assert "Not audited yet" in ran.out
    assert snapshot_numbers(Store(store)) == []
    ran = run("import", events, "--as", "events", "--zone", "-05:00", "--store", store)
    assert "Already imported as import 2" in ran.out
    assert "auditing now" in ran.out
    assert snapshot_numbers(Store(store)) == [1]
    again = run("import", events, "--as", "events", "--zone", "-05:00", "--store", store)
    assert (again.status, snapshot_numbers(Store(store))) == (0, [1])


def test_what_an_import_says(run: Run, store: Path, events: Path) -> None:
    events.write_text(
        EVENTS.replace("source", "source,colour") + LOG.replace(",,\n", ",,,\n") + "S2,,,noon,,logging,,,\n", "utf-8"
    )
    ran = run("import", events, "--as", "events", "--zone", "America/New_York", "--store", store, "--report", "r.json")
    for said in (
        "events.csv: rows in 3 = accepted 2 + rejected 1 + duplicate 0",
        "Events of 1 system, from 2025-06-01 04:00 to 2025-07-01 04:00 UTC.",
        "No record yet of 1 system: S1.",
        "Columns not used: colour.",
        "Row 4, start: 'noon' is not a time",
        "auditor export rejects -o rejects.csv --store",
        "there is nothing to audit but what was rejected",
    ):
        assert said in ran.out, said
    (told,) = json.loads(Path("r.json").read_text("utf-8"))["files"]
    assert (told["accepted"], told["rejected"], told["unknown_named"], told["imported_as"]) == (2, 1, ["S1"], "events")
    assert told["first"] == "2025-06-01 04:00:00"
    (entry,) = read_manifest(Store(store))
    assert (entry.imported_as, entry.zone) == ("events", "America/New_York")
    # Its rejects can be exported, as rows and in the workbook of what to mend.
    run("export", "rejects", "-o", "rejects.csv", "--store", store)
    assert pl.read_csv("rejects.csv", infer_schema=False).select("file_name", "row_number", "column").rows() == [
        ("events.csv", "4", "start")
    ]
    assert run("export", "rejects", "-o", "rejects.xlsx", "--store", store).status == 0


def test_a_dry_run_keeps_nothing(run: Run, tmp_path: Path, events: Path) -> None:
    ran = run("import", events, "--as", "events", "--zone", "UTC", "--dry-run", "--store", tmp_path / "none")
    assert "accepted 2" in ran.out
    assert "Dry run: nothing was kept." in ran.out
    assert not (tmp_path / "none").exists()


def test_options_that_have_no_meaning_are_refused(refused: Refused, store: Path, small: Path, events: Path) -> None:
    at = ("--store", store)
    for option in (("--replace",), ("--older",), ("--keep-mapping",)):
        assert f"{option[0]} is for records" in refused("import", events, "--as", "events", *option, *at)
    assert "--zone is for times of readings and events" in refused("import", small, "--zone", "UTC", *at)
    assert "is no time zone" in refused("import", events, "--as", "events", "--zone", "Mars", *at)
    assert "states no zone" in refused("import", events, "--as", "events", *at)
    assert "has no column" in refused("import", small, "--as", "readings", *at)
    book = shutil.copy(SAMPLE / "site_book.xlsx", "book.xlsx")
    assert "is .csv or .parquet" in refused("import", book, "--as", "readings", *at)
    assert "'photographs' is not one of" in refused("import", events, "--as", "photographs", *at, status=2)
    assert not read_manifest(Store(store))


def test_one_of_several_files_that_is_refused_leaves_the_others(
    run: Run, store: Path, events: Path, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("a,b\n1,2\n", "utf-8")
    ran = run("import", bad, events, "--as", "events", "--zone", "UTC", "--store", store, "--no-audit")
    assert ran.status == 1
    assert "bad.csv: refused." in ran.out
    assert [entry.file_name for entry in read_manifest(Store(store))] == ["events.csv"]


def test_schema_prints_the_columns_of_readings_and_events(run: Run) -> None:
    for kind, table in (("readings", READING), ("events", EVENT)):
        fields = json.loads(run("schema", "--as", kind).out)["fields"]
        assert [field["name"] for field in fields] == [column.name for column in table.columns]
    assert fields[5]["constraints"]["enum"][0] == "overvoltage trip"

"""How the commands speak: progress, summaries, rules of a run, narrow and plain terminals, strange folders."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from command_line import SAMPLE, Refused, Run
from rich.console import Console
from rich.table import Table

from auditor.cli import show
from auditor.records.schema import simple_columns
from auditor.store import Store
from auditor.store.rejects import PLACE
from auditor.store.snapshot import open_snapshot


def test_short_work_shows_no_progress_where_no_one_watches(
    run: Run, store: Path, small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "FIRST_LINE_S", 2.0)
    monkeypatch.setattr(show, "monotonic", lambda: 0.0)
    assert run("import", small, "--store", store).err == ""


def test_long_work_says_now_and_then_how_far_it_is(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = iter([0.0, 1.0, 2.5, 2.5, 9.0, 12.6, 12.6, 30.0, 30.0])
    monkeypatch.setattr(show, "monotonic", lambda: next(clock))
    with show.progress("Reading rows of tidy.csv") as advance:
        for done in (100_000, 350_000, 400_000, 900_000):
            advance(done, 1_000_000)
        advance.phase = "Auditing circuits"
        advance(25_000, None)
    assert capsys.readouterr().err.splitlines() == [
        "Reading rows of tidy.csv: 350,000 of 1,000,000",
        "Reading rows of tidy.csv: 900,000 of 1,000,000",
        "Auditing circuits: 25,000",
    ]


def test_an_import_names_the_file_it_reads(run: Run, store: Path, small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(show, "FIRST_LINE_S", 0.0)
    monkeypatch.setattr(show, "LINE_S", 0.0)
    told = run("import", small, "--store", store).err.splitlines()
    assert told[0].startswith("Reading rows of small.csv: ")
    assert told[-1].startswith("Auditing circuits: ")


def test_the_summary_counts_what_stands_in_for_refused_rows(run: Run, full: Path) -> None:
    with duckdb.connect(str(Store(full).records), read_only=True) as con:
        query = "SELECT count(*), count(DISTINCT system_id) FROM circuit WHERE row_hash = ?"
        circuits, systems = con.execute(query, [PLACE]).fetchall()[0]
    assert circuits > systems > 0
    told = run("audit", "--store", full).out
    assert f"\n{circuits} circuits in {systems} systems stand in for refused rows: " in told
    assert f"  To mend the rows: auditor export rejects -o rejects.xlsx --store {full}\n" in told


def test_a_summary_without_refused_rows_says_nothing_of_them(run: Run, store: Path, small: Path) -> None:
    assert "refused rows" not in run("import", small, "--store", store).out


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def test_a_count_above_the_ceiling_is_said_to_be_one(run: Run, store: Path, tmp_path: Path) -> None:
    lines = (
        "system_id,circuit_id,service,inverter_model,inverter_count,arm_counts,breaker_a",
        "S1,1,120/240,Larkfield U240,1200,,20",
        "S1,2,120/240,Larkfield U240,,,20",
        "S2,1,120/240,Larkfield U240,,300+300,20",
    )
    (tmp_path / "many.csv").write_text("\n".join(lines), "utf-8")
    run("import", "many.csv", "--store", store)
    run("export", "findings", "-o", "out.csv", "--store", store)
    told = {
        (row["system_id"], row["circuit_id"]): row["sentence"]
        for row in rows_of(tmp_path / "out.csv")
        if row["check"] == "branch-unit-limit"
    }
    assert "inverter count (1,200 is above the ceiling of 400, taken for a slip)" in told["S1", "1"]
    assert "inverter count (600 is above the ceiling of 400, taken for a slip)" in told["S2", "1"]
    assert "inverter count" in told["S1", "2"]
    assert "ceiling" not in told["S1", "2"]


def test_the_schema_is_written_or_printed(run: Run, refused: Refused, tmp_path: Path) -> None:
    assert run("schema", "-o", "schema.json").out == f"schema.json: {len(simple_columns())} columns.\n"
    written = json.loads((tmp_path / "schema.json").read_text("utf-8"))
    assert [field["name"] for field in written["fields"]] == list(simple_columns())
    assert json.loads(run("schema").out) == written
    assert "a Table Schema is a .json file" in refused("schema", "-o", "schema.txt")
    assert refused("schema", "-o", "nowhere/schema.json").startswith("nowhere/schema.json: cannot be written: ")


def test_a_run_by_other_rules_says_so_and_keeps_what_was_given(run: Run, full: Path, tmp_path: Path) -> None:
    strict = tmp_path / "strict.toml"
    policy = (SAMPLE / "policy.toml").read_text("utf-8")
    strict.write_text(policy.replace("target_pct = 2.0", "target_pct = 0.5"), "utf-8")
    specs = tmp_path / "specs"
    specs.mkdir()
    text = (SAMPLE / "catalog" / "equipment.toml").read_text("utf-8")
    (specs / "other.toml").write_text(text.replace("Larkfield TC-3", "Larkfield TC-33"), "utf-8")
    for options in (("--policy", strict), ("--as-of", "2016-06-30"), ("--catalog", specs)):
        given = f"{options[0]} {options[1]}"
        told = run("audit", "--store", full, *options).out
        assert f"Attention: this run used other rules than the store's own: {given}\n" in told
        assert told.endswith(f"come back with: auditor audit --store {full}\n")
        with open_snapshot(Store(full)) as con:
            assert con.execute("SELECT other_rules FROM audit").fetchall() == [(given,)]
    listed = run("runs", "--store", full).out
    assert "Run 3 used other rules than the store's own: --as-of 2016-06-30\n" in listed
    assert "Attention" not in run("audit", "--store", full).out
    assert "Run 5" not in run("runs", "--store", full).out


def test_rules_that_are_the_stores_own_are_no_other_rules(run: Run, full: Path) -> None:
    # The store holds copies of the sample's policy and equipment, and was last imported on the day named here.
    own = ("--policy", SAMPLE / "policy.toml", "--catalog", SAMPLE / "catalog", "--as-of", "2026-01-31")
    assert "Attention" not in run("audit", "--store", full, *own).out


def test_a_folder_with_other_things_is_no_store(refused: Refused, small: Path, tmp_path: Path) -> None:
    for name in ("", ".", tmp_path):
        told = refused("import", small, "--store", name)
        assert told.endswith("holds other things, and no store. Name a store, or a new folder for one.")
    assert [path.name for path in tmp_path.iterdir()] == ["small.csv"]


def test_a_narrow_terminal_cuts_no_figure(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(show, "console", Console(width=20))
    table = Table(box=None)
    for name in ("systems", "circuits", "content"):
        table.add_column(name)
    table.add_row("1,234,567", "12,345,678", "0123456789ab")
    show.tabular(table)
    assert capsys.readouterr().out.splitlines()[1].split() == ["1,234,567", "12,345,678", "0123456789ab"]


def test_a_terminal_without_some_signs_shows_the_rest() -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "auditor", "explain", "module-cold-voltage"],
        env=os.environ | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
        capture_output=True,
        check=False,
    )
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert b"beta in %/?C (negative)" in ran.stdout


def test_all_faults_of_a_settings_file_are_told_at_once(run: Run, store: Path, small: Path, tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text('[columns]\ncrw = "Crew"\n[file]\nheader_row = 0\n', "utf-8")
    ran = run("import", small, "--mapping", "m.toml", "--store", store)
    assert ran.status == 1
    assert ran.err == (
        "auditor: m.toml: [file] header_row = 0: must be a whole number from 1 to 10000.\n"
        "m.toml: [columns] crw: is no canonical column. Did you mean crew? README.md lists them all.\n"
    )

"""`mend`: what would mend a system, what to mend first, and one clear sentence for every mistake."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import polars as pl
import pytest
from command_line import SAMPLE, Refused, Run

from auditor import mend
from auditor.errors import AuditorError
from auditor.one_system.case import load
from auditor.remedies import REMEDIES
from auditor.store import Store
from auditor.store.snapshot import open_snapshot, run_path

#: Sections that every remedy's text has.
SECTIONS = ("What", "Formula", "Reference", "What to verify first", "What cannot be checked")


@pytest.fixture
def few(sample_store: tuple[Store, object], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> tuple[Path, list[str]]:
    """A copy of the sample's store with invented prices, of which the first failing systems are to be mended."""
    root = Path(shutil.copytree(sample_store[0].root, tmp_path / "few"))
    shutil.copyfile(SAMPLE / "prices.toml", root / "prices.toml")
    with open_snapshot(Store(root)) as con:
        ids = [row[0] for row in con.execute(
            "SELECT system_id FROM system_result WHERE voltage_rise_verdict = 'fail' ORDER BY system_id LIMIT 4"
        ).fetchall()]  # fmt: skip
    monkeypatch.setattr("auditor.cli.mending.systems_to_mend", lambda con: ids)
    return root, ids


def test_all_are_mended_planned_and_written(run: Run, few: tuple[Path, list[str]]) -> None:
    root, ids = few
    ran = run("mend", ids[0], "-o", "one.csv", "--store", root)
    assert ran.status == 0 and "rise target" in ran.out and "Verify first: " in ran.out and "crowns" in ran.out
    assert pl.read_csv("one.csv", infer_schema=False)["system_id"].unique().to_list() == [ids[0]]
    ran = run("mend", "--all", "-o", "all.parquet", "--store", root)
    assert ran.status == 0 and "would be helped by one of them" in ran.out and "(invented)" in ran.out
    written = pl.read_parquet("all.parquet")
    assert written["system_id"].unique().sort().to_list() == ids
    with open_snapshot(Store(root)) as con:
        held = mend.kept(Store(root), con)
    assert held is not None and held.prices is not None and "invented" in held.prices.name
    assert held.table.collect().height == written.height
    budget = float(written["cost"].drop_nulls().max() or 0)
    ran = run("mend", "--all", "--budget", budget, "-o", "plan.jsonl", "--store", root)
    assert ran.status == 0 and "expected trip-days a year fewer" in ran.out
    plan = pl.read_ndjson("plan.jsonl")
    assert plan["cost"].sum() <= budget and plan["system_id"].is_unique().all()
    assert "crew days" in run("mend", "--all", "--crew-days", 3, "--store", root).out


def test_a_table_of_another_run_is_not_shown(few: tuple[Path, list[str]]) -> None:
    root, _ = few
    store = Store(root)
    with open_snapshot(store) as con:
        mend.keep(store, con, pl.DataFrame({"system_id": ["S"]}), None)
        assert mend.kept(store, con) is not None
    other = duckdb.connect()
    other.execute("CREATE TABLE audit AS SELECT 1 AS run, 'another' AS content_hash")
    assert mend.kept(store, other) is None


def test_a_table_that_cannot_be_written_leaves_nothing_behind(
    few: tuple[Path, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    root, _ = few

    def full(frame: pl.DataFrame, path: Path, **named: object) -> None:
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pl.DataFrame, "write_parquet", full)
    with open_snapshot(Store(root)) as con, pytest.raises(AuditorError, match="cannot be written: No space left"):
        mend.keep(Store(root), con, pl.DataFrame({"system_id": ["S"]}), None)
    assert not [*(root / "mends").glob("*"), *(root / "unfinished").glob("*/")]


def test_a_run_of_an_earlier_version_that_lacks_a_column(run: Run, few: tuple[Path, list[str]]) -> None:
    root, ids = few
    with duckdb.connect(run_path(Store(root), 1)) as con:
        con.execute("ALTER TABLE circuit DROP COLUMN extra_trunk")
    assert "rise target" in run("mend", ids[0], "--run", 1, "--store", root).out
    with open_snapshot(Store(root), 1) as con:
        case = load(con, ids[0])
    assert case.records.circuit["extra_trunk"].null_count() == case.records.circuit.height > 0
    assert case.origins["circuit"]["import_id"].null_count() == 0


def test_what_a_snapshot_says_of_calls_and_doubts_and_no_call_is_cleared(
    refused: Refused, few: tuple[Path, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    root, ids = few
    with open_snapshot(Store(root)) as con:
        assert mend.safety_calls(con) == {}
    held = duckdb.connect()
    assert mend.safety_calls(held) == {}  # a snapshot of before there were complaints
    held.execute("CREATE TABLE triage (complaint_id VARCHAR, system_id VARCHAR, state VARCHAR)")
    held.execute("INSERT INTO triage VALUES ('C8', 'S', 'stop'), ('C7', 'S', 'stop'), ('C9', 'T', 'cannot tell')")
    assert mend.safety_calls(held) == {"S": "C7"}
    assert mend.doubtful_systems(held) == []
    held.execute("CREATE TABLE warning (system_id VARCHAR, code VARCHAR)")
    held.execute("INSERT INTO warning VALUES ('S', 'dates'), ('T', 'run-rise'), ('T', 'stated-rise')")
    assert mend.doubtful_systems(held) == ["T"]
    monkeypatch.setattr("auditor.cli.mending.safety_calls", lambda con: {ids[0]: "C7"})
    told = f"{ids[0]}: a safety call stands open (complaint C7), so it is not cleared. See: auditor triage C7"
    assert refused("mend", ids[0], "--cleared", ids[0], "--store", root) == told


def test_mistakes(refused: Refused, few: tuple[Path, list[str]]) -> None:
    root, ids = few
    assert refused("mend", "--store", root) == "Name the systems to mend, or say --all: one of the two."
    assert refused("mend", ids[0], "--all", "--store", root).startswith("Name the systems to mend")
    assert refused("mend", "nowhere", "--store", root) == "nowhere: this run holds no such system."
    assert refused("mend", ids[0], "--cleared", "nowhere", "--store", root).startswith("nowhere: ")
    assert refused("mend", ids[0], "--budget", 5, "--store", root) == "A plan is made over all systems: say --all."
    assert "not both" in refused("mend", "--all", "--budget", 5, "--crew-days", 1, "--store", root)
    assert "cannot be read" in refused("mend", ids[0], "--prices", "none.toml", "--store", root)
    assert "the suffix says the format" in refused("mend", ids[0], "-o", "x.pdf", "--store", root)
    assert "a budget is an amount" in refused("mend", "--all", "--budget", "-1", "--store", root)


@pytest.mark.parametrize("remedy", REMEDIES, ids=lambda remedy: remedy.name)
def test_explain_of_each_remedy(run: Run, remedy) -> None:  # type: ignore[no-untyped-def]
    ran = run("explain", remedy.name)
    assert ran.status == 0 and all(f"\n{section}\n" in ran.out for section in SECTIONS)
    assert remedy.verify and remedy.unchecked and remedy.name in run("explain").out

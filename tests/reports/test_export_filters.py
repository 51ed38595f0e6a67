"""Exports narrowed to a check, a verdict or systems, and the exports of decisions and possible duplicates."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from exports_read_back import READERS, Row

from auditor.errors import AuditorError
from auditor.reports.export import export, export_decisions
from auditor.reports.tables import Filters
from auditor.store import Store
from auditor.store.decisions import all_decisions, append
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]


def rows(store: Store, path: Path, what: str, *systems: str, check: str = "", verdict: str = "") -> list[Row]:
    with open_snapshot(store) as con:
        export(con, what, path, Filters(check, verdict, systems))
    return READERS[path.suffix](path)


def test_findings_of_a_check_a_verdict_and_systems(sample_store: SampleStore, tmp_path: Path) -> None:
    store, path = sample_store[0], tmp_path / "x.csv"
    every = rows(store, path, "findings")
    for check, verdict in (("voltage-rise", ""), ("", "fail"), ("voltage-rise", "fail"), ("busbar", "unknown")):
        kept = [r for r in every if check in ("", r["check"]) and verdict in ("", r["verdict"])]
        assert kept
        assert rows(store, path, "findings", check=check, verdict=verdict) == kept
    some = sorted({str(r["system_id"]) for r in every})[3:6]
    assert rows(store, path, "findings", *some) == [r for r in every if r["system_id"] in some]
    one = rows(store, path, "findings", some[0], check="voltage-rise")
    assert one == [r for r in every if r["system_id"] == some[0] and r["check"] == "voltage-rise"]


def test_circuits_and_systems_of_a_verdict(sample_store: SampleStore, tmp_path: Path) -> None:
    store, path = sample_store[0], tmp_path / "x.csv"
    for what in ("circuits", "systems"):
        every = rows(store, path, what)
        kept = [r for r in every if r["voltage_rise_verdict"] == "fail"]
        assert kept
        assert rows(store, path, what, check="voltage-rise", verdict="fail") == kept
    systems = rows(store, path, "systems")
    assert rows(store, path, "systems", verdict="unknown") == [r for r in systems if r["verdict"] == "unknown"]
    assert rows(store, path, "systems", str(systems[5]["system_id"])) == [systems[5]]


@pytest.mark.parametrize(
    ("what", "filters", "sentence"),
    [
        (
            "findings",
            Filters("voltage-raise"),
            "--check voltage-raise: there is no such check. Did you mean voltage-rise",
        ),
        ("findings", Filters(verdict="failed"), "a verdict is one of fail, unknown, pass, not applicable"),
        ("findings", Filters(systems=("no'such",)), "--system no'such: this run holds no such system"),
        ("circuits", Filters(verdict="fail"), "name a check of circuits with --check"),
        ("circuits", Filters("busbar", "fail"), "busbar is judged for systems"),
        ("systems", Filters("busbar"), "say which of its verdicts you want"),
        ("rejects", Filters("busbar"), "--check and --verdict narrow findings, circuits, systems, not rejects"),
    ],
)
def test_filters_that_cannot_be_met(
    sample_store: SampleStore, tmp_path: Path, what: str, filters: Filters, sentence: str
) -> None:
    with open_snapshot(sample_store[0]) as con, pytest.raises(AuditorError) as told:
        export(con, what, tmp_path / "x.csv", filters)
    assert sentence in str(told.value)
    assert not (tmp_path / "x.csv").exists()


@pytest.mark.parametrize("what", ["rejects", "conflicts", "warnings", "facts"])
def test_lists_of_systems(sample_store: SampleStore, tmp_path: Path, what: str) -> None:
    store, path = sample_store[0], tmp_path / "x.csv"
    every = rows(store, path, what)
    system = next(str(r["system_id"]) for r in every if r["system_id"])
    assert rows(store, path, what, system) == [r for r in every if r["system_id"] == system]
    with pytest.raises(AuditorError, match="this run holds no such system"):
        rows(store, path, what, "'; DROP TABLE reject; --")


@pytest.mark.parametrize("what", ["rejects", "conflicts", "warnings", "facts", "duplicates"])
def test_a_system_that_is_not_there_is_refused(sample_store: SampleStore, tmp_path: Path, what: str) -> None:
    path = tmp_path / "x.csv"
    with pytest.raises(AuditorError, match=r"^--system NOPE: this run holds no such system"):
        rows(sample_store[0], path, what, "NOPE")
    assert not path.exists()


@pytest.mark.parametrize("what", ["rejects", "conflicts", "warnings", "facts", "duplicates"])
def test_a_system_of_which_nothing_is_told_gives_an_empty_list(
    sample_store: SampleStore, tmp_path: Path, what: str
) -> None:
    store, path = sample_store[0], tmp_path / "x.csv"
    told = {str(r[name]) for r in rows(store, path, what) for name in ("system_id", "other_id") if r.get(name)}
    silent = sorted({str(r["system_id"]) for r in rows(store, path, "systems")} - told)
    if silent:
        assert rows(store, path, what, silent[0]) == []


def test_every_suspicion_has_its_file_and_row(sample_store: SampleStore, tmp_path: Path) -> None:
    store = sample_store[0]
    told = rows(store, tmp_path / "x.csv", "warnings")
    assert told
    with open_snapshot(store) as con:
        stands = {
            (system, circuit): (file, row)
            for system, circuit, file, row in con.execute(
                "SELECT system_id, circuit_id, file_name, source_row FROM circuit JOIN import USING (import_id)"
            ).fetchall()
        }
    for row in told:
        assert row["file_name"], row
        if row["circuit_id"] and not str(row["column"]).startswith("home_run"):
            file, number = stands[str(row["system_id"]), str(row["circuit_id"])]
            assert (row["file_name"], str(row["row_number"])) == (file, str(number))


@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".jsonl", ".parquet"])
def test_all_decisions_are_written(tmp_path: Path, suffix: str) -> None:
    store = Store(tmp_path / "store")
    store.create()
    path = tmp_path / f"x{suffix}"
    export_decisions([], path)
    assert READERS[suffix](path) == []
    append(store, "merge", {"keep": "A", "drop": "=B"}, "=why", "Ada")
    append(store, "undo", {}, "a mistake", "Bo", undoes=1)
    assert export_decisions(all_decisions(store), path).rows == 2
    first, second = READERS[suffix](path)
    assert json.loads(str(first["subject"])) == {"keep": "A", "drop": "=B"}
    assert first["text"] == ("=why" if suffix in (".jsonl", ".parquet") else "'=why")
    assert (str(second["kind"]), str(second["undoes"]).removesuffix(".0")) == ("undo", "1")
    assert [str(row["in_force"]).lower() in ("true", "1.0") for row in (first, second)] == [False, False]

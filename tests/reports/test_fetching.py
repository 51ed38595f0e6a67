"""The work list of facts to fetch, counted again verdict by verdict in plain Python from the result tables."""

from __future__ import annotations

from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from auditor.checks import CHECKS
from auditor.checks.facts import FACTS, names
from auditor.findings import fact_label
from auditor.reports.fetching import PLACES, facts_query
from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]
Row = dict[str, Any]


@pytest.fixture(scope="module")
def con(sample_store: SampleStore) -> Connection:
    return open_snapshot(sample_store[0])


@pytest.fixture(scope="module")
def listed(con: Connection) -> list[Row]:
    return pl.DataFrame(con.sql(facts_query(con)).to_arrow_table()).to_dicts()


def unknowns(con: Connection) -> list[tuple[Row, str, tuple[str, ...], str | None]]:
    """Every unknown verdict that names facts: its row of results, its check, the facts and the feeder it is about."""
    found = []
    for table, levels in (("circuit_result", ("circuit",)), ("system_result", ("feeder", "system"))):
        rows = pl.DataFrame(con.sql(f"SELECT * FROM {table}").to_arrow_table()).to_dicts()
        for check in (c for c in CHECKS if c.level in levels):
            for row in rows:
                missing = int(row[f"{check.column}_missing"] or 0)
                if row[f"{check.column}_verdict"] == "unknown" and missing:
                    found.append((row, check.title, names(missing), row.get(f"{check.column}_combiner_id")))
    return found


def test_every_fact_has_a_place() -> None:
    assert set(PLACES) == set(FACTS)
    for level, found in PLACES.values():
        assert level in ("system", "feeder", "circuit", "catalog")
        assert found.startswith(("office: ", "field: ", "from the facts of "))


def test_each_verdict_is_counted_once_for_each_of_its_facts(con: Connection, listed: list[Row]) -> None:
    alone: Counter[tuple[str, str]] = Counter()
    others: Counter[tuple[str, str]] = Counter()
    for row, _, facts, _ in unknowns(con):
        for fact in facts:
            (alone if len(facts) == 1 else others)[row["system_id"], fact_label(fact)] += 1
    assert alone
    assert others
    for counts, column in ((alone, "settles_alone"), (others, "settles_with_others")):
        told: Counter[tuple[str, str]] = Counter()
        for row in listed:
            told[row["system_id"], row["fact"]] += row[column]
        assert +told == counts


def test_rows_name_whose_the_fact_is(con: Connection, listed: list[Row]) -> None:
    level = {fact_label(fact): place for fact, (place, _) in PLACES.items()}
    circuits = {
        (c, i): b for c, i, b in con.execute("SELECT system_id, circuit_id, combiner_id FROM circuit").fetchall()
    }
    wanted: dict[tuple[str, str], set[tuple[str | None, str | None]]] = defaultdict(set)
    for row, _, facts, feeder in unknowns(con):
        circuit = row.get("circuit_id")
        for label in map(fact_label, facts):
            at = level[label]
            combiner = circuits[row["system_id"], circuit] if circuit else feeder
            wanted[row["system_id"], label].add(
                (circuit if at == "circuit" else None, combiner if at == "feeder" else None)
            )
    told: dict[tuple[str, str], set[tuple[str | None, str | None]]] = defaultdict(set)
    for row in listed:
        told[row["system_id"], row["fact"]].add((row["circuit_id"], row["combiner_id"]))
    assert told == wanted


def test_the_facts_of_a_system_are_ranked(listed: list[Row]) -> None:
    by_system: dict[str, list[Row]] = defaultdict(list)
    for row in listed:
        by_system[row["system_id"]].append(row)
    assert list(by_system) == sorted(by_system)
    for rows in by_system.values():
        assert [row["rank"] for row in rows] == list(range(1, len(rows) + 1))
        counts = [(-row["settles_alone"], -row["settles_with_others"]) for row in rows]
        assert counts == sorted(counts)


def test_a_fact_of_the_catalog_is_listed_once_for_each_model(con: Connection, listed: list[Row]) -> None:
    held = {row[0] for row in con.execute("SELECT DISTINCT inverter_model FROM circuit").fetchall()}
    found = [row for row in listed if row["fact"] == "inverter in the catalog"]
    assert found
    assert len({(row["system_id"], row["model"]) for row in found}) == len(found)
    assert {row["model"] for row in found} <= held
    assert all(row["model"] is None for row in listed if row["fact"] == "home run length")


def test_what_else_a_verdict_waits_for_is_told(con: Connection, listed: list[Row]) -> None:
    beside: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row, _, facts, _ in unknowns(con):
        for fact in facts:
            beside[row["system_id"], fact_label(fact)] |= {fact_label(f) for f in facts if f != fact}
    for key, labels in beside.items():
        rows = [row for row in listed if (row["system_id"], row["fact"]) == key]
        told = {label for row in rows for label in (row["together_with"] or "").split(", ") if label}
        assert told == labels


def test_a_check_is_named_by_its_title(listed: list[Row]) -> None:
    titles = {check.title for check in CHECKS}
    for row in listed:
        assert set(row["checks"].split("; ")) <= titles


def test_the_list_is_an_export(sample_store: SampleStore, listed: list[Row], tmp_path: Path) -> None:
    from auditor.reports.export import export

    for suffix in (".csv", ".xlsx", ".jsonl", ".parquet"):
        with open_snapshot(sample_store[0]) as con:
            assert export(con, "facts", tmp_path / f"facts{suffix}").rows == len(listed)

"""An audit gives the same results, to the byte, whatever the batches it is worked through in."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest

from auditor import publish
from auditor.catalog import load_catalog
from auditor.cli.demo import FILES
from auditor.policy import load_policy
from auditor.store import Store
from auditor.store.evidence import import_evidence
from auditor.store.importing import import_file
from auditor.store.records_db import Connection, open_records

SAMPLE = Path(__file__).parents[1] / "sample_portfolio"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    store = Store(tmp_path_factory.mktemp("batches") / "store")
    store.create()
    with store.locked("test"), open_records(store) as con:
        for name, mapping in FILES:
            import_file(con, store, SAMPLE / name, SAMPLE / mapping if mapping else None, imported_on="2026-01-31")
        for name, kind in (("events.csv", "events"), ("readings.csv", "readings")):
            import_evidence(con, store, SAMPLE / name, kind, imported_on="2026-01-31")
        yield con


def content_hash(con: Connection, folder: Path, size: int) -> str:
    catalog, policy = load_catalog([SAMPLE / "catalog"]), load_policy(SAMPLE / "policy.toml")
    return publish.audit_all(con, folder, catalog, policy, date(2026, 1, 31), size=size).content_hash


@pytest.fixture
def some_records(records):
    """The records with every 24th system alone: an audit of one system at a time takes a fifth of a second each."""
    records.execute("BEGIN")
    records.execute("CREATE TEMP TABLE kept AS SELECT system_id FROM system ORDER BY system_id")
    chosen = "SELECT system_id FROM kept WHERE rowid % 24 = 0 OR system_id IN ('Q0140', 'Q0236')"
    for table in ("system", "circuit", "unit", "run"):
        records.execute(f"DELETE FROM {table} WHERE system_id NOT IN ({chosen})")
    yield records
    records.execute("ROLLBACK")


def test_one_system_at_a_time_gives_the_same_bytes(some_records, tmp_path):
    hashes = {size: content_hash(some_records, tmp_path, size) for size in (1, 7, 10_000)}
    assert len(set(hashes.values())) == 1, hashes
    # Logs and readings are inputs of the audit: without either the hash is another.
    known = {hashes[1]}
    for table in ("reading", "event"):
        some_records.execute(f"DELETE FROM {table}")
        known.add(content_hash(some_records, tmp_path, 10_000))
    assert len(known) == 3


def test_the_batch_size_does_not_change_a_byte(records, tmp_path):
    # Many batches, two, and all of the sample (1,539 circuits) at once.
    hashes = {size: content_hash(records, tmp_path, size) for size in (200, 1000, 10_000)}
    assert len(set(hashes.values())) == 1, hashes


def test_the_number_of_workers_does_not_change_a_byte(records, tmp_path, monkeypatch):
    hashes = []
    for workers in (1, 3):
        monkeypatch.setattr(publish, "WORKERS", workers)
        hashes.append(content_hash(records, tmp_path, 200))
    assert hashes[0] == hashes[1]


def test_batches_hold_whole_systems_and_all_of_them(records):
    circuits = dict(records.execute("SELECT system_id, count(*) FROM circuit GROUP BY ALL").fetchall())
    for size in (1, 7, 1000, 10_000):
        found = list(publish.batches(records, size))
        assert sum(held for _, _, held in found) == sum(circuits.values())
        assert all(last < first for (_, last, _), (first, _, _) in pairwise(found))
        assert all(held <= max(size, *circuits.values()) for _, _, held in found)

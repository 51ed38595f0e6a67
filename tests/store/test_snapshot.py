"""Snapshots: self-contained, closed to the outside, kept while they are shown; and what their content hash rests on."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import duckdb
import pytest
from store_files import SAMPLE, new_store, rows_of

from auditor.catalog import load_catalog
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.publish import Published, publish
from auditor.store import Store
from auditor.store.folder import replace_text
from auditor.store.importing import import_file
from auditor.store.records_db import open_records, remove
from auditor.store.snapshot import current_number, drop_old, open_snapshot, snapshot_numbers, snapshot_path

AS_OF = date(2026, 1, 31)


def bring(store: Store, text: str, name: str = "a.csv", older: bool = False) -> None:
    path = store.root / name
    path.write_text(text, "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31", older=older)


def audit(store: Store) -> Published:
    with store.locked("audit"), open_records(store) as con:
        return publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF)


@pytest.fixture(scope="module")
def rows() -> str:
    return rows_of(SAMPLE / "tidy.csv", 30)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory, rows: str) -> Store:
    """A filled store that is only read."""
    store = new_store(tmp_path_factory.mktemp("shared") / "store")
    bring(store, rows)
    audit(store)
    return store


@pytest.fixture
def filled(shared: Store, tmp_path: Path) -> Store:
    """A filled store that a test may change."""
    return Store(Path(shutil.copytree(shared.root, tmp_path / "filled")))


@pytest.mark.parametrize(
    "statement",
    [
        "SELECT * FROM read_csv('{outside}')",
        "SELECT * FROM read_text('{outside}')",
        "SELECT * FROM read_parquet('{outside}')",
        "SELECT * FROM glob('{folder}/*')",
        "SELECT * FROM '{outside}'",
        "ATTACH '{folder}/other.duckdb' AS other",
        "ATTACH ':memory:' AS other; ATTACH '{folder}/new.duckdb' AS new",
        "COPY system TO '{folder}/out.csv'",
        "COPY system FROM '{outside}'",
        "EXPORT DATABASE '{folder}/out'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET lock_configuration = false",
        "SET threads = 1",
        "RESET enable_external_access",
        "PRAGMA enable_profiling",
        "DELETE FROM system",
        "DROP TABLE system",
        "CREATE TABLE mine (a INTEGER)",
        "UPDATE audit SET content_hash = ''",
    ],
)
def test_an_open_snapshot_reaches_nothing_and_changes_nothing(shared: Store, tmp_path: Path, statement: str) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text("a\n1\n", "utf-8")
    duckdb.connect(str(tmp_path / "other.duckdb")).close()
    before = sorted(tmp_path.iterdir())
    content = snapshot_path(shared, 1).read_bytes()
    with open_snapshot(shared) as con, pytest.raises(duckdb.Error):
        con.execute(statement.format(outside=outside, folder=tmp_path)).fetchall()
    assert sorted(tmp_path.iterdir()) == before
    assert snapshot_path(shared, 1).read_bytes() == content


def test_a_snapshot_needs_nothing_else_of_the_store(filled: Store, tmp_path: Path) -> None:
    queries = (
        "SELECT * FROM finding ORDER BY ALL",
        'SELECT * FROM "check"',
        "SELECT * FROM import",
        "SELECT catalog, policy FROM audit",
    )
    with open_snapshot(filled) as con:
        told = [con.execute(query).fetchall() for query in queries]
    alone = Store(tmp_path / "alone")
    alone.create()
    shutil.copyfile(snapshot_path(filled, 1), snapshot_path(alone, 1))
    remove(filled)
    for folder in (filled.originals, filled.catalog, filled.scratch):
        shutil.rmtree(folder)
    shutil.rmtree(filled.root)
    with open_snapshot(alone) as con:
        assert [con.execute(query).fetchall() for query in queries] == told
        assert len(told[0]) > 30


def test_a_reader_of_an_old_snapshot_keeps_working(filled: Store, rows: str) -> None:
    def count(con: duckdb.DuckDBPyConnection) -> object:
        return con.execute("SELECT (SELECT run FROM audit), (SELECT count(*) FROM finding)").fetchall()

    with open_snapshot(filled) as old:
        before = count(old)
        bring(filled, rows.replace(",copper,", ",aluminium,"), "b.csv")
        assert audit(filled).number == 2
        assert count(old) == before
        with open_snapshot(filled) as new:
            assert count(new)[0][0] == 2  # type: ignore[index]
        if os.name != "nt":
            assert drop_old(filled, 1) == [1]
            assert count(old) == before
            assert old.execute("SELECT count(*) FROM circuit_result").fetchall() == [(30,)]


def test_what_is_shown_is_never_removed(filled: Store) -> None:
    for _ in range(3):
        audit(filled)
    replace_text(filled.current, "audit-0002.duckdb\n")
    assert current_number(filled) == 2
    assert drop_old(filled, 1) == [1, 3]
    assert snapshot_numbers(filled) == [2, 4]
    assert current_number(filled) == 2
    assert drop_old(filled, 1) == []
    assert drop_old(filled, 0) == [4]
    assert snapshot_numbers(filled) == [2]
    assert audit(filled).number == 5  # a number is never given twice


def test_a_lost_or_damaged_current_shows_the_newest(filled: Store) -> None:
    audit(filled)
    for newest, text in enumerate((None, "", "audit-0009.duckdb\n", "../audit-0001.duckdb\n", "\x00\x01"), 2):
        filled.current.unlink()
        if text is not None:
            filled.current.write_text(text, "utf-8")
        assert current_number(filled) == newest, text
        assert audit(filled).number == newest + 1, text
        assert current_number(filled) == newest + 1


def test_runs_that_are_not_there_are_named(filled: Store, tmp_path: Path) -> None:
    with pytest.raises(AuditorError, match=r"there is no run 7\. Runs kept: 1\."):
        open_snapshot(filled, 7)
    empty = Store(tmp_path / "empty")
    empty.create()
    with pytest.raises(AuditorError, match="nothing has been audited yet"):
        open_snapshot(empty)
    assert drop_old(empty, 1) == []
    snapshot_path(filled, 1).write_bytes(b"no database" * 1000)
    with pytest.raises(AuditorError, match="cannot be opened"):
        open_snapshot(filled)


def test_equal_inputs_have_an_equal_content_hash(tmp_path: Path, rows: str) -> None:
    one, two = new_store(tmp_path / "one"), new_store(tmp_path / "two")
    bring(one, rows)
    bring(two, rows)
    assert audit(one).content_hash == audit(two).content_hash


def test_the_hash_knows_no_file_names_no_row_numbers_no_order_and_no_run(tmp_path: Path, rows: str) -> None:
    one, two = new_store(tmp_path / "one"), new_store(tmp_path / "two")
    bring(one, rows)
    first = audit(one)
    header, *lines = rows.splitlines(keepends=True)
    bring(two, "".join([header, *lines[20:]]), "other name.csv")
    bring(two, "".join([header, *reversed(lines[:20])]), "second half.csv")
    audit(two)
    third = audit(two)
    assert third.number == 2
    assert first.content_hash == third.content_hash
    for store, name in ((one, "a.csv"), (two, "other name.csv")):
        with open_snapshot(store) as con:
            assert (name,) in con.execute("SELECT file_name FROM import").fetchall()


def _specs(store: Store) -> None:
    path = store.catalog / "equipment.toml"
    replace_text(path, re.sub(r"(?m)^r_ohm_per_km = .*$", "r_ohm_per_km = 9.9", path.read_text("utf-8")))


def _policy(store: Store) -> None:
    text = store.policy.read_text("utf-8")
    replace_text(store.policy, text.replace("target_pct = 2.0", "target_pct = 1.9"))


@pytest.mark.parametrize("change", [_specs, _policy])
def test_another_spec_or_policy_has_another_hash(filled: Store, change: Callable[[Store], None]) -> None:
    with open_snapshot(filled) as con:
        before = con.execute("SELECT content_hash, catalog_hash, policy_hash FROM audit").fetchall()[0]
    change(filled)
    audit(filled)
    with open_snapshot(filled) as con:
        after = con.execute("SELECT content_hash, catalog_hash, policy_hash FROM audit").fetchall()[0]
    assert before[0] != after[0]
    assert [a != b for a, b in zip(before[1:], after[1:], strict=True)] == [change is _specs, change is _policy]


def test_another_record_has_another_hash(filled: Store, rows: str) -> None:
    before = current_hash(filled)
    bring(filled, rows.replace(",copper,", ",aluminium,", 1), "b.csv")
    audit(filled)
    assert current_hash(filled) != before
    bring(filled, rows, "c.csv", older=True)
    audit(filled)
    assert current_hash(filled) == before


def current_hash(store: Store) -> str:
    with open_snapshot(store) as con:
        return str(con.execute("SELECT content_hash FROM audit").fetchall()[0][0])

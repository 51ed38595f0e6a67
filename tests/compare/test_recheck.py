"""A re-check reads its run's snapshot alone, repeats to the byte, is never shown, and holds no one up."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from small_portfolio import AS_OF, audit, equipment, new_catalog, new_store, row

from auditor.audit import judge
from auditor.compare.comparison import compare
from auditor.compare.recheck import recheck
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.held import read_records
from auditor.policy import load_policy
from auditor.prepare import Records
from auditor.store import Store
from auditor.store.decisions import append
from auditor.store.snapshot import (
    current_number,
    discard_recheck,
    drop_old,
    open_snapshot,
    recheck_numbers,
    snapshot_numbers,
)

TABLES = (
    "circuit_result",
    "system_result",
    "warning",
    "system",
    "circuit",
    "unit",
    "run",
    "import",
    "merged",
    "finding",
)


@pytest.fixture
def store(changed: Store, tmp_path: Path) -> Store:
    return Store(Path(shutil.copytree(changed.root, tmp_path / "store")))


def everything(store: Store, run: int) -> dict[str, list[tuple[object, ...]]]:
    with open_snapshot(store, run) as con:
        columns = "* EXCLUDE (run)" if run else "*"
        return {
            name: con.execute(f"SELECT {columns if name == 'finding' else '*'} FROM {name} ORDER BY ALL").fetchall()
            for name in TABLES
        }


def test_a_repeat_is_the_same_to_the_byte_and_needs_neither_the_store_nor_its_lock(store: Store) -> None:
    with open_snapshot(store, 1) as con:
        (before,) = con.execute("SELECT content_hash FROM audit").fetchall()
    shutil.rmtree(store.catalog)
    with store.locked("import"):
        (store.scratch / "half.csv").write_text("unfinished", "utf-8")
        done = recheck(store, 1)
        assert (store.scratch / "half.csv").exists()
    assert done.content_hash == before[0]
    assert (done.number, done.path.name) == (3, "recheck-0003.duckdb")
    assert everything(store, 3) == everything(store, 1)
    assert (current_number(store), snapshot_numbers(store), recheck_numbers(store)) == (1, [1], [2, 3])
    with open_snapshot(store, 3) as con:
        assert con.execute("SELECT run, recheck_of FROM audit").fetchall() == [(3, 1)]
    assert not list((store.root / "unfinished").glob("*/"))
    # Of a re-check too, by its own rules.
    assert recheck(store, 2).content_hash != before[0]


def test_audits_and_rechecks_are_numbered_in_one_series_and_no_number_is_given_twice(store: Store) -> None:
    left = store.root / "unfinished" / "killed"
    left.mkdir(parents=True)
    (left / "recheck.duckdb").write_text("half", "utf-8")
    assert audit(store).number == 3
    assert recheck(store).number == 4
    assert not left.exists()
    with compare(store, 1, 2), compare(store, 3, 4):
        pass
    assert len(list(store.snapshots.glob("compare-*.duckdb"))) == 2
    discard_recheck(store, 4)
    assert [path.name for path in store.snapshots.glob("compare-*.duckdb")] == ["compare-0001-0002.duckdb"]
    with pytest.raises(AuditorError, match="Run 3 is a published audit, no re-check"):
        discard_recheck(store, 3)
    assert recheck(store).number == 5
    # What goes takes the re-checks before it along, and what was compared with them.
    assert drop_old(store, 1) == [1, 2]
    assert not list(store.snapshots.glob("compare-*.duckdb"))
    assert (snapshot_numbers(store), recheck_numbers(store)) == ([3], [5])


@pytest.fixture(scope="module")
def dated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Systems designed before and after the second sheet of 2020, and one that does not say when."""
    rows = [
        row("early", 16, design_date="2015-06-01"),
        row("on the day", 16, design_date="2020-01-01"),
        row("too early", 16, design_date="2009-12-31"),
        row("silent", 16, design_date=""),
    ]
    yield new_store(tmp_path_factory.mktemp("dated") / "store", rows, equipment(later_a=1.2))


def test_then_is_judged_by_the_sheet_of_the_design_date(dated: Store) -> None:
    def by_design(rules: Rules) -> Rules:
        return replace(rules, policy=rules.policy.model_copy(update={"specs_of": "design date"}))

    then = recheck(dated, 1, by_design).number
    query = 'SELECT system_id, verdict, "limit", sentence FROM finding WHERE "check" = \'branch-unit-limit\' ORDER BY 1'
    with open_snapshot(dated, then) as con:
        found = {system: told for system, *told in con.execute(query).fetchall()}
    # 16 A of a 20 A breaker: 16 units of 1.00 A, 13 of 1.20 A.
    assert found["early"][:2] == ["pass", 16]
    assert found["on the day"][:2] == ["fail", 13]
    assert found["too early"][0] == found["silent"][0] == "unknown"
    assert "inverter in the catalog (on the design date, which is not recorded)" in found["silent"][2]
    assert "not recorded" not in found["too early"][2]
    with compare(dated, then, 1) as con:
        query = (
            "SELECT system_id, before, after, specs_before, specs_after, cause FROM changed"
            " WHERE \"check\" = 'branch-unit-limit' AND before <> after ORDER BY 1"
        )
        assert con.execute(query).fetchall() == [
            ("early", "pass", "fail", date(2015, 6, 1), AS_OF, "policy specs_of"),
            ("silent", "unknown", "fail", None, AS_OF, "policy specs_of"),
            ("too early", "unknown", "fail", date(2009, 12, 31), AS_OF, "policy specs_of"),
        ]


@pytest.mark.parametrize("day", [date(2015, 6, 1), date(2020, 1, 1), date(2026, 1, 31)])
def test_equal_design_dates_give_what_that_date_gives(dated: Store, tmp_path: Path, day: date) -> None:
    catalog = new_catalog(tmp_path / "catalog", equipment(later_a=1.2)).frames()
    with open_snapshot(dated, 1) as con:
        con.execute("CREATE TEMP TABLE left_out (system_id VARCHAR)")
        records = read_records(con, "", "~")
    same = Records(
        records.system.with_columns(pl.lit(day).alias("design_date")), records.circuit, records.unit, records.run
    )
    plain = load_policy()
    by_date = judge(same, catalog, plain, day)
    by_design = judge(same, catalog, plain.model_copy(update={"specs_of": "design date"}), AS_OF)
    assert by_design.circuit.equals(by_date.circuit)
    assert by_design.system.equals(by_date.system)


def test_a_waiver_hides_nothing_and_counts_no_more_after_its_day(store: Store) -> None:
    append(store, "waive", {"system": "failing", "check": "voltage-rise", "until": "2026-03-31"}, "agreed", "Ada")
    append(store, "waive", {"system": "inverter", "check": "voltage-rise", "until": "2026-03-31"}, "agreed", "Ada")
    with pytest.raises(AuditorError, match=r"is waived already, until 2026-03-31, by decision 1\. Undo that first\."):
        append(store, "waive", {"system": "failing", "check": "voltage-rise", "until": "2027-01-01"}, "again")
    with pytest.raises(AuditorError, match="--until soon: write the date as year-month-day"):
        append(store, "waive", {"system": "trunk", "check": "voltage-rise", "until": "soon"}, "agreed")

    def fails(run: int) -> list[tuple[object, ...]]:
        query = (
            "SELECT system_id, verdict, waived_until, waived_by, waived_why FROM finding"
            " WHERE \"check\" = 'voltage-rise' AND (verdict = 'fail' OR waived_until IS NOT NULL) ORDER BY ALL"
        )
        with open_snapshot(store, run) as con:
            return con.execute(query).fetchall()

    until = date(2026, 3, 31)
    # On its last day it stands, on the next it does not; the verdict is the same on both.
    last = audit(store, until).number
    late = recheck(store, last, lambda rules: replace(rules, as_of=date(2026, 4, 1))).number
    assert fails(last) == [("failing", "fail", until, "Ada", "agreed")]
    assert fails(late) == [("failing", "fail", None, None, None)]
    with open_snapshot(store, 1) as plain, open_snapshot(store, last) as waived:
        found = [con.execute("SELECT content_hash FROM audit").fetchall() for con in (plain, waived)]
        assert found[0] == found[1], "a waiver is no input of the audit"
    catalog = new_catalog(store.root / "other", equipment(changed_a=1.2))
    for as_of, told in ((until, "voltage-rise until 2026-03-31"), (date(2026, 4, 1), None)):
        run = recheck(store, last, lambda rules, as_of=as_of: replace(rules, catalog=catalog, as_of=as_of)).number
        with compare(store, last, run) as con:
            waived_on_list = dict(con.execute("SELECT system_id, waived FROM notice").fetchall())
            assert waived_on_list["inverter"] == told, "waived or not, it is on the list"

"""Two runs compared: verdicts, margins, counts and causes of the small portfolio, by hand."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from small_portfolio import audit, bring, equipment, new_store, row

from auditor.compare.comparison import compare
from auditor.compare.queries import export_sql, notices_sql, where
from auditor.compare.recheck import recheck
from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.decisions import append
from auditor.store.records_db import Connection

TOGETHER = "only together: inverter Unit A; trunk cable Trunk A"
EACH = "each by itself: inverter Unit A; trunk cable Trunk A"


@pytest.fixture(scope="module")
def con(changed: Store) -> Iterator[Connection]:
    with compare(changed, 1, 2) as con:
        yield con


def told(con: Connection, check: str) -> dict[str, tuple[str, str | None]]:
    rows = con.execute(
        "SELECT concat_ws(' / ', system_id, circuit_id), change, cause FROM changed"
        ' WHERE "check" = ? AND before <> after ORDER BY ALL',
        [check],
    )
    return {place: (change, cause) for place, change, cause in rows.fetchall()}


def test_every_verdict_that_changes_does_so_for_its_cause(con: Connection) -> None:
    fails = "pass to fail"
    assert told(con, "voltage-rise") == {
        "together / 1": (fails, TOGETHER),
        "inverter / 1": (fails, "inverter Unit A"),
        "trunk / 1": (fails, "trunk cable Trunk A"),
        "trunk alone / 1": (fails, "trunk cable Trunk A"),
        "each / 1": (fails, EACH),
    }
    # 16 units of 1.00 A are the 16 A that a 20 A breaker carries on; of 1.20 A they are 19.2 A.
    assert told(con, "branch-unit-limit") == {
        "together / 1": (fails, "inverter Unit A"),
        "passing / 1": (fails, "inverter Unit A"),
    }


def test_values_and_margins_stand_beside_each_other(con: Connection) -> None:
    query = (
        "SELECT value_before, value_after, limit_before, limit_after, margin_before_pct, margin_after_pct, change,"
        " cause, unit FROM changed WHERE system_id = ? AND circuit_id = ? AND \"check\" = 'voltage-rise'"
    )
    ((*figures, change, cause, unit),) = con.execute(query, ["failing", "1"]).fetchall()
    assert figures == pytest.approx([2.05368, 3.45018, 2, 2, -2.684, -72.509], abs=1e-3)
    assert (change, cause, unit) == ("fail to fail", None, "%")
    ((*figures, change, cause, unit),) = con.execute(query, ["together", "2"]).fetchall()
    assert figures == pytest.approx([0.76279, 1.28150, 2, 2, 61.860, 35.925], abs=1e-3)
    assert (change, cause) == ("pass to pass", None)
    assert con.execute("SELECT count(*) FROM changed WHERE system_id = 'unchanged'").fetchall() == [(0,)]


def test_counts_hold_every_verdict_changed_or_not(con: Connection) -> None:
    query = "SELECT change, count FROM tally WHERE kind = 'check' AND \"check\" = 'voltage-rise' ORDER BY ALL"
    # Ten circuits: five as above, 20 units failing still, the strange unit unknown, three others within.
    assert con.execute(query).fetchall() == [
        ("fail to fail", 1),
        ("pass to fail", 5),
        ("pass to pass", 3),
        ("unknown to unknown", 1),
    ]
    whole = "SELECT sum(count) FROM tally WHERE kind = 'system'"
    assert con.execute(whole).fetchall() == [(9,)]


def test_a_system_is_told_once_and_beside_whom_it_concerns(con: Connection) -> None:
    rows = con.sql(notices_sql(con)).fetchall()
    columns = con.sql(notices_sql(con)).columns
    told = [dict(zip(columns, line, strict=True)) for line in rows]
    assert [line["system_id"] for line in told] == sorted(
        ["each", "inverter", "passing", "together", "trunk", "trunk alone"], key=lambda system: f"{system}@x.invalid"
    )
    both = told[3]
    assert both["worse"] == "branch-unit-limit: pass to fail; voltage-rise: pass to fail"
    assert both["cause"] == f"inverter Unit A | {TOGETHER}"
    assert (both["utility"], both["designer"], both["contact"]) == ("Vale Power", "Ada", "together@x.invalid")
    assert len(con.sql(notices_sql(con, "branch-unit-limit")).fetchall()) == 2
    assert len(con.sql(export_sql(con, "voltage-rise", ("each", "trunk"))).fetchall()) == 2
    with pytest.raises(AuditorError, match=r"both runs have no such check\. Did you mean voltage-rise"):
        where(con, "voltage-ris")


def test_a_run_and_its_repeat_say_the_same_and_the_way_back_is_the_way_there(changed: Store, tmp_path: Path) -> None:
    store = Store(Path(shutil.copytree(changed.root, tmp_path / "store")))
    repeat = recheck(store, 1).number
    with compare(store, 1, repeat) as con:
        assert con.execute("SELECT count(*) FROM changed").fetchall() == [(0,)]
        assert con.execute("SELECT count(*) FROM factor").fetchall() == [(0,)]
        assert con.execute("SELECT count(*) FROM notice").fetchall() == [(0,)]
        assert con.execute("SELECT alike FROM compared").fetchall() == [(True,)]
    with compare(store, 2, 1) as con:
        back = told(con, "voltage-rise")
        assert {change for change, _ in back.values()} == {"fail to pass"}
        # From both to neither, one of them taken back is enough where both were needed.
        assert back["together / 1"][1] == EACH
        assert back["each / 1"][1] == TOGETHER
        assert back["inverter / 1"][1] == "inverter Unit A"
        assert con.execute("SELECT count(*) FROM notice").fetchall() == [(0,)]
    with pytest.raises(AuditorError, match="the same as run 1; name two runs"):
        compare(store, 1, 1)
    with pytest.raises(AuditorError, match=r"there is no run 9. Runs kept: 1, 2, 3."):
        compare(store, 1, 9)


def test_records_and_decisions_are_causes_too(tmp_path: Path) -> None:
    rows = [row("longer", 16), row("moved", 16), row("gone", 16), row("kept", 16), row("both", 14)]
    store = new_store(tmp_path / "store", rows, equipment())
    append(store, "merge", {"keep": "kept", "drop": "gone"}, "one roof", "Ada")
    more = [row("longer", 17), row("moved", 16, trunk="Trunk B"), row("new", 3), row("both", 17)]
    bring(store, more, "more.csv")
    # Trunk A has 1.6 times the resistance now: 16 units 1.330 % x 1.6 = 2.128 %. Of 17 units 1.496 %, 2.394 % with it;
    # of 14 units 105 / 136 x 1.330 % = 1.027 %, and 1.643 % with it. Trunk B is as it was.
    (store.catalog / "equipment.toml").write_text(equipment(trunk_times=1.6), "utf-8")
    audit(store)
    with compare(store, 1, 2) as con:
        names = con.execute("SELECT name FROM factor ORDER BY number").fetchall()
        assert names == [("trunk cable Trunk A",), ("records",)]
        assert told(con, "voltage-rise") == {
            "kept / 1": ("pass to fail", "trunk cable Trunk A"),
            "longer / 1": ("pass to fail", "trunk cable Trunk A"),
            "both / 1": ("pass to fail", "only together: trunk cable Trunk A; records"),
        }
        assert told(con, "branch-unit-limit") == {
            "longer / 1": ("pass to fail", "records"),
            "both / 1": ("pass to fail", "records"),
        }
        query = "SELECT DISTINCT system_id, change, cause FROM changed WHERE change IN ('came in', 'went') ORDER BY ALL"
        assert con.execute(query).fetchall() == [
            ("gone", "went", "decision 1: merged into kept"),
            ("new", "came in", "records"),
        ]

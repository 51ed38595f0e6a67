"""Remedies on the system page and the plan page without a browser: what they say, and what their addresses choose."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import plotly.utils
import polars as pl
import pytest
from dash.development.base_component import Component

from auditor import mend
from auditor.one_system import load
from auditor.remedies.plan import eligible, plan, whole_cost
from auditor.remedies.prices import load_prices
from auditor.store import Store
from auditor.store.snapshot import open_snapshot
from dashboard.context import Context
from dashboard.pages import plan as plan_page
from dashboard.pages import system, system_remedies
from dashboard.snapshots import Snapshots

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


def text(component: Any) -> str:
    """Everything a component would send to the browser, as one text."""
    return json.dumps(component, cls=plotly.utils.PlotlyJSONEncoder)


@pytest.fixture(scope="module")
def mended(sample_store: tuple[Store, object], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Context]:
    """The sample's store with the remedies of some of its systems kept, at invented prices."""
    store = Store(Path(shutil.copytree(sample_store[0].root, tmp_path_factory.mktemp("mended") / "store")))
    with open_snapshot(store) as con:
        query = (
            "SELECT system_id FROM system_result WHERE voltage_rise_verdict = 'fail' ORDER BY trip_days_per_year DESC"
        )
        ids = sorted(row[0] for row in con.execute(f"{query} NULLS LAST LIMIT 4").fetchall())
        prices = load_prices(SAMPLE / "prices.toml")
        mend.keep(store, con, mend.told(mend.work_out_all(con, ids), prices), prices)
    snapshots = Snapshots(store)
    yield Context(store, snapshots)
    snapshots.close()


@pytest.fixture
def table(mended: Context) -> pl.DataFrame:
    with mended.snapshots.cursor() as con:
        found = mend.kept(mended.store, con)
    assert found is not None
    return found.table.collect()


def test_a_failing_system_offers_to_work_its_remedies_out(
    sample_store: tuple[Store, object], table: pl.DataFrame
) -> None:
    snapshots = Snapshots(sample_store[0])
    context = Context(sample_store[0], snapshots)
    page = text(system.layout(context, table["system_id"][0], ""))
    assert "Work the remedies out" in page and '"remedies-body"' in page
    with snapshots.cursor() as con:
        sound = con.execute(
            "SELECT system_id FROM system_result WHERE verdict = 'pass' AND trip_days_per_year < 0.5 LIMIT 1"
        ).fetchall()[0][0]
    assert "there is nothing to mend" in text(system.layout(context, sound, ""))
    snapshots.close()


def test_the_candidates_stand_side_by_side(mended: Context, table: pl.DataFrame) -> None:
    system_id = table["system_id"][0]
    rows = table.filter(pl.col("system_id") == system_id)
    page = text(system.layout(mended, system_id, "?remedy=1"))
    for row in rows.iter_rows(named=True):
        assert json.dumps(row["done"][1:])[1:-1] in page and (row["verify_first"] or row["why_not"]) in page
    assert "crowns" in page and "least cost" in page and '"value": "1"' in page
    # A candidate that is not there is not chosen.
    assert '"value": "none"' in text(system.layout(mended, system_id, "?remedy=99"))


def test_before_and_after_on_the_profile(mended: Context, table: pl.DataFrame) -> None:
    """The figure's end is the exact voltage at the worst unit, as it is and as it would be."""
    rows = table.filter(pl.col("meets_target") & pl.col("remedy").str.contains("home-run-size"))
    row = rows.row(0, named=True)
    with mended.snapshots.cursor() as con:
        case = load(con, row["system_id"])
    (chart,) = system_remedies.before_and_after(mended, case, str(row["candidate"]))
    before, after = (trace.y for trace in figure_of(chart).data[:2])
    assert max(after) < max(before) and before[0] == pytest.approx(after[0])
    shown = case.top_profile.points.filter(pl.col("circuit_id") == system_remedies.worst_circuit(case))
    assert max(before) == pytest.approx(shown.filter("on_path")["operating_v"].max())


def figure_of(component: Component) -> Any:
    found = [each for each in component._traverse() if hasattr(each, "figure")]
    assert len(found) == 1
    return found[0].figure


def test_the_plan_says_what_it_removes(mended: Context, table: pl.DataFrame) -> None:
    frame = eligible(table, "cost")
    amount = round(whole_cost(frame, "cost") / 3, 2)
    made = plan(frame, amount, "cost")
    page = text(plan_page.layout(mended, "", f"?amount={amount}"))
    assert f"{made.removed:,.1f} trip-days a year fewer" in page and "invented" in page
    for row in made.chosen.iter_rows(named=True):
        assert f"?remedy={row['candidate']}" in page and row["verify_first"] in page
    assert plan_page.NOTHING_FITS in text(plan_page.layout(mended, "", "?amount=0"))
    assert "crew days" in text(plan_page.layout(mended, "", "?by=crew_days&amount=2"))
    assert "is no amount" in text(plan_page.layout(mended, "", "?amount=-3"))
    assert "something else than cost" in text(plan_page.layout(mended, "", "?by=moon"))


def test_another_budget_draws_no_curve_anew(mended: Context, monkeypatch: pytest.MonkeyPatch) -> None:
    page = text(plan_page.layout(mended, "", "?amount=1000"))
    monkeypatch.setattr(plan_page, "curve", lambda *_: pytest.fail("the curve does not hang on the amount"))
    assert text(plan_page.layout(mended, "", "?amount=1500")) != page


def test_a_kept_plan_says_which_prices_have_changed_since(mended: Context, table: pl.DataFrame) -> None:
    path, shown = mended.store.root / "prices.toml", table["system_id"][0]
    try:
        path.write_bytes((SAMPLE / "prices.toml").read_bytes())
        for page in (plan_page.layout(mended, "", ""), system.layout(mended, shown, "")):
            assert "stale" not in text(page)
        path.write_text((SAMPLE / "prices.toml").read_text("utf-8").replace("cost = 240.0", "cost = 260.0"), "utf-8")
        for page in (plan_page.layout(mended, "", ""), system.layout(mended, shown, "")):
            assert "price file since: the visit. Work them out again: auditor mend --all" in text(page)
        path.write_text("name = 3", "utf-8")
        assert "price file cannot be read" in text(plan_page.layout(mended, "", ""))
    finally:
        path.unlink()


@pytest.mark.parametrize("search", ["", "?by=crew_days", "?amount=1200", "?by=crew_days&amount=2.5"])
def test_the_address_is_the_plans_state(search: str) -> None:
    asked, notes = plan_page.asked_of(search)
    assert asked.address == search and not notes


def test_the_address_keeps_what_else_it_says() -> None:
    assert system_remedies.address("?circuit=2&remedy=1", "3") == "?circuit=2&remedy=3"
    assert system_remedies.address("?circuit=2&remedy=1", "none") == "?circuit=2"
    assert system_remedies.address("?remedy=1", None) == ""


def test_without_remedies_the_plan_says_how_to_come_by_them(sample_store: tuple[Store, object]) -> None:
    snapshots = Snapshots(sample_store[0])
    page = text(plan_page.layout(Context(sample_store[0], snapshots), "", ""))
    assert "auditor mend --all" in page and "Work the remedies out" in page
    assert "Work the remedies out" not in text(plan_page.layout(Context(sample_store[0], snapshots, False), "", ""))
    snapshots.close()

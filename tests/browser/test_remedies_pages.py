"""Remedies in the browser: side by side, before and after, and what to mend first."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from browser_pages import Serve, grave, violations
from playwright.sync_api import Page, expect

from auditor import mend
from auditor.remedies.prices import load_prices
from auditor.store import Store
from auditor.store.snapshot import open_snapshot

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


@pytest.fixture(scope="module")
def mended(sample_store: tuple[Store, object], serve: Serve, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The address of a server over the sample with some remedies kept."""
    store = Store(Path(shutil.copytree(sample_store[0].root, tmp_path_factory.mktemp("mended") / "store")))
    with open_snapshot(store) as con:
        query = (
            "SELECT system_id FROM system_result WHERE voltage_rise_verdict = 'fail' ORDER BY trip_days_per_year DESC"
        )
        ids = sorted(row[0] for row in con.execute(f"{query} NULLS LAST LIMIT 3").fetchall())
        prices = load_prices(SAMPLE / "prices.toml")
        mend.keep(store, con, mend.told(mend.work_out_all(con, ids), prices), prices)
    return serve(store.root)


def test_what_to_mend_first_and_how(seen: Page, mended: str) -> None:
    """The budget is in the address and the plan follows; its link leads to the system's candidate, drawn twice."""
    seen.goto(mended + "/plan")
    expect(seen.locator("#plan-curve .main-svg").first).to_be_visible()
    whole = seen.locator(".plan-page .headline").inner_text()
    seen.locator("#plan-amount").fill("2500")
    seen.locator("#plan-amount").press("Enter")
    seen.wait_for_url("**/plan?amount=2500")
    expect(seen.locator(".plan-page .headline")).to_contain_text("of 2,500 crowns")
    assert grave(seen) == []
    seen.go_back()
    expect(seen.locator(".plan-page .headline")).to_have_text(whole)
    seen.locator(".plan-page tbody th a").first.click()
    seen.wait_for_url("**/system/*?remedy=*")
    expect(seen.locator("#remedy-profile .main-svg").first).to_be_visible()
    assert violations(seen, "as it is") == []
    seen.locator("#remedy-shown").click()
    seen.get_by_role("option", name="none").click()
    expect(seen.locator("#remedy-profile .main-svg")).to_have_count(0)
    assert "remedy=" not in seen.url

"""The page of changes in a browser: from a changed figure on a part of the portfolio to whom to tell, and back."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path

import pytest
from browser_pages import Serve, grave
from playwright.sync_api import Page, expect

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from auditor.store.snapshot import recheck_numbers

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
HEADER = (
    "system_id,circuit_id,utility,designer,contact,design_date,service,inverter_model,inverter_count,trunk_model,"
    "orientation,feed,breaker_a\n"
)
#: On a 20 A breaker this inverter's sheet in force allows 15 units. Without a grid profile no trips are expected.
ROWS = """Q-1,1,Ennick,Ada,a@x.invalid,2016-03-01,120/240,Larkfield U240,14,Larkfield TC-2,portrait,centre,20
Q-2,1,Ennick,Bo,b@x.invalid,2016-03-01,120/240,Larkfield U240,14,Larkfield TC-2,portrait,centre,20
Q-3,1,Ennick,Bo,c@x.invalid,,120/240,Larkfield U240,12,Larkfield TC-2,portrait,centre,20
"""


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Three systems, audited once."""
    folder = tmp_path_factory.mktemp("changes")
    store = Store(folder / "store")
    store.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", store.catalog / "equipment.toml")
    (folder / "rows.csv").write_text(HEADER + ROWS, "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, folder / "rows.csv", imported_on="2026-01-31")
        publish(con, store, load_catalog([store.catalog]), load_policy(), date(2026, 1, 31))
    return store


def pick(page: Page, field: str, option: str) -> None:
    page.locator(f"#{field}").click()
    page.locator(f"#{field}").fill(option)
    page.get_by_role("option", name=option, exact=False).first.click()


def test_from_a_changed_figure_to_whom_to_tell(page: Page, seen: Page, few: Store, serve: Serve) -> None:
    address = serve(few.root)
    catalog = (few.catalog / "equipment.toml").read_bytes()
    page.goto(f"{address}/?designer=Ada")
    page.get_by_role("link", name="what if, for these systems").click()
    expect(page.locator("h1")).to_have_text("There is one run only, so nothing to compare it with")
    expect(page.locator("#what-part")).to_contain_text("On 1 system (designer Ada)")
    pick(page, "what-kind", "inverter")
    pick(page, "what-entry", "Larkfield U240")
    pick(page, "what-figure", "branch_limits.2.units")
    expect(page.locator("#what-if")).to_contain_text("now 15")
    # What is wrong is said at the field, and nothing starts.
    page.locator("#what-value").fill("many")
    page.get_by_role("button", name="Judge again").click()
    expect(page.locator("#what-if")).to_contain_text('units = "many": must be a whole number')
    page.locator("#what-value").fill("13")
    page.get_by_role("button", name="Judge again").click()
    expect(page).to_have_url(re.compile(r"/changes\?before=1&after=2&part="), timeout=30_000)
    expect(page.locator("#changes-answer h1")).to_have_text("1 system has a verdict that became worse", timeout=30_000)
    expect(page.locator("#changes-answer")).to_contain_text("over the systems of a part alone: designer Ada.")
    expect(page.locator("#changes-body")).to_contain_text("inverter Larkfield U240: branch_limits from")
    expect(page.locator("#changes-flow")).to_contain_text("pass 1")
    row = page.locator("#changes-rows tbody tr")
    expect(row).to_have_count(1)
    expect(row).to_contain_text(re.compile("Q-1.*pass.*fail.*6.7.*−?-?7.7.*inverter Larkfield U240"))
    told = page.locator("#changes-told tbody tr")
    expect(told.first).to_have_text("Ennick")
    expect(told.nth(1)).to_contain_text(re.compile(r"Q-1.*branch-unit-limit: pass to fail.*a@x\.invalid.*Ada"))
    listed = page.request.get(f"{address}/export/notices.csv?before=1&after=2").text().splitlines()
    assert len(listed) == 2 and "Q-1" in listed[1] and "a@x.invalid" in listed[1]
    # The filter is in the address, and the way back leads to all.
    page.locator(".change-lines a", has_text="fail no more").click()
    expect(page).to_have_url(re.compile("way=better"))
    expect(page.locator("#changes-rows")).to_contain_text("None that these filters keep.")
    page.go_back()
    expect(row).to_have_count(1)
    seen.goto(page.url)
    expect(seen.locator("#changes-answer h1")).to_be_visible()
    for summary in seen.locator("#changes-body summary").all():
        summary.click()
    assert grave(seen) == []
    page.get_by_role("button", name="Discard run 2").click()
    expect(page.locator("h1")).to_have_text("There is one run only, so nothing to compare it with")
    assert recheck_numbers(few) == []
    assert (few.catalog / "equipment.toml").read_bytes() == catalog
    assert not few.policy.exists()

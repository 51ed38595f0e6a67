"""The page of changes in a browser: from a changed figure on a part of the portfolio to whom to tell, and back."""

from __future__ import annotations

import re
from collections.abc import Callable

from browser_pages import Serve, grave
from playwright.sync_api import Page, expect

from auditor.store import Store
from auditor.store.snapshot import recheck_numbers


def pick(page: Page, field: str, option: str) -> None:
    page.locator(f"#{field}").click()
    page.locator(f"#{field}").fill(option)
    page.get_by_role("option", name=option, exact=False).first.click()


def test_from_a_changed_figure_to_whom_to_tell(
    page: Page, seen: Page, serve: Serve, few: Callable[[], Store], audit_few: Callable[[Store], Store]
) -> None:
    store = audit_few(few())
    address = serve(store.root)
    catalog = (store.catalog / "equipment.toml").read_bytes()
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
    assert recheck_numbers(store) == []
    assert (store.catalog / "equipment.toml").read_bytes() == catalog
    assert not store.policy.exists()

"""The quality page in a browser: who is told apart, whose course is shown, and a link that says it all."""

from __future__ import annotations

import re

from browser_pages import grave
from playwright.sync_api import Page, expect


def test_the_page_tells_who_and_since_when_and_follows_its_address(page: Page, sample_address: str) -> None:
    page.goto(f"{sample_address}/quality?shape=odd")
    expect(page.locator("h1")).to_contain_text("2 of 14 designers stand apart")
    expect(page.locator(".notice-warning")).to_contain_text("not understood")
    rows = page.locator(".quality-units tbody tr")
    expect(rows.filter(has_text="Corvane")).to_contain_text("More fail than its case mix explains")
    expect(rows.filter(has_text="Hestrel")).to_contain_text("its case mix explains it")
    expect(rows.first).to_contain_text("Odalys")  # the largest, not the worst
    expect(page.locator("#quality-funnel .points path")).to_have_count(14)
    page.get_by_role("link", name="Isaune").click()
    expect(page).to_have_url(re.compile(r"/quality\?unit=Isaune$"))
    expect(page.get_by_role("heading", name="Over time: Isaune")).to_be_visible()
    expect(page.get_by_role("heading", name="Between failures: Isaune")).to_be_visible()
    section = page.locator("section", has=page.get_by_role("heading", name="Over time: Isaune")).last
    section.locator("summary").click()
    expect(section.locator("tbody tr").first).to_contain_text("a point beyond the limits")
    # Others are compared: who was picked is dropped, and the address follows.
    page.locator("#quality-by").click()
    page.get_by_role("option", name="offices").click()
    expect(page).to_have_url(re.compile(r"/quality\?by=office$"))
    expect(page.locator("h1")).to_contain_text("No evidence that offices differ")
    page.locator("#quality-region").click()
    page.get_by_role("option", name="Tallis Isles").click()
    expect(page).to_have_url(re.compile(r"/quality\?by=office&region=Tallis\+Isles$"))
    expect(page.locator(".quality-units tbody tr")).to_have_count(2)
    page.go_back()
    page.go_back()
    expect(page.get_by_role("heading", name="Over time: Isaune")).to_be_visible()
    expect(page.locator("#quality-by")).to_have_value("designers")


def test_the_quality_page_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(f"{sample_address}/quality?unit=Isaune")
    expect(seen.get_by_role("heading", name="Corrective actions")).to_be_visible()
    for summary in seen.locator("#quality .as-table summary").all():
        summary.click()
    assert grave(seen) == []

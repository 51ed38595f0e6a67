"""The portfolio's table and what goes for the whole page: sorted, scrolled, exported, by theme, keyboard and phone."""

from __future__ import annotations

import csv
import io
from itertools import pairwise
from pathlib import Path

import polars as pl
from playwright.sync_api import Page, Route, expect
from portfolio_pages import ready, shown

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]


def test_sorting_the_table_goes_to_the_address_and_back(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.locator(".ag-header-cell[col-id=designer] .ag-header-cell-label").click()
    page.wait_for_url("**sort=designer**")
    expect(page.locator(".ag-row[row-index='0'] [col-id=designer]")).to_have_text("Brannoc")
    page.go_back()
    expect(page.locator(".ag-header-cell[col-id=worst_rise_pct]")).to_have_attribute("aria-sort", "descending")
    expect(page.locator(".ag-row[row-index='0'] [col-id=designer]")).not_to_have_text("Brannoc")


def test_the_table_scrolls_to_its_end(page: Page, sample_address: str) -> None:
    ready(page, sample_address + "/?sort=system_id")
    total = shown(page)
    page.locator(".ag-row").first.hover()
    page.mouse.wheel(0, 10_000_000)
    expect(page.locator(f".ag-row[row-index='{total - 1}'] .system-link")).to_be_visible()


def test_the_export_holds_exactly_what_is_shown(page: Page, sample_address: str, tmp_path: Path) -> None:
    ready(page, sample_address + "/?verdict=fail&service=120%2F240&sort=-fails,system_id")
    total = shown(page)
    with page.expect_download() as started:
        page.get_by_role("link", name="CSV").click()
    assert started.value.suggested_filename == "systems-run-0001.csv"
    rows = list(csv.DictReader(io.StringIO(Path(started.value.path()).read_text("utf-8"))))
    assert len(rows) == total
    assert {row["verdict"] for row in rows} == {"fail"}
    visible = page.locator(".ag-pinned-left-cols-container .ag-row .system-link").all_inner_texts()
    assert [row["system_id"] for row in rows][: len(visible)] == visible
    with page.expect_download() as started:
        page.get_by_role("link", name="Excel").click()
    started.value.save_as(tmp_path / "systems.xlsx")
    assert (tmp_path / "systems.xlsx").read_bytes()[:2] == b"PK"


def test_the_theme_persists(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    root = page.locator("html")
    before = root.get_attribute("data-mantine-color-scheme")
    page.locator("#theme").click()
    expect(root).not_to_have_attribute("data-mantine-color-scheme", str(before))
    after = root.get_attribute("data-mantine-color-scheme")
    page.reload()
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    expect(root).to_have_attribute("data-mantine-color-scheme", str(after))
    grounds = page.evaluate(
        "() => ['body', '.ag-root-wrapper'].map((s) => getComputedStyle(document.querySelector(s)).backgroundColor)"
    )
    light = [sum(int(part) for part in ground[ground.index("(") + 1 : -1].split(",")[:3]) > 384 for ground in grounds]
    assert light == [after == "light"] * 2, (after, grounds)


def test_the_skip_link_the_headings_and_no_way_to_send_a_chart_away(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    levels = page.evaluate("() => [...document.querySelectorAll('main h1,main h2,main h3')].map((h) => +h.tagName[1])")
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert page.locator(".modebar-btn").count() == 0
    assert page.get_by_text("Share").count() == 0


def test_no_page_scrolls_sideways_on_a_phone(page: Page, sample_address: str) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    ready(page, sample_address)
    assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")


def test_a_failing_table_says_so(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.route("**/_dash-update-component*", _spoil)
    page.get_by_role("button", name="over the branch limit").click()
    expect(page.get_by_text("The table could not be read")).to_be_visible()


def _spoil(route: Route) -> None:
    """Ask the table for a column that is not there."""
    body = (route.request.post_data or "").replace('"colId":"worst_rise_pct"', '"colId":"rise; DROP TABLE shown"')
    route.continue_(post_data=body)


def test_the_sample_is_large_enough_to_scroll(sample_store: Sample) -> None:
    with open_snapshot(sample_store[0]) as con:
        assert pl.DataFrame(con.sql("SELECT system_id FROM shown").to_arrow_table()).height > 400

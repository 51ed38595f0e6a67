"""The portfolio page in a real browser: what a person clicks, and what must follow."""

from __future__ import annotations

import csv
import io
from itertools import pairwise
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import polars as pl
from playwright.sync_api import Page, Route, expect

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]


#: The middle of the largest bar.
LARGEST_BAR = """(bars) => {
    const boxes = [...document.querySelectorAll(bars)].map((bar) => bar.getBoundingClientRect());
    const box = boxes.sort((a, b) => b.width * b.height - a.width * a.height)[0];
    return [box.x + box.width / 2, box.y + box.height / 2];
}"""


def shown(page: Page) -> int:
    """How many systems the heading over the table counts."""
    return int(page.locator("#table-head .count").inner_text().replace(",", ""))


def query(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlsplit(page.url).query, keep_blank_values=True)


def ready(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    expect(page.locator(".chart-group .points path")).not_to_have_count(0)


def counted(store: Store, condition: str) -> int:
    with open_snapshot(store) as con:
        return int(con.execute(f"SELECT count(*) FROM system_result WHERE {condition}").fetchall()[0][0])


def safety_failures(store: Store) -> int:
    """Systems with a failing check of severity safety, counted verdict by verdict."""
    query = """SELECT count(DISTINCT j.system_id) FROM judged j JOIN "check" c USING ("check")
        WHERE j.verdict = 'fail' AND c.severity = 'safety'"""
    with open_snapshot(store) as con:
        return int(con.execute(query).fetchall()[0][0])


def shown_rows(store: Store, text: str) -> int:
    """Systems over the rise target with a text in their id."""
    return counted(store, f"voltage_rise_verdict = 'fail' AND contains(system_id, '{text}')")


def test_the_answer_comes_first_and_agrees_with_the_results(
    page: Page, sample_address: str, sample_store: Sample
) -> None:
    ready(page, sample_address)
    counts = [int(text.replace(",", "")) for text in page.locator(".answer-count").all_inner_texts()]
    store = sample_store[0]
    assert counts == [
        safety_failures(store),
        counted(store, "voltage_rise_verdict = 'fail'"),
        counted(store, "branch_unit_limit_verdict = 'fail'"),
        counted(store, "trip_days_per_year >= 12"),
        counted(store, "verdict = 'fail'"),
        counted(store, "verdict = 'unknown'"),
        counted(store, "verdict = 'pass'"),
    ]
    assert page.locator("h1").count() == 1


def test_a_line_of_the_answer_filters_and_lifts(page: Page, sample_address: str, sample_store: Sample) -> None:
    ready(page, sample_address)
    everything = shown(page)
    page.get_by_role("button", name="over the voltage-rise target").click()
    expect(page.locator(".chip")).to_have_count(1)
    assert query(page) == {"check": ["voltage-rise"]}
    over = counted(sample_store[0], "voltage_rise_verdict = 'fail'")
    expect(page.locator("#table-head .count")).to_have_text(f"{over:,}")
    page.get_by_label("text", exact=True).fill("n03")
    expect(page.locator(".ag-row .system-link")).to_have_count(shown_rows(sample_store[0], "N03"))
    page.get_by_label("text", exact=True).fill("")
    expect(page.locator(".chip")).to_have_count(1)
    page.get_by_role("button", name="Remove the filter").click()
    expect(page.locator(".chip")).to_have_count(0)
    assert shown(page) == everything
    assert "?" not in page.url


def test_safety_is_the_first_line_and_a_filter(page: Page, sample_address: str, sample_store: Sample) -> None:
    ready(page, sample_address)
    first = page.locator(".answer-lines .pick").first
    expect(first).to_contain_text("fail a safety check")
    first.click()
    expect(page.locator(".chip")).to_contain_text("Any safety check fails")
    assert query(page) == {"check": ["safety"]}
    expect(page.locator("#table-head .count")).to_have_text(f"{safety_failures(sample_store[0]):,}")


def test_filter_to_table_to_system_and_back(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.get_by_label("text", exact=True).fill("site 00")
    page.wait_for_url("**text=site**")
    expect(page.locator(".chip")).to_contain_text("site 00")
    first = page.locator(".ag-row .system-link").first
    expect(first).to_be_visible()
    name, filtered = first.inner_text(), page.url
    first.click()
    page.wait_for_url("**/system/**")
    expect(page.locator("h1")).to_contain_text(name)
    page.go_back()
    expect(page.locator(".ag-row .system-link").first).to_have_text(name)
    assert page.url == filtered
    expect(page.get_by_label("text", exact=True)).to_have_value("site 00")
    page.go_back()
    expect(page.locator(".chip")).to_have_count(0)
    expect(page.get_by_label("text", exact=True)).to_have_value("")


def test_a_deep_link_shows_what_was_sent(page: Page, sample_address: str) -> None:
    ready(page, sample_address + "/?verdict=fail&region=Upper+Ennick&sort=-fails,system_id&by=designer")
    chips = page.locator(".chip:not(.chip-clear)")
    expect(chips).to_have_count(2)
    expect(page.locator("#group-by")).to_have_value("designer")
    expect(page.locator(".ag-header-cell[col-id=fails]")).to_have_attribute("aria-sort", "descending")
    regions = page.locator(".ag-row [col-id=region]").all_inner_texts()
    assert regions
    assert set(regions) == {"Upper Ennick"}


def test_what_an_address_holds_in_vain_is_said(page: Page, sample_address: str) -> None:
    ready(page, sample_address + "/?verdict=maybe&colour=red&region=Upper+Ennick")
    expect(page.locator(".notice-warning")).to_contain_text("maybe")
    expect(page.locator(".notice-warning")).to_contain_text("colour")
    expect(page.locator(".chip")).to_have_count(1)


def test_a_bar_filters_and_a_second_click_lifts(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    for chart, name in (("rise", "rise"), ("over", "over"), ("check", "check"), ("group", "year")):
        page.locator(f".chart-{chart}").scroll_into_view_if_needed()
        page.mouse.click(*page.evaluate(LARGEST_BAR, f".chart-{chart} .points path"))
        expect(page.locator(".chip"), chart).to_have_count(1)
        assert list(query(page)) == [name]
        page.wait_for_timeout(400)
        # The chips moved the chart, and the filter its bars; what was chosen is the largest now.
        page.locator(f".chart-{chart}").scroll_into_view_if_needed()
        page.mouse.click(*page.evaluate(LARGEST_BAR, f".chart-{chart} .points path"))
        expect(page.locator(".chip"), chart).to_have_count(0)
        page.wait_for_timeout(400)


def test_every_chart_has_a_table_that_filters_from_the_keyboard(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    for chart in page.locator(".chart").all():
        chart.locator(".as-table summary").focus()
        page.keyboard.press("Enter")
        expect(chart.locator("tbody tr").first).to_be_visible()
    page.locator(".chart-group tbody .pick").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".chip")).to_have_count(1)
    expect(page.locator(".chart-group tbody .pick-chosen")).to_have_count(1)


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


def test_choosing_a_grouping_redraws_the_chart(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.locator("#group-by").click()
    page.get_by_role("option", name="utility").click()
    page.wait_for_url("**by=utility**")
    expect(page.locator(".chart-group .yaxislayer-above")).to_contain_text("Lowmarsh Power")


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


def test_two_people_do_not_see_each_others_filters(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    other = page.context.browser.new_context().new_page()  # type: ignore[union-attr]
    ready(other, sample_address)
    page.get_by_role("button", name="over the branch limit").click()
    expect(page.locator(".chip")).to_have_count(1)
    other.reload()
    expect(other.locator(".ag-row .system-link").first).to_be_visible()
    assert other.locator(".chip").count() == 0
    other.context.close()


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

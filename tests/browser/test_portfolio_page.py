"""The portfolio page in a real browser: what a person clicks, and what must follow."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect
from portfolio_pages import query, ready, shown

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]

#: The middle of the largest bar.
LARGEST_BAR = """(bars) => {
    const boxes = [...document.querySelectorAll(bars)].map((bar) => bar.getBoundingClientRect());
    const box = boxes.sort((a, b) => b.width * b.height - a.width * a.height)[0];
    return [box.x + box.width / 2, box.y + box.height / 2];
}"""


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


@pytest.mark.long
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
    # A bar of two groupings puts both in force.
    page.locator(".chart-trip-groups").scroll_into_view_if_needed()
    page.mouse.click(*page.evaluate(LARGEST_BAR, ".chart-trip-groups .points path"))
    expect(page.locator(".chip:not(.chip-clear)")).to_have_count(2)
    assert set(query(page)) == {"utility", "trips"}


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


def test_choosing_a_grouping_redraws_the_chart(page: Page, sample_address: str) -> None:
    ready(page, sample_address)
    page.locator("#group-by").click()
    page.get_by_role("option", name="utility").click()
    page.wait_for_url("**by=utility**")
    expect(page.locator(".chart-group .yaxislayer-above")).to_contain_text("Lowmarsh Power")
    page.locator("#trips-by").click()
    page.get_by_role("option", name="region").last.click()
    page.wait_for_url("**by=utility&trips-by=region**")
    expect(page.locator(".chart-trip-groups .yaxislayer-above")).to_contain_text("Upper Ennick")
    page.get_by_role("button", name="Rank the table by trip-days").click()
    expect(page.locator(".ag-header-cell[col-id=trip_days]")).to_have_attribute("aria-sort", "descending")


@pytest.mark.long
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

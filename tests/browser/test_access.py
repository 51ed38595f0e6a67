"""The pages under axe-core's rules: nothing that keeps somebody out, in light and dark, wide and narrow.

The page's content policy allows no script but its own; only here the browser sets it aside, to let axe in.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from browser_pages import STILL, Serve, every_look, grave, violations
from import_pages import BAD, FOREIGN, HEADER, SOUND, bring
from playwright.sync_api import Page, expect

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]


def opened(page: Page, selector: str) -> None:
    """Open a part of the page that folds."""
    part = page.locator(selector).first
    if part.get_attribute("open") is None:
        part.locator("summary").first.click()
    expect(part).to_have_attribute("open", "")


def test_the_portfolio_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(sample_address + "/?verdict=fail&region=Upper+Ennick")
    expect(seen.locator(".ag-row .system-link").first).to_be_visible()
    expect(seen.locator(".chart-group .points path")).not_to_have_count(0)
    opened(seen, ".filters")
    opened(seen, ".chart-check .as-table")
    expect(seen.locator(".chart-check tbody tr").first).to_be_visible()
    assert grave(seen) == []


@pytest.mark.long
def test_an_open_list_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(sample_address)
    expect(seen.locator(".ag-row .system-link").first).to_be_visible()
    opened(seen, ".filters")
    field, first = seen.get_by_role("textbox", name="check"), seen.get_by_role("option", name="Any safety check: fails")
    found = []
    for look in every_look(seen):
        # A list closes where the page's width changes.
        if not first.is_visible():
            field.click()
        expect(first).to_be_visible()
        seen.wait_for_function(STILL)
        found += violations(seen, look)
        expect(first).to_be_visible()
    # The list scrolls without being a stop of the Tab key: the field keeps the focus, its arrows reach every option.
    assert [line for line in found if "scrollable-region-focusable: ['#mantine-" not in line] == []
    seen.keyboard.press("ArrowUp")
    expect(seen.get_by_role("option").last).to_be_in_viewport()


def test_a_systems_page_keeps_nobody_out(seen: Page, sample_address: str, sample_store: Sample) -> None:
    with open_snapshot(sample_store[0]) as con:
        query = "SELECT system_id FROM system_result WHERE voltage_rise_verdict = 'fail' AND verdict = 'fail'"
        query += " AND trip_missing IS NULL LIMIT 1"
        system = con.execute(query).fetchall()[0][0]
    seen.goto(f"{sample_address}/system/{system}?hours=shown")
    expect(seen.locator("#voltage")).to_be_visible()
    opened(seen, ".check-fail")
    opened(seen, ".check-fail .finding")
    opened(seen, ".voltage .as-table")
    opened(seen, "#trip-hours .as-table")
    seen.locator("#what-if-inverter_count, .what-if-fields input").first.fill("9")
    seen.locator("#what-if-go").click()
    expect(seen.locator(".what-if-answer")).to_be_visible()
    assert grave(seen) == []


def test_a_page_of_what_to_do_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(sample_address + "/nowhere")
    expect(seen.locator("h1")).to_have_text("There is no such page")
    assert grave(seen) == []


def test_the_import_page_keeps_nobody_out(seen: Page, sample_address: str) -> None:
    seen.goto(sample_address + "/import?reason=type-error")
    expect(seen.locator("#rejects .chip")).to_be_visible()
    assert grave(seen) == []


@pytest.mark.long
def test_preview_and_proposal_keep_nobody_out(seen: Page, serve: Serve, tmp_path: Path) -> None:
    address = serve(tmp_path / "store")
    seen.goto(address + "/import")
    expect(seen.get_by_role("button", name="Choose a file")).to_be_visible()
    assert grave(seen) == []
    (tmp_path / "jobs.csv").write_text(HEADER + SOUND.format(n=1) + BAD, "utf-8")
    bring(seen, tmp_path / "jobs.csv")
    expect(seen.locator(".counts")).to_be_visible()
    assert grave(seen) == []
    seen.goto(address + "/import")
    (tmp_path / "field.csv").write_text(FOREIGN, "utf-8")
    bring(seen, tmp_path / "field.csv")
    expect(seen.get_by_role("region", name="Proposed columns")).to_be_visible()
    assert grave(seen) == []

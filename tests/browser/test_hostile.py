"""Imported text and text of an address on every page, in charts and exports: it stays text."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from urllib.parse import quote

import pytest
from browser_pages import Serve, auditor
from hostile_texts import FILE_NAME, PAYLOADS, harmless, hostile_catalog, hostile_rows, id_of, write
from playwright.sync_api import Page, expect

from auditor.store import Store
from dashboard.filters import GROUPINGS, MOST_CHARACTERS
from dashboard.pages.parts import WORDS


def visit(page: Page, address: str) -> None:
    """Follow a link of the dashboard's own: it changes the address and asks for what is there, without a new page."""
    page.evaluate(
        "(to) => { history.pushState({}, '', to); dispatchEvent(new CustomEvent('_dashprivate_pushstate')); }", address
    )


@pytest.fixture(scope="module")
def hostile_address(tmp_path_factory: pytest.TempPathFactory, serve: Serve) -> str:
    folder = tmp_path_factory.mktemp("hostile")
    store = folder / "store"
    Store(store).create()
    hostile_catalog(Store(store).catalog / "equipment.toml")
    rows = [row for n, payload in enumerate(PAYLOADS) for row in hostile_rows(n, payload)]
    auditor("import", write(folder / FILE_NAME, rows), "--store", store)
    return serve(store)


def hover_bars(page: Page, bars: str) -> None:
    """Rest the pointer on each bar's middle."""
    page.locator(bars).first.scroll_into_view_if_needed()
    for box in [bar.bounding_box() for bar in page.locator(bars).all()]:
        if box is not None and box["width"] > 1 and box["height"] > 1:
            page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            page.wait_for_timeout(60)
    harmless(page)


@pytest.mark.long
def test_hostile_groups_are_drawn_as_text(page: Page, hostile_address: str) -> None:
    page.goto(f"{hostile_address}/?by={GROUPINGS[-1]}")
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    page.locator(".chart-group .as-table summary").click()
    for by in GROUPINGS:
        visit(page, f"/?by={by}")
        expect(page.locator(".chart-group thead th").first, by).to_have_text(WORDS[by])
        expect(page.locator(".chart-group tbody tr").first, by).to_be_visible()
        hover_bars(page, ".chart-group .points path")
        if by != "year":
            page.get_by_role("textbox", name={"model": "inverter"}.get(by, by)).click()
            expect(page.get_by_role("option").filter(has_text=PAYLOADS[0]).first, by).to_be_attached()
            page.keyboard.press("Escape")
        harmless(page, by)


def test_hostile_text_in_the_table_and_its_export(page: Page, hostile_address: str) -> None:
    page.set_viewport_size({"width": 2600, "height": 1400})
    page.goto(f"{hostile_address}/?sort=system_id")
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    for cell in page.locator(".ag-row[row-index='0'] .ag-cell").all():
        cell.hover()
    harmless(page)
    for name in ("CSV", "Excel"):
        with page.expect_download() as started:
            page.get_by_role("link", name=name).click()
        assert started.value.failure() is None
        if name == "CSV":
            rows = list(csv.DictReader(io.StringIO(Path(started.value.path()).read_text("utf-8"), newline="")))
    names = {row["system_id"].removeprefix("'") for row in rows}
    assert names == {name for n, payload in enumerate(PAYLOADS) for name in (f"{n} {id_of(payload)}", f"s{n}")}


@pytest.mark.long
def test_hostile_text_in_an_address_neither_runs_nor_leaves(page: Page, hostile_address: str) -> None:
    # As the value of every filter that takes a text, all at once. One too long for an address is said to be ignored.
    short = [payload for payload in PAYLOADS if len(payload) <= MOST_CHARACTERS]
    filters = "&".join(f"{name}={quote(text, safe='')}" for name in ("region", "model", "utility") for text in short)
    page.goto(f"{hostile_address}/?{filters}&by=model")
    for payload in short:
        for name in ("region", "model", "utility"):
            expect(page.locator(".chip").filter(has_text=f"{WORDS[name]}: {payload}×"), payload).to_have_count(1)
        page.get_by_label("text", exact=True).fill(payload[:60])
        links = page.locator(".ag-row .system-link")
        found = {f"{PAYLOADS.index(other)} {id_of(other)}" for other in short if payload[:60] in other}
        own = f"{PAYLOADS.index(payload)} {id_of(payload)}"
        expect(links.filter(has_text=own), payload).to_have_count(1)
        expect(links, payload).to_have_count(len(found))
        for each in found:
            expect(links.filter(has_text=each), payload).not_to_have_count(0)
        harmless(page, payload)
    # As the name of a filter, and as the value of what takes no text.
    page.goto(hostile_address)
    expect(page.locator(".ag-row").first).to_be_visible()  # an address set before the page has its own is lost
    for payload in PAYLOADS:
        text = quote(payload, safe="")
        visit(page, f"/?{text}=1&verdict={text}&check={text}&sort={text}&by={text}")
        expect(page.locator(".notice-warning").first, payload).to_contain_text(payload[:39])
        harmless(page, payload)


def test_hostile_text_of_a_system_neither_runs_nor_leaves(page: Page, hostile_address: str) -> None:
    page.goto(hostile_address)
    for n, payload in enumerate(PAYLOADS):
        # On the page of its system: the texts, the circuits, the disagreement, the refused row, the file, the specs.
        text = quote(payload, safe="")
        visit(page, f"/system/{quote(f'{n} {id_of(payload)}', safe='')}?circuit={text}")
        expect(page.locator("h1"), payload).to_contain_text(f"{n} {id_of(payload)}")
        expect(page.locator(".records .files"), payload).to_contain_text(FILE_NAME)
        expect(page.locator(".records"), payload).to_contain_text(f"{payload} other")
        page.evaluate("() => document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        expect(page.locator(".facts-of-system"), payload).to_contain_text(payload)
        page.locator(".what-if-fields input").first.fill(payload[:60])
        page.locator("#what-if-go").click()
        expect(page.locator("#what-if-answer > *"), payload).to_be_visible()
        harmless(page, payload)
        # A system whose service is the payload, and one that is not there.
        visit(page, f"/system/s{n}")
        expect(page.locator("h1"), payload).to_have_text(f"System s{n}")
        harmless(page, payload)
        visit(page, f"/system/{text}")
        expect(page.locator("h1"), payload).to_have_text("There is no such system")
        harmless(page, payload)


@pytest.mark.parametrize("payload", [PAYLOADS[0], PAYLOADS[5], PAYLOADS[15]], ids=["markup", "formula", "template"])
def test_hostile_text_is_harmless_in_the_first_address_of_all(page: Page, hostile_address: str, payload: str) -> None:
    text = quote(payload, safe="")
    page.goto(f"{hostile_address}/system/{text}?circuit={text}#{text}")
    expect(page.locator("h1")).to_have_text("There is no such system")
    page.wait_for_load_state("networkidle")
    harmless(page, payload)

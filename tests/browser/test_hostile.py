"""Imported text and text of an address on every page, in charts and exports: it stays text."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from urllib.parse import quote

import pytest
from browser_pages import Serve, auditor
from hostile_texts import FILE_NAME, PAYLOADS, harmless, hostile_catalog, hostile_rows, id_of, shared_system, write
from playwright.sync_api import Page, expect

from auditor.store import Store
from dashboard.filters import GROUPINGS, MOST_CHARACTERS
from dashboard.pages.portfolio import GROUP_WORDS

#: The texts by their number, some at a time: they share a visit where the page can hold them together.
SOME = [dict(list(enumerate(PAYLOADS))[first : first + 5]) for first in range(0, len(PAYLOADS), 5)]
SOME_IDS = [f"{min(some)} to {max(some)}" for some in SOME]


def quoted(text: str) -> str:
    return quote(text, safe="")


@pytest.fixture(scope="module")
def hostile_address(tmp_path_factory: pytest.TempPathFactory, serve: Serve) -> str:
    folder = tmp_path_factory.mktemp("hostile")
    store = folder / "store"
    Store(store).create()
    hostile_catalog(Store(store).catalog / "equipment.toml")
    rows = [row for n, payload in enumerate(PAYLOADS) for row in hostile_rows(n, payload)]
    rows += [row for some in SOME for row in shared_system(list(some.values()))]
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


def test_hostile_groups_are_drawn_as_text(page: Page, hostile_address: str) -> None:
    page.goto(f"{hostile_address}/?by={GROUPINGS[-1]}")
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    page.locator(".chart-group .as-table summary").click()
    for by in GROUPINGS:
        word = GROUP_WORDS.get(by, by)
        page.locator("#group-by").click()
        page.get_by_role("option", name=word, exact=True).click()
        expect(page.locator("#group-by")).to_have_value(word)
        expect(page.locator(".chart-group tbody tr").first).to_be_visible()
        hover_bars(page, ".chart-group .points path")
        if by != "year":
            page.get_by_role("textbox", name={"model": "inverter"}.get(by, by)).click()
            expect(page.get_by_role("option").filter(has_text=PAYLOADS[0]).first).to_be_attached()
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
    assert names == {name for n, payload in enumerate(PAYLOADS) for name in (f"{n} {id_of(payload)}", f"s{n}")} | {
        f"of {id_of(some[min(some)])}" for some in SOME
    }


@pytest.mark.parametrize("some", SOME, ids=SOME_IDS)
def test_hostile_text_in_an_address_stays_text(page: Page, hostile_address: str, some: dict[int, str]) -> None:
    # As the value of every filter that takes a text. One too long for an address is said to be ignored.
    short = {n: text for n, text in some.items() if len(text) <= MOST_CHARACTERS}
    names = ("region", "model", "utility")
    filters = "&".join(f"{name}={quoted(text)}" for name in names for text in short.values())
    page.goto(f"{hostile_address}/?{filters}&text={quoted(next(iter(short.values()))[:60])}&by=model")
    for n, text in short.items():
        page.get_by_label("text", exact=True).fill(text[:60])
        expect(page.locator(".ag-row .system-link"), text).to_have_text([f"{n} {id_of(text)}"])
        expect(page.locator(".chip").filter(has_text=text[:60]), text).to_have_count(len(names) + 1)
        harmless(page, text)
    asked = [f"{text}=1&verdict={text}&check={text}&sort={text}&by={text}" for text in map(quoted, short.values())]
    page.goto(hostile_address + "/?" + "&".join(asked + [f"region={quoted(text)}" for text in some.values()]))
    for text in some.values():
        expect(page.locator(".notice-warning"), text).to_contain_text(text[:39])
    harmless(page, str(some))


@pytest.mark.parametrize("some", SOME, ids=SOME_IDS)
def test_hostile_text_of_a_system_stays_text(page: Page, hostile_address: str, some: dict[int, str]) -> None:
    # The texts, the circuits, the disagreement, the refused rows, the file, the specs.
    texts = list(some.values())
    name = f"of {id_of(texts[0])}"
    page.goto(f"{hostile_address}/system/{quoted(name)}?circuit={quoted(texts[-1])}")
    expect(page.locator("h1")).to_contain_text(name)
    expect(page.locator(".records .files")).to_contain_text(FILE_NAME)
    page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true })")
    for text in texts:
        expect(page.locator(".records"), text).to_contain_text(f"{text} other")
        expect(page.locator(".facts-of-system"), text).to_contain_text(text)
    for text in texts:
        page.locator(".what-if-fields input").first.fill(text[:60])
        page.locator("#what-if-go").click()
        expect(page.locator("#what-if-answer .notice-warning"), text).to_contain_text(repr(text[:60]))
        harmless(page, text)
    # A system whose service is such a text, and systems of such names that are not there.
    page.goto(f"{hostile_address}/system/s{min(some)}")
    expect(page.locator("h1")).to_contain_text(f"s{min(some)}")
    harmless(page, texts[0])
    for text in texts:
        page.goto(f"{hostile_address}/system/{quoted(text)}")
        expect(page.locator("h1"), text).to_be_visible()
        harmless(page, text)

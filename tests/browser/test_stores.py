"""Stores that are empty, replaced under the server, or full of hostile text; and the door of a guarded server."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import pytest
from browser_pages import Serve, watched
from playwright.sync_api import Browser, Page, expect

from auditor.records.schema import simple_columns
from auditor.store import Store
from dashboard.filters import GROUPINGS, MOST_CHARACTERS
from dashboard.pages.parts import WORDS

#: What runs, draws, asks or breaks where somebody forgets that it is text; `planted` marks an element that came of it.
PAYLOADS = (
    '<img class=planted src=x onerror="window.ran=1">',
    "<script class=planted>window.ran=1</script>",
    "</title></textarea><svg class=planted onload=window.ran=1>",
    "<b class=planted>bold</b><a class=planted href='javascript:window.ran=1'>x</a>",
    '<a href="javascript:window.ran=1">plot</a><br><i>markup</i>',
    "$\\href{javascript:window.ran=1}{x}$",
    "\\(\\unicode{x41}\\) $$x^2$$",
    "%{customdata}<extra>%{x}</extra>",
    "'; DROP TABLE system; --",
    "100%_\\%",
    '=HYPERLINK("http://evil.example/","x")',
    "+1+cmd|' /C calc'!A0",
    "@SUM(1)",
    "javascript:window.ran=1",
    "//evil.example/x.png?a=1&b=2#c",
    "{{constructor.constructor('window.ran=1')()}}",
    "__proto__",
    "long " + "W" * 1_500,
    "\u202egnp.exe \u2066x\u2069",
)
FILE_NAME = "a<img class=planted src=x onerror=window.ran=1> $x$ ' & =1.csv"
SOUND = {
    "service": "120/240", "inverter_count": "12", "breaker_a": "20", "home_run_length_m": "20",
    "design_date": "2016-05-01",
}  # fmt: skip


def auditor(*arguments: str | Path) -> None:
    command = [sys.executable, "-m", "auditor", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def write(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, sorted({name for row in rows for name in row}))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_an_empty_store_says_what_to_do_and_then_shows_what_came(page: Page, serve: Serve, tmp_path: Path) -> None:
    address = serve(tmp_path / "store")
    page.goto(address)
    expect(page.locator("h1")).to_have_text("Nothing to show yet")
    expect(page.locator("code")).to_contain_text("auditor import FILE --store")
    auditor(
        "import",
        write(tmp_path / "one.csv", [SOUND | {"system_id": "S1", "circuit_id": "1"}]),
        "--store",
        tmp_path / "store",
    )
    page.reload()
    expect(page.locator("h1")).to_have_text("1 system, 1 branch circuit")


def test_a_store_replaced_under_the_server_is_shown_without_a_reload(page: Page, serve: Serve, tmp_path: Path) -> None:
    store = tmp_path / "store"
    rows = [SOUND | {"system_id": f"S{n}", "circuit_id": "1"} for n in range(3)]
    auditor("import", write(tmp_path / "a.csv", rows[:1]), "--store", store)
    page.goto(serve(store))
    expect(page.locator("h1")).to_have_text("1 system, 1 branch circuit")
    auditor("import", write(tmp_path / "b.csv", rows), "--store", store)
    expect(page.locator("h1")).to_have_text("3 systems, 3 branch circuits")
    expect(page.get_by_text("Run 2 was published")).to_be_visible()
    expect(page.locator(".ag-row .system-link")).to_have_count(3)


#: What must not be on any page, whatever was imported: elements made of it, links that run or lead elsewhere.
PLANTED = """() => [...document.querySelectorAll("*")].filter((e) =>
    e.matches(".planted, [onerror], [onload], iframe, object, embed, mjx-container, .MathJax")
    || (e.matches("img") && !e.src.startsWith(location.origin + "/assets/") && !e.src.startsWith("data:"))
    || (e.matches("script") && e.textContent.includes("window.ran"))
    || (e.localName === "a" && (e.closest("svg") || new URL(e.href || "", location.href).origin !== location.origin))
).map((e) => e.outerHTML.slice(0, 200))"""


def harmless(page: Page, which: str = "") -> None:
    """Nothing of what was imported became part of the page or ran; the message names the text."""
    assert page.evaluate(PLANTED) == [], which
    assert page.evaluate("() => window.ran") is None, which


def visit(page: Page, address: str) -> None:
    """Follow a link of the dashboard's own: it changes the address and asks for what is there, without a new page."""
    page.evaluate(
        "(to) => { history.pushState({}, '', to); dispatchEvent(new CustomEvent('_dashprivate_pushstate')); }", address
    )


def id_of(payload: str) -> str:
    """The payload as an id may hold it: one with characters that do not show is refused."""
    return payload if payload.isprintable() else "refused"


def hostile_rows(n: int, payload: str) -> list[dict[str, str]]:
    """A system with the payload in every text, a refused row beside it, and one whose service is the payload.

    Its two circuits disagree on who designed it.
    """
    texts = [name for name, column in simple_columns().items() if column.kind in ("text", "id") and name != "service"]
    ids = [name for name, column in simple_columns().items() if column.kind == "id"]
    held = dict.fromkeys(texts, payload) | dict.fromkeys(ids, id_of(payload))
    row = SOUND | held | {"system_id": f"{n} {id_of(payload)}"}
    return [
        row,
        row | {"circuit_id": f"{id_of(payload)} b", "designer": f"{payload} other"},
        row | {"circuit_id": f"{payload} c", "inverter_count": payload, "home_run_size": payload},
        SOUND | {"system_id": f"s{n}", "circuit_id": "1", "service": payload, "designer": payload, "region": payload},
    ]


def hostile_catalog(path: Path) -> None:
    """Specs whose models are the payloads."""
    entries = []
    for payload in PAYLOADS:
        named = f"model = {json.dumps(payload)}\nrevision = 1\neffective = 2014-01-01\nsource = {json.dumps(payload)}\n"
        entries.append(
            f'[[inverter]]\n{named}rated_w = 240.0\nconnection = "line-line"\ncurrent_a = {{ "240" = "1.00" }}\n'
            f"[[trunk]]\n{named}rated_a = 20.0\n[[module]]\n{named}power_w = 270.0\n"
        )
    path.write_text("".join(entries), encoding="utf-8")


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
    for payload in PAYLOADS:
        text = quote(payload, safe="")
        visit(page, f"/?{text}=1&verdict={text}&check={text}&sort={text}&by={text}")
        expect(page.locator(".notice-warning").first, payload).to_contain_text(payload[:39])
        harmless(page, payload)


@pytest.mark.long
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


@pytest.mark.parametrize("known", [True, False])
def test_a_guarded_server_asks_for_its_secret(browser: Browser, serve: Serve, tmp_path: Path, known: bool) -> None:
    secret = tmp_path / "secret"
    secret.write_text("correct-horse-battery\n")
    address = serve(tmp_path / "store", "--secret-file", str(secret))
    if known:
        login = {"username": "anyone", "password": "correct-horse-battery"}
        for page in watched(browser, http_credentials=login):
            page.goto(address)
            expect(page.locator("h1")).to_have_text("Nothing to show yet")
    else:
        page = browser.new_page()
        answer = page.request.get(address + "/_dash-layout")
        assert answer.status == 401
        page.close()

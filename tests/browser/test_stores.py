"""Stores that are empty, replaced under the server, or full of hostile text; and the door of a guarded server."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import pytest
from browser_pages import Serve, watched
from playwright.sync_api import Browser, Page, expect

from auditor.records.schema import simple_columns

PAYLOADS = (
    '<img src=x onerror="window.ran=1">',
    "<script>window.ran=1</script>",
    "<a href='javascript:window.ran=1'>x</a>",
    "$\\href{javascript:window.ran=1}{x}$",
    "%{customdata}<extra>%{x}</extra>",
    "'; DROP TABLE shown; --",
    '=HYPERLINK("http://evil.example/","x")',
    "</title><svg onload=window.ran=1>",
    "{{constructor.constructor('window.ran=1')()}}",
    "evil & http://evil.example/x.png",
)
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


def test_hostile_text_neither_runs_nor_leaves(page: Page, serve: Serve, tmp_path: Path) -> None:
    texts = [name for name, column in simple_columns().items() if column.kind in ("text", "id") and name != "service"]
    rows = [
        SOUND | dict.fromkeys(texts, payload) | {"system_id": f"{n} {payload}", "circuit_id": payload}
        for n, payload in enumerate(PAYLOADS)
    ]
    store = tmp_path / "store"
    auditor("import", write(tmp_path / "hostile.csv", rows), "--store", store)
    address = serve(store)
    page.goto(address + "/?by=designer")
    expect(page.locator(".ag-row .system-link")).to_have_count(len(PAYLOADS))
    for payload in PAYLOADS:
        page.goto(f"{address}/?designer={quote(payload, safe='')}&by=model&text={quote(payload, safe='')}")
        expect(page.locator(".chip").first).to_be_visible()
        page.locator(".chart-group .as-table summary").click()
    page.goto(f"{address}/?{quote(PAYLOADS[0], safe='')}=1&verdict={quote(PAYLOADS[1], safe='')}")
    expect(page.locator(".notice-warning")).to_be_visible()
    for n, payload in enumerate(PAYLOADS):
        page.goto(f"{address}/system/{quote(f'{n} {payload}', safe='')}")
        expect(page.locator("h1")).to_be_visible()
        page.wait_for_timeout(300)
    assert page.evaluate("() => window.ran") is None


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

"""Stores that are empty or replaced under the server; and the door of a guarded server."""

from __future__ import annotations

from pathlib import Path

import pytest
from browser_pages import Serve, auditor, watching
from hostile_texts import SOUND, write
from playwright.sync_api import Browser, Page, expect


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


@pytest.mark.long
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


@pytest.mark.parametrize("known", [True, False])
def test_a_guarded_server_asks_for_its_secret(browser: Browser, serve: Serve, tmp_path: Path, known: bool) -> None:
    secret = tmp_path / "secret"
    secret.write_text("correct-horse-battery\n")
    address = serve(tmp_path / "store", "--secret-file", str(secret))
    if known:
        login = {"username": "anyone", "password": "correct-horse-battery"}
        with watching(browser, http_credentials=login) as watched:
            watched.page.goto(address)
            expect(watched.page.locator("h1")).to_have_text("Nothing to show yet")
        assert watched.complaints == []
    else:
        page = browser.new_page()
        answer = page.request.get(address + "/_dash-layout")
        assert answer.status == 401
        page.close()

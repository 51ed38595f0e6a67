"""What the tests of the portfolio page share."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

from playwright.sync_api import Page, expect


def shown(page: Page) -> int:
    """How many systems the heading over the table counts."""
    return int(page.locator("#table-head .count").inner_text().replace(",", ""))


def query(page: Page) -> dict[str, list[str]]:
    return parse_qs(urlsplit(page.url).query, keep_blank_values=True)


def ready(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".ag-row .system-link").first).to_be_visible()
    expect(page.locator(".chart-group .points path")).not_to_have_count(0)

"""Pages that are watched: whatever the browser complains of, or asks others for, fails the test."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from playwright.sync_api import Browser, Page, expect

#: Longest wait for anything [ms]; a loaded machine is slow, and nothing here measures time.
PATIENCE_MS = 60_000
expect.set_options(timeout=PATIENCE_MS)

#: Starts a server on a store's folder with options; returns its address.
Serve = Callable[..., str]


def watched(browser: Browser, **options: object) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1440, "height": 900}, **options)  # type: ignore[arg-type]
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: complaints.append(f"asked for {request.url}") if _outside(request.url) else None)
    page.on("dialog", lambda dialog: (complaints.append(f"a dialog: {dialog.message}"), dialog.dismiss()))
    yield page
    context.close()
    assert complaints == []


def _outside(url: str) -> bool:
    return not url.startswith(("http://127.0.0.1:", "data:", "blob:"))

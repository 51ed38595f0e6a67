"""Pages that are watched: whatever the browser complains of, or asks others for, fails the test."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, ViewportSize, expect

#: Longest wait for anything [ms]; a loaded machine is slow, and nothing here measures time.
PATIENCE_MS = 60_000
expect.set_options(timeout=PATIENCE_MS)

#: Starts a server on a store's folder with options; returns its address.
Serve = Callable[..., str]

WIDE: ViewportSize = {"width": 1440, "height": 900}
NARROW: ViewportSize = {"width": 390, "height": 844}
SCHEMES = ("light", "dark")
#: Nothing of the page changes its colours or place any more; what turns for ever is not waited for.
STILL = """() => document.getAnimations().every((a) =>
    a.playState !== "running" || a.effect.getComputedTiming().endTime === Infinity)
    && [...document.querySelectorAll("#content [style*=opacity]")].every((part) =>
    part.closest("svg") || getComputedStyle(part).opacity === "1")"""
#: Impacts that fail the test; lesser ones are remarks.
GRAVE = ("serious", "critical")


@dataclass
class Watched:
    """A page and what it complained of."""

    page: Page
    complaints: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        page, say = self.page, self.complaints.append
        page.on("console", lambda message: say(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: say(str(error)))
        page.on("request", lambda request: say(f"asked for {request.url}") if _outside(request.url) else None)
        page.on("dialog", lambda dialog: (say(f"a dialog: {dialog.message}"), dialog.dismiss()))

    def one_test(self) -> Iterator[Page]:
        """The page for one test: empty, without what others have stored. Its complaints fail that test."""
        self.page.set_viewport_size(WIDE)
        self.page.emulate_media(color_scheme="light")
        self.complaints.clear()
        yield self.page
        found = list(self.complaints)
        self.page.unroute_all()
        if self.page.url.startswith("http://127.0.0.1:"):
            self.page.evaluate("() => (localStorage.clear(), sessionStorage.clear())")
            # Elsewhere, for instance on about:blank, the browser would end the process that holds the compiled scripts.
            self.page.goto("/".join(self.page.url.split("/")[:3]) + "/assets/theme.css")
        self.page.context.clear_cookies()
        assert found == []


@contextmanager
def watching(browser: Browser, **options: object) -> Iterator[Watched]:
    """A watched page in a profile of its own."""
    context = browser.new_context(viewport=WIDE, **options)  # type: ignore[arg-type]
    context.set_default_timeout(PATIENCE_MS)
    yield Watched(context.new_page())
    context.close()


def _outside(url: str) -> bool:
    return not url.startswith(("http://127.0.0.1:", "data:", "blob:"))


def auditor(*arguments: str | Path) -> None:
    """Run a command, which must succeed."""
    command = [sys.executable, "-m", "auditor", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def every_look(page: Page) -> Iterator[str]:
    """Put the page in light and dark, wide and narrow, one after the other; nothing of it is half drawn then."""
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        expect(page.locator("html")).to_have_attribute("data-mantine-color-scheme", scheme)
        for size in (WIDE, NARROW):
            page.set_viewport_size(size)
            page.wait_for_load_state("networkidle")
            page.wait_for_function(STILL)
            yield f"{scheme}, {size['width']} px"


def violations(page: Page, look: str) -> list[str]:
    """Each serious or critical violation of the page as it is: where it is, and what axe says of it."""
    return [
        f"{look}: {rule['id']}: {node['target']} {node['failureSummary']}"
        for rule in Axe().run(page).response["violations"]
        if rule["impact"] in GRAVE
        for node in rule["nodes"]
    ]


def grave(page: Page) -> list[str]:
    """Each serious or critical violation in every look."""
    return [line for look in every_look(page) for line in violations(page, look)]

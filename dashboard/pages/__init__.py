"""The pages, in the order of the navigation; each gives its layout and registers its callbacks."""

from __future__ import annotations

import urllib.parse

from dashboard.context import Page
from dashboard.pages import changes, imports, plan, portfolio, quality, system, triage

PAGES: tuple[Page, ...] = (
    portfolio.PAGE,
    system.PAGE,
    triage.PAGE,
    plan.PAGE,
    quality.PAGE,
    changes.PAGE,
    imports.PAGE,
)


def page_of(pathname: str | None) -> tuple[Page, str] | None:
    """The page of a path and the percent-decoded rest behind its prefix; None where no page answers."""
    path = pathname or "/"
    for page in PAGES:
        if page.prefix == path:
            return page, ""
        if page.prefix != "/" and page.prefix.endswith("/") and path.startswith(page.prefix):
            return page, urllib.parse.unquote(path[len(page.prefix) :])
    return None

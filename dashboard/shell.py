"""The shell around every page: navigation, theme, notifications, and which page an address shows."""

from __future__ import annotations

import logging
from typing import Any

import dash_mantine_components as dmc
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.errors import AuditorError
from dashboard import components, messages
from dashboard.context import Context
from dashboard.pages import PAGES, page_of

log = logging.getLogger("dashboard")

#: How often a page asks whether a newer audit was published [ms].
POLL_MS = 20_000

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
{%css%}
</head>
<body>
<a class="skip" href="#content">Skip to the content</a>
{%app_entry%}
<noscript>This page needs JavaScript. The command `auditor export` writes the same answers to files.</noscript>
<footer>
{%config%}
{%scripts%}
{%renderer%}
</footer>
</body>
</html>"""


def layout() -> Component:
    """The shell, empty; the address decides what it shows."""
    links = [dcc.Link(page.nav, href=page.prefix, className="nav-link") for page in PAGES if page.nav]
    return dmc.MantineProvider(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            dcc.Store(id="run"),
            dcc.Store(id="published"),
            dcc.Interval(id="poll", interval=POLL_MS),
            dmc.NotificationContainer(id="notifications", position="bottom-right", autoClose=12_000),
            html.Header(
                [
                    dcc.Link([html.Img(src="/assets/mark.svg", alt="", className="brand-mark"), "Portfolio auditor"],
                             href="/", className="brand"),
                    html.Nav(links, **{"aria-label": "Pages"}),
                    html.Div(id="run-label", className="run-label"),
                    dmc.ColorSchemeToggle(
                        id="theme", lightIcon="☀", darkIcon="☾", variant="subtle", size="lg",
                        **{"aria-label": "Light or dark"},
                    ),
                ],
                className="top",
            ),
            html.Div(id="stale", className="stale", role="status"),
            html.Main(
                dcc.Loading(
                    html.Div(id="page"), id="page-loading", delay_show=400, type="dot",
                    target_components={"page": "children"}, parent_className="loading",
                    overlay_style={"visibility": "visible", "opacity": 0.6},
                ),
                id="content", tabIndex="-1",
            ),
        ],
        defaultColorScheme="auto",
        theme={"primaryColor": "dark", "fontFamily": "inherit", "defaultRadius": 3, "cursorType": "pointer"},
    )  # fmt: skip


def page_for(context: Context, pathname: str | None, search: str) -> Component:
    """The page of an address, or one that says what to do instead."""
    found = page_of(pathname)
    if found is None:
        return components.what_to_do("There is no such page", "The portfolio is at the start.", "")
    page, rest = found
    try:
        return page.layout(context, rest, search)
    except AuditorError as error:
        return nothing_yet(error)
    except Exception:
        log.exception("the page %s could not be made", page.name)
        return components.what_to_do("This page could not be made", messages.AGAIN)


def nothing_yet(error: AuditorError) -> Component:
    """What an empty store shows: the reason, and the command."""
    text, _, command = str(error).partition("Run: ")
    if not command:
        text, _, command = str(error).partition("Import a file first: ")
    here = html.P(["Or ", dcc.Link("bring a file in through this page", href="/import"), "."])
    return components.what_to_do("Nothing to show yet", text.strip(), command.strip(), here)


def tell_of_error(error: Exception) -> Any:
    """What becomes of an error in any callback: a log entry, and a notification that says what to do."""
    if not isinstance(error, AuditorError):
        log.error("a callback failed", exc_info=error)
    messages.tell("That could not be shown", messages.what_to_do(error))
    return no_update


def register(app: Dash, context: Context) -> None:
    """Add the shell's callbacks."""

    @app.callback(
        Output("page", "children"),
        Output("run", "data"),
        Output("run-label", "children"),
        Output("stale", "children"),
        Input("url", "pathname"),
        Input("published", "data"),
        State("url", "search"),
    )
    def _page(pathname: str | None, published: int | None, search: str | None) -> tuple[Any, Any, Any, Any]:
        """The address or the published run changed: the page is made anew."""
        return page_for(context, pathname, search or ""), *run_shown(context), banner(context)

    @app.callback(
        Output("published", "data"),
        Output("stale", "children", allow_duplicate=True),
        Input("poll", "n_intervals"),
        State("run", "data"),
        prevent_initial_call=True,
    )
    def _poll(ticks: int | None, run: int | None) -> tuple[Any, Any]:
        """Now and then: was another run published, or something imported that no run holds?"""
        return newer_run(context, run), banner(context)

    app.clientside_callback(
        ClientsideFunction("shell", "arrived"),
        Output("content", "data-path"),
        Input("page", "children"),
        State("url", "pathname"),
    )


def run_shown(context: Context) -> tuple[int | None, str]:
    """The run that is published and its label; none for a store without."""
    try:
        with context.snapshots.cursor() as cursor:
            run, as_of = cursor.execute("SELECT run, as_of FROM audit").fetchall()[0]
    except AuditorError:
        return None, ""
    return run, f"run {run}, as of {as_of}"


def banner(context: Context) -> list[Component]:
    """What to say above every page: what the published run does not hold, and what it was judged by."""
    return [html.Div(told) for told in (other_rules(context), not_audited(context)) if told]


def other_rules(context: Context) -> list[Any]:
    """What to say where the published run used other rules than the store's own; nothing where it used those."""
    others = context.snapshots.other_rules()
    if not others:
        return []
    return [
        "This run used other rules than the store's own: ", html.Code(others), ". Those come back with: ",
        html.Code(f"auditor audit --store {context.store.root}"),
    ]  # fmt: skip


def not_audited(context: Context) -> list[Any]:
    """What to say where the store holds imports that the published run does not; nothing where it holds them all."""
    behind = context.snapshots.behind()
    if not behind:
        return []
    waiting = components.counted(behind, "import is", "imports are")
    return [f"{waiting} not audited yet. Run: ", html.Code(f"auditor audit --store {context.store.root}")]


def newer_run(context: Context, run: int | None) -> Any:
    """The run that is published where the page shows another, which is told; else nothing changes."""
    try:
        number = context.snapshots.number()
    except AuditorError:
        return no_update
    if number == run:
        return no_update
    messages.tell(f"Run {number} was published", "The page now shows it.", "blue")
    return number

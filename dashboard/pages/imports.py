"""The import page: bring a file in, look before it is kept, and see what was rejected, is suspicious or is missing."""

from __future__ import annotations

import time
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from auditor import jobs
from auditor.errors import AuditorError
from auditor.store.records_db import Connection
from auditor.store.snapshot import snapshot_numbers
from dashboard import components, incoming
from dashboard.context import Context, Page
from dashboard.incoming import Upload
from dashboard.pages import imports_lists as lists
from dashboard.pages.imports_address import Place, chosen, place_of
from dashboard.pages.imports_duplicates import decide, duplicates
from dashboard.pages.imports_upload import panel
from dashboard.pages.parts import value_of
from dashboard.queries import imports as queries

#: How often a running command is asked how far it is [ms].
POLL_MS = 700


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of a query string; without an audit there is the upper part alone."""
    place, notes = place_of(search)
    still = not _busy(context)
    upper, drawn = panel(context, place.upload)
    return html.Div(
        [
            html.H1("Import"),
            *([components.note([html.P(text) for text in notes], "warning")] if notes else []),
            html.Section(upper, id="import-panel", **{"aria-label": "Bring in a file"}),
            html.Div(_body(context, place), id="import-body", className="import-body"),
            dcc.Store(id="import-drawn", data=drawn),
            dcc.Store(id="import-listed", data=_listed(place)),
            dcc.Store(id="import-moved"),
            dcc.Interval(id="import-poll", interval=POLL_MS, disabled=still),
        ],
        className="import-page",
    )


def _busy(context: Context) -> bool:
    """Whether a command runs. Asked before the page is drawn: one that ends in between is then asked for again."""
    last = jobs.latest(context.store)
    return last is not None and last.open


def _listed(place: Place) -> str:
    """What the lists follow: the address without the file that waits."""
    return Place("", place.asked, place.suspicion, place.suspicion_page).address


def _body(context: Context, place: Place) -> list[Component | None]:
    try:
        with context.snapshots.cursor() as con:
            return _lists(context, con, place)
    except AuditorError as error:
        if snapshot_numbers(context.store):
            raise
        told = "Nothing was audited yet, so there is nothing to list." if context.store.manifest.exists() else ""
        return [html.P(told, className="note")] if told else ([] if context.upload else [html.P(str(error))])


def _lists(context: Context, con: Connection, place: Place) -> list[Component | None]:
    parts = [
        lists.came_in(con, place),
        lists.rejects(con, place),
        lists.suspicious(con, place),
        lists.disagreeing(con),
        lists.left_out(con),
        duplicates(context, con),
        lists.missing(con),
    ]
    return [*_summary(con), *parts]


def _summary(con: Connection) -> list[Component]:
    """What waits for somebody, as links to the lists."""
    open_rejects = queries.states(con)["open"]
    warnings = int(queries.suspicious(con)["warnings"].sum())
    lines = [
        (open_rejects, "rejects", components.counted(open_rejects, "reject is open", "rejects are open")),
        (warnings, "suspicious", components.counted(warnings, "value is suspicious", "values are suspicious")),
        (n := queries.conflicts(con)[1], "conflicts", components.counted(n, "fact disagrees", "facts disagree")),
        (n := queries.duplicates(con)[1], "duplicates", components.counted(n, "pair of ids may be one project",
                                                                          "pairs of ids may be one project each")),
    ]  # fmt: skip
    shown = [html.Li(html.A(words, href=f"#{anchor}")) for count, anchor, words in lines if count]
    shown.append(html.Li(html.A("which missing facts to fetch", href="#missing")))
    return [html.Nav(html.Ul(shown, className="contents"), **{"aria-label": "On this page"})]


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""

    @app.callback(
        output={
            "panel": Output("import-panel", "children"),
            "drawn": Output("import-drawn", "data"),
            "body": Output("import-body", "children"),
            "listed": Output("import-listed", "data"),
            "still": Output("import-poll", "disabled"),
        },
        inputs={
            "search": Input("url", "search"),
            "moved": Input("import-moved", "data"),
            "ticks": Input("import-poll", "n_intervals"),
        },
        state={
            "path": State("url", "pathname"),
            "drawn": State("import-drawn", "data"),
            "listed": State("import-listed", "data"),
        },
        prevent_initial_call=True,
    )
    def _follow(
        search: str | None, moved: Any, ticks: Any, path: str | None, drawn: Any, listed: Any
    ) -> dict[str, Any]:
        """The address changed, something was started, or time has passed: the page follows."""
        stay = dict.fromkeys(("panel", "drawn", "body", "listed", "still"), no_update)
        return stay if path != PAGE.prefix else stay | followed(context, search, drawn, listed)

    @app.callback(
        Output("published", "data", allow_duplicate=True),
        Input("import-drawn", "data"),
        State("run", "data"),
        prevent_initial_call=True,
    )
    def _published(drawn: Any, run: int | None) -> Any:
        """What runs has moved on: where a run was published, the whole page follows it."""
        return context.snapshots.number() if _newer(context, run) else no_update

    @app.callback(
        Output("import-moved", "data"),
        Output("url", "search", allow_duplicate=True),
        Input({"import-do": ALL}, "n_clicks"),
        State({"import-field": ALL}, "value"),
        State({"import-field": ALL}, "id"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _do(clicks: list[Any], values: list[Any], ids: list[Any], search: str | None) -> Any:
        """A button that starts something was pressed."""
        if not any(press["value"] for press in ctx.triggered) or ctx.triggered_id is None:
            return no_update, no_update
        fields = {field["import-field"]: value for field, value in zip(ids, values, strict=True)}
        return time.time(), done(context, ctx.triggered_id["import-do"], fields, search)

    @app.callback(
        Output("import-body", "children", allow_duplicate=True),
        Input({"decide": ALL, "one": ALL, "other": ALL}, "n_clicks"),
        State({"decide-field": ALL}, "value"),
        State({"decide-field": ALL}, "id"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _decided(presses: list[Any], values: list[Any], ids: list[Any], search: str | None) -> Any:
        """A person has decided of two ids: the lists say so."""
        if not any(press["value"] for press in ctx.triggered) or ctx.triggered_id is None:
            return no_update
        fields = {field["decide-field"]: value for field, value in zip(ids, values, strict=True)}
        decide(context, ctx.triggered_id, fields)
        return _body(context, place_of(search)[0])

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input({"choose": ALL, "value": ALL}, "n_clicks"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _chosen(presses: list[Any], search: str | None) -> Any:
        """A kind, a column, an import or a page of a list was chosen: the address follows."""
        if not any(press["value"] for press in ctx.triggered) or ctx.triggered_id is None:
            return no_update
        place, _ = place_of(search)
        return chosen(place, ctx.triggered_id["choose"], value_of("", ctx.triggered_id["value"])).address


def _newer(context: Context, run: int | None) -> bool:
    return bool(snapshot_numbers(context.store)) and context.snapshots.number() != run


def followed(context: Context, search: str | None, drawn: Any, listed: Any) -> dict[str, Any]:
    """What changes on the page; a part that shows what it should is left alone, with what is typed in it."""
    place, _ = place_of(search)
    _go_on(context, place)
    changed: dict[str, Any] = {"still": not _busy(context)}
    upper, now = panel(context, place.upload)
    if _plain(now) != drawn:
        changed |= {"panel": upper, "drawn": now}
    if _listed(place) != listed:
        changed |= {"body": _body(context, place), "listed": _listed(place)}
    return changed


def _go_on(context: Context, place: Place) -> None:
    """Do what follows of itself: propose a mapping where one is wanted; let go of a file that was imported."""
    upload = incoming.load(context.store, place.upload) if context.upload and place.upload else None
    job = incoming.job_of(context.store, upload) if upload else None
    if upload is None or job is None:
        return
    if incoming.wants_mapping(job, upload):
        incoming.propose(context.store, upload)
    elif upload.last == "import" and job.state == "done":
        incoming.settle(context.store, upload)


def _plain(value: Any) -> Any:
    """A value as it comes back from the browser, where a tuple is a list."""
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def done(context: Context, action: str, fields: dict[str, Any], search: str | None) -> Any:
    """Do what a button says; return the query string where it changes. AuditorError where it cannot be done."""
    if not context.upload:
        raise AuditorError("This dashboard starts no commands. Use the command line.")
    place, _ = place_of(search)
    verb, _, rest = action.partition(" ")
    if verb == "stop" and rest.isdecimal():
        jobs.stop(context.store, int(rest))
        return no_update
    if verb == "audit":
        jobs.start(context.store, ["audit", "--store", str(context.store.root)], "the audit")
        return no_update
    upload = incoming.load(context.store, place.upload)
    if upload is None:
        raise AuditorError("That file is not here any more. Choose it again.")
    if verb == "discard":
        incoming.discard(context.store, upload)
        return Place("", place.asked, place.suspicion, place.suspicion_page).address
    _start(context, verb, upload, fields)
    return no_update


def _start(context: Context, verb: str, upload: Upload, fields: dict[str, Any]) -> None:
    store = context.store
    if verb == "preview":
        incoming.preview(store, upload)
    elif verb in ("keep", "replace"):
        incoming.preview(store, incoming.meant(upload, gone=verb == "replace"))
    elif verb == "older":
        incoming.preview(store, incoming.meant(upload, older=True))
    elif verb == "commit":
        incoming.commit(store, upload)
    elif verb == "propose":
        incoming.propose(store, upload, fields.get("sheet") or "", fields.get("lengths") or "")
    elif verb == "use-mapping":
        incoming.preview(store, incoming.give_mapping(store, upload, fields.get("mapping") or ""))


PAGE = Page("imports", "/import", "Import", layout, register, nav="Import")

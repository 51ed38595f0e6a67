"""The portfolio page: which systems exceed what, how they are spread, and a table of them all."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import dash_mantine_components as dmc
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from auditor.store.records_db import Connection
from dashboard import components, grid
from dashboard.changes_address import Asked
from dashboard.context import Context, Page
from dashboard.filters import BY_TRIPS, DEFAULT_SORT, GROUPINGS, VERDICTS, Filters, View, parse, query_string
from dashboard.pages import parts, parts_trips
from dashboard.queries import portfolio as queries
from dashboard.queries import table as table_queries

#: The charts by name: heading, function, what it says in words.
CHARTS = {
    "rise": ("Voltage rise against the target", parts.rise_chart, "Systems by their worst total voltage rise"),
    "trips": (
        "Overvoltage trips expected",
        parts_trips.trips_chart,
        "Systems by the trip-days expected of them in a year",
    ),
    "trip-groups": ("Overvoltage trips by", parts_trips.group_chart, "Systems by group and band of trip-days a year"),
    "over": ("Inverters against the branch limit", parts.units_chart, "Systems by inverters beyond the branch limit"),
    "check": ("Failures by check", parts.check_chart, "Systems that fail each check or leave it unknown"),
    "group": ("Failures by", parts.group_chart, "Systems by group and verdict"),
}
#: Filters with a list to choose from, in the order of the form.
LISTS = ("verdict", "check", "region", "utility", "designer", "year", "service", "model")
GROUP_WORDS = {"model": "inverter model"}
#: Charts with a choice of grouping: the control, and the field of the view that it sets.
GROUPED = {"group": ("group-by", "by"), "trip-groups": ("trips-by", "trips_by")}


def _values(con: Connection, name: str) -> list[dict[str, str]]:
    if name == "verdict":
        return [{"value": parts.key(v), "label": v} for v in VERDICTS[:3]]
    if name == "check":
        return [
            {"value": parts.key(check + end), "label": title + word}
            for check, title in queries.checks(con)
            for end, word in (("", ": fails"), (":unknown", ": unknown"))
        ]
    return [
        {"value": parts.key(value), "label": parts.NOT_STATED if value is None else str(value)}
        for value in queries.options(con, name)
    ]


def _chosen(filters: Filters, name: str) -> list[str]:
    return [parts.key(value) for value in getattr(filters, name)]


def _form(con: Connection, view: View) -> Component:
    fields = [
        dmc.TextInput(
            id="filter-text", label="text", value=view.filters.text, debounce=450, placeholder="id, site, crew",
            className="field", inputProps={"maxLength": 200},
        ),
        *(
            dmc.MultiSelect(
                id={"filter": name}, label=parts.WORDS[name], data=_values(con, name),
                value=_chosen(view.filters, name), searchable=True, clearable=True, className="field", maxValues=40,
                limit=200, hidePickedOptions=False, nothingFoundMessage="none",
                comboboxProps={"shadow": "md", "withinPortal": True},
            )
            for name in LISTS
        ),
    ]  # fmt: skip
    return html.Details([html.Summary("Filters"), html.Div(fields, className="fields")], className="filters", open=True)


def _chart(name: str, con: Connection, view: View) -> Component:
    title, build, label = CHARTS[name]
    figure, table = build(con, view)
    heading: Any = html.H2(title)
    if name in GROUPED:
        control, of_view = GROUPED[name]
        choice = components.choice(
            control, [{"value": by, "label": GROUP_WORDS.get(by, by)} for by in GROUPINGS], getattr(view, of_view),
            className="group-by", **{"aria-label": title},
        )  # fmt: skip
        heading = html.Div([html.H2(title), choice], className="heading-choice")
    risk = html.Div(parts_trips.risk(con, view), id="trip-risk", className="trip-risk") if name == "trips" else None
    return html.Section(
        [
            heading,
            risk,
            components.graph(figure, {"picks": name}, label),
            html.Details([html.Summary("as table"), html.Div(table, id={"table": name})], className="as-table"),
        ],
        className=f"chart chart-{name}",
    )


def _table_head(view: View, count: int) -> list[Component]:
    query = query_string(View(view.filters, view.sort))
    links = [
        html.A(name, href=f"/export/systems.{suffix}{query}", className="button", download="")
        for name, suffix in (("CSV", "csv"), ("Excel", "xlsx"))
    ]
    return [
        html.H2([html.Span("Systems "), html.Span(f"{count:,}", className="count")]),
        html.Div(
            [
                dcc.Link("what if, for these systems", href=Asked(part=query_string(View(view.filters))).href),
                html.Span("export what is shown: ", className="note"),
                *links,
            ],
            className="exports",
        ),
    ]


def _ignored(notes: tuple[str, ...]) -> list[Component]:
    return [components.note([html.P(text) for text in notes], "warning")] if notes else []


def _nothing_read(con: Connection) -> list[Component]:
    """Where to look when files came in of which no system could be read."""
    if table_queries.count(con, Filters()):
        return []
    link = dcc.Link("The import page says what was rejected, and why", href="/import")
    return [components.note(["No system could be read from what was imported. ", link, "."], "warning")]


def layout(context: Context, rest: str, search: str) -> Component:
    """The answer, the filters, the charts and the table of a query string."""
    view, notes = parse(search)
    with context.snapshots.cursor() as con:
        count = table_queries.count(con, view.filters)
        return html.Div(
            [
                html.Div(_ignored(notes), id="ignored"),
                *_nothing_read(con),
                html.Section(parts.answer(con, view), id="answer", **{"aria-live": "polite"}),
                html.Section(
                    [
                        html.H2("Show only", className="sr"),
                        _form(con, view),
                        html.Div(parts.chips(con, view), id="chips", className="chips"),
                    ],
                    className="controls",
                ),
                html.Div([_chart(name, con, view) for name in CHARTS], className="charts"),
                html.Section(
                    [
                        html.Div(_table_head(view, count), id="table-head", className="table-head"),
                        grid.systems(view, count),
                    ],
                    className="systems",
                ),
                components.cautions(),
                dcc.Store(id="shown", data=_shown(view)),
            ],
            className="portfolio",
        )


def _shown(view: View) -> dict[str, Any]:
    """What the table in the browser must follow: the filters, and the sort."""
    return {
        "filters": query_string(View(view.filters)),
        "sort": [{"colId": name, "sort": "desc" if down else "asc"} for name, down in view.sort],
        "by": [view.by, view.trips_by],
    }


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""
    grid.register(app, context)

    @app.callback(
        output={
            "ignored": Output("ignored", "children"),
            "answer": Output("answer", "children"),
            "chips": Output("chips", "children"),
            "figures": [Output({"picks": name}, "figure") for name in CHARTS],
            "tables": [Output({"table": name}, "children") for name in CHARTS],
            "head": Output("table-head", "children"),
            "size": Output("systems", "style"),
            "shown": Output("shown", "data"),
            "text": Output("filter-text", "value"),
            "lists": [Output({"filter": name}, "value") for name in LISTS],
            "by": [Output(control, "value") for control, _ in GROUPED.values()],
            "risk": Output("trip-risk", "children"),
        },
        inputs={"search": Input("url", "search")},
        state={
            "path": State("url", "pathname"),
            "shown": State("shown", "data"),
            "text": State("filter-text", "value"),
            "lists": [State({"filter": name}, "value") for name in LISTS],
            "by": [State(control, "value") for control, _ in GROUPED.values()],
        },
        prevent_initial_call=True,
    )
    def _follow(
        search: str | None, path: str | None, shown: Any, text: str | None, lists: list[Any], by: list[str | None]
    ) -> dict[str, Any]:
        """The address changed: everything follows it."""
        stay = {
            **dict.fromkeys(("ignored", "answer", "chips", "head", "size", "shown", "text", "risk"), no_update),
            "by": [no_update] * len(GROUPED),
            "figures": [no_update] * len(CHARTS),
            "tables": [no_update] * len(CHARTS),
            "lists": [no_update] * len(LISTS),
        }
        if path != PAGE.prefix or not isinstance(shown, dict):
            return stay
        return stay | followed(context, search, shown) | controls(search, text, lists, by)

    @app.callback(
        output=Output("url", "search", allow_duplicate=True),
        inputs={
            "text": Input("filter-text", "value"),
            "lists": [Input({"filter": name}, "value") for name in LISTS],
            "by": [Input(control, "value") for control, _ in GROUPED.values()],
        },
        state={"search": State("url", "search")},
        prevent_initial_call=True,
    )
    def _chosen_in_form(text: str | None, lists: list[Any], by: list[str | None], search: str | None) -> Any:
        """A control of the form changed: the address follows it."""
        return after_form(search, text, lists, by)

    @app.callback(
        Output("url", "search", allow_duplicate=True), Output({"picks": ALL}, "clickData"),
        Input({"picks": ALL}, "clickData"),
        Input({"pick": ALL, "name": ALL, "value": ALL}, "n_clicks"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _picked(clicks: list[Any], presses: list[Any], search: str | None) -> Any:
        """Part of a chart, a row, a line of the answer or a chip was clicked: the address follows it."""
        nothing = [None] * len(clicks)
        if not any(clicks) and not any(press["value"] for press in ctx.triggered):
            return no_update, [no_update] * len(clicks)
        return after_pick(search, ctx.triggered_id, next((c for c in clicks if c), None)), nothing

    app.clientside_callback(
        ClientsideFunction("portfolio", "follow"), Output("systems", "className"), Input("shown", "data"),
        prevent_initial_call=True,
    )  # fmt: skip


def followed(context: Context, search: str | None, shown: dict[str, Any]) -> dict[str, Any]:
    """What changes on the page when its address does; a new sort alone leaves answer and charts."""
    view, notes = parse(search)
    now = _shown(view)
    with context.snapshots.cursor() as con:
        count = table_queries.count(con, view.filters)
        changed: dict[str, Any] = {
            "ignored": _ignored(notes),
            "head": _table_head(view, count),
            "size": grid.style(count),
            "shown": now,
            "risk": parts_trips.risk(con, view),
        }
        if (now["filters"], now["by"]) == (shown.get("filters"), shown.get("by")):
            return changed
        built = [build(con, view) for _, build, _ in CHARTS.values()]
        return changed | {
            "answer": parts.answer(con, view),
            "chips": parts.chips(con, view),
            "figures": [figure for figure, _ in built],
            "tables": [table for _, table in built],
        }


def controls(search: str | None, text: str | None, lists: list[Any], by: list[str | None]) -> dict[str, Any]:
    """The controls' values where they differ from the address; one that stands right is left alone."""
    view, _ = parse(search)
    values = [_chosen(view.filters, name) for name in LISTS]
    return {
        "text": no_update if (text or "").strip() == view.filters.text else view.filters.text,
        "lists": [no_update if set(old or []) == set(new) else new for old, new in zip(lists, values, strict=True)],
        "by": [
            no_update if held == getattr(view, of_view) else getattr(view, of_view)
            for held, (_, of_view) in zip(by, GROUPED.values(), strict=True)
        ],
    }


def after_form(search: str | None, text: str | None, lists: list[Any], by: list[str | None]) -> Any:
    """The address after a control of the form changed; filters that the form does not hold stay."""
    view, _ = parse(search)
    chosen: dict[str, Any] = {"text": (text or "").strip()[:200]}
    for name, keys in zip(LISTS, lists, strict=True):
        held = getattr(view.filters, name)
        values = [parts.value_of(name, k) for k in keys or []]
        chosen[name] = held if set(held) == set(values) else tuple(values)
    filters = Filters(**{**view.filters.__dict__, **chosen})
    groupings = {of_view: held for held, (_, of_view) in zip(by, GROUPED.values(), strict=True) if held}
    return _address(replace(view, filters=filters, **groupings), view)


def after_pick(search: str | None, source: Any, click: Any) -> Any:
    """The address after something was picked: one value of a filter put in force or lifted."""
    view, _ = parse(search)
    if click:
        data = click["points"][0]["customdata"]
        return _address(
            replace(view, filters=picked(view.filters, list(zip(data[::2], data[1::2], strict=True)))), view
        )
    if source["pick"] == "clear":
        return _address(replace(view, filters=Filters()), view)
    if source["pick"] == "rank":
        return _address(replace(view, sort=DEFAULT_SORT if view.sort == BY_TRIPS else BY_TRIPS), view)
    if source["name"] == "text":
        return _address(replace(view, filters=view.filters.without("text")), view)
    return _address(replace(view, filters=picked(view.filters, [(source["name"], source["value"])])), view)


def picked(filters: Filters, asked: list[tuple[str, str]]) -> Filters:
    """The filters with values put in force, given by name and key, or lifted where all of them are."""
    wanted = [(name, parts.value_of(name, at)) for name, at in asked if name in parts.WORDS]
    lifted = all(value in getattr(filters, name) for name, value in wanted)
    for name, value in wanted:
        if lifted or value not in getattr(filters, name):
            filters = filters.toggled(name, value)
    return filters


def _address(view: View, before: View) -> Any:
    """The query string of a view, where it is another than before."""
    return no_update if view == before else query_string(view)


PAGE = Page("portfolio", "/", "Portfolio", layout, register, nav="Portfolio")

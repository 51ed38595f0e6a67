"""When a system's trips fall: a picture of months by hours, worked out when asked; the address says that it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import unquote

import numpy as np
import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.one_system import load
from auditor.one_system.trips import ByHour, by_month_and_hour
from dashboard import components
from dashboard.context import Context
from dashboard.pages.system_address import hours_asked, with_hours

MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
          "December")  # fmt: skip
#: Cells below this share of the largest are left empty in the picture; the table has them.
LEAST_SHARE = 0.004
#: The share of all trips that the sentence's hours and months hold.
MOSTLY = 0.8
#: Fewer trips a year than this are none.
NOTHING = 1e-6
WORDS = {False: "Show by month and hour", True: "Hide months and hours"}


def section(asked: bool) -> Component:
    """The button and the place of the picture, which a callback fills."""
    return html.Div(
        [
            html.H3("When the trips fall", id="trip-hours-title"),
            html.Button(
                WORDS[asked], id="trip-hours-go", className="button", n_clicks=0,
                **{"aria-expanded": "true" if asked else "false", "aria-controls": "trip-hours"},
            ),
            dcc.Loading(
                html.Div(id="trip-hours", **{"aria-live": "polite"}), delay_show=200, parent_className="busy",
                custom_spinner=html.P("Solving the days of every month …", className="note", role="status"),
                target_components={"trip-hours": "children"},
            ),
            dcc.Store(id="trip-hours-of"),
        ],
        className="trip-hours-section",
    )  # fmt: skip


def shown(found: ByHour | None) -> list[Component]:
    """The sentence, the picture, what it rests on, and the table behind it."""
    if found is None:
        return [html.P("The likelihood needs facts that are missing: nothing can be drawn.")]
    if found.trips.sum() < NOTHING:
        return [html.P("No trip is expected in any hour of the year.")]
    return [
        html.P(sentence(found.trips)),
        _picture(found.trips),
        html.P(_rests_on(found), className="note"),
        html.Details([html.Summary("as table"), components.table(_frame(found.trips))], className="as-table"),
    ]


def window(values: Sequence[float], share: float = MOSTLY) -> tuple[int, int]:
    """First and last place of the shortest run, round the end if need be, that holds `share` of the sum.

    Of several as short, the one that holds most.
    """
    twice = np.concatenate([values, values])
    wanted, size = share * float(np.sum(values)) * (1 - 1e-12), len(values)
    for length in range(1, size + 1):
        held = [float(twice[start : start + length].sum()) for start in range(size)]
        best = int(np.argmax(held))
        if held[best] >= wanted:
            return best, (best + length - 1) % size
    return 0, size - 1


def sentence(trips: np.ndarray[Any, np.dtype[np.float64]]) -> str:
    """In which hours and months most trips fall; trips (12, 24)."""
    first, last = window(trips.sum(axis=0))
    begins, ends = window(trips.sum(axis=1))
    months = MONTHS[begins] if begins == ends else f"{MONTHS[begins]} to {MONTHS[ends]}"
    return (
        f"{100 * MOSTLY:.0f} in 100 trips fall between {first}:00 and {last + 1}:00, and as many in {months}:"
        " that is when to measure and to look into logs."
    )


def _picture(trips: np.ndarray[Any, np.dtype[np.float64]]) -> Component:
    """A square in each hour of each month, its area the trips expected there."""
    most = float(trips.max())
    head = [html.Span(className="hour-month"), *(html.Span(f"{h}" if h % 3 == 0 else "") for h in range(24))]
    rows: list[Component] = [html.Div([*head, html.Span("sum", className="hour-sum")], className="hour-row hour-head")]
    for month, line in zip(MONTHS, trips, strict=True):
        cells = [_cell(month, hour, float(value), most) for hour, value in enumerate(line)]
        name, total = html.Span(month[:3], className="hour-month"), html.Span(_count(line.sum()), className="hour-sum")
        rows.append(html.Div([name, *cells, total], className="hour-row"))
    month, hour = divmod(int(trips.argmax()), 24)
    label = (
        f"Trips by month and hour of day; the most, {_count(most)} a year, in {MONTHS[month]} from {hour}:00. The table"
        " below holds every figure."
    )
    key = html.P(
        [html.Span(className="hour-key"), f"the largest square: {_count(most)} trips a year, {MONTHS[month]},"
         f" {hour}:00 to {hour + 1}:00; areas are in proportion"],
        className="note",
    )  # fmt: skip
    return html.Div([html.Div(rows, className="hours", role="img", **{"aria-label": label}), key])


def _cell(month: str, hour: int, value: float, most: float) -> Component:
    share = value / most
    inside = html.Span(style={"width": f"{100 * share**0.5:.1f}%"}) if share >= LEAST_SHARE else None
    return html.Div(inside, className="hour", title=f"{month}, {hour}:00 to {hour + 1}:00: {_count(value)} a year")


def _count(value: float) -> str:
    """A number of trips, no more exact than it is."""
    if value < NOTHING:
        return "0"
    if value < 0.1:
        return f"{value:.4f}" if value >= 0.0001 else "<0.0001"
    return f"{value:.2f}" if value < 10 else f"{value:,.0f}"


def _frame(trips: np.ndarray[Any, np.dtype[np.float64]]) -> pl.DataFrame:
    """One row per month: trips in each hour that has any, and their sum."""
    hours = np.flatnonzero(trips.sum(axis=0) >= NOTHING)
    columns = {f"{hour}:00": [_count(float(value)) for value in trips[:, hour]] for hour in hours}
    return pl.DataFrame({"month": MONTHS, **columns, "sum": [_count(float(line.sum())) for line in trips]})


def _rests_on(found: ByHour) -> str:
    latitude, tilt, azimuth, ratio = found.plane
    side = "south" if latitude < 0 else "north"
    return (
        f"The squares add up to {_count(float(found.trips.sum()))} trips a year, solved for this system; the figure"
        f" below, {_count(found.per_year)}, is read from tables that systems share: for trips mostly"
        " within 5\u202f%, a tenth at most, under a ten-minute rule a quarter. Several trips may fall into one"
        " day. The days are those of the class of planes that the system belongs to: latitude"
        f" {abs(latitude):g}° {side}, tilt {tilt:.0f}°, azimuth {azimuth:.0f}°, modules at {ratio:g} times the"
        " inverters' power; hours are standard time by the sun. How the supply runs over hours and months:"
        f" {found.rests_on}"
    )


def register(app: Dash, context: Context) -> None:
    """Add the callbacks of the button and of the address."""

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("trip-hours-go", "n_clicks"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _pressed(clicks: int, search: str | None) -> Any:
        return with_hours(search or "", not hours_asked(search or "")) if clicks else no_update

    @app.callback(
        Output("trip-hours", "children"),
        Output("trip-hours-go", "children"),
        Output("trip-hours-go", "aria-expanded"),
        Output("trip-hours-of", "data"),
        Input("url", "search"),
        State("url", "pathname"),
        State("system-at", "data"),
        State("trip-hours-of", "data"),
    )
    def _follow(search: str | None, path: str | None, at: dict[str, Any], of: str | None) -> tuple[Any, Any, Any, Any]:
        return after_address(context, search or "", path or "", at["system_id"], of)


def after_address(
    context: Context, search: str, path: str, system_id: str, of: str | None
) -> tuple[Any, Any, Any, Any]:
    """The picture, the button's word and state, and whose picture is shown, after the address changed."""
    asked = hours_asked(search)
    if unquote(path.removeprefix("/system/")) != system_id or (of == system_id) == asked:
        return no_update, no_update, no_update, no_update
    if not asked:
        return [], WORDS[False], "false", None
    with context.snapshots.cursor() as con:
        case = load(con, system_id)
    return shown(by_month_and_hour(case)), WORDS[True], "true", system_id

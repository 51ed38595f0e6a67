"""The table of systems in the browser: blocks of rows as it scrolls, sorted and filtered in the database."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import Any
from urllib.parse import quote

import dash_ag_grid as dag
from dash import Dash, Input, Output, State, no_update
from dash.development.base_component import Component

from auditor.errors import AuditorError
from dashboard import messages
from dashboard.context import Context
from dashboard.filters import COLUMNS, View, parse, query_string
from dashboard.queries import table as queries

log = logging.getLogger("dashboard")

BLOCK_ROWS = 100
#: Heights [px]: a row, the heading, the scroll bar below, and the whole table at most.
ROW_PX, HEAD_PX, BAR_PX, TABLE_PX = 34, 36, 18, 560
#: Heading, width [px] and kind of each column.
HEADS: dict[str, tuple[str, int, str]] = {
    "verdict": ("verdict", 118, "verdict"),
    "system_id": ("system", 150, "link"),
    "site_label": ("site", 170, "text"),
    "worst_rise_pct": ("rise [%]", 104, "rise"),
    "trip_days": ("trip-days a year", 152, "trips"),
    "units_over": ("units to limit", 124, "over"),
    "fails": ("fails", 84, "count"),
    "unknowns": ("unknown", 104, "count"),
    "region": ("region", 140, "text"),
    "utility": ("utility", 170, "text"),
    "designer": ("designer", 120, "text"),
    "year": ("year", 84, "year"),
    "service": ("service", 104, "text"),
    "model": ("inverter", 150, "text"),
    "circuits": ("circuits", 96, "count"),
    "units": ("inverters", 104, "count"),
}


def _definitions(view: View) -> list[dict[str, Any]]:
    sorts = {name: (place, down) for place, (name, down) in enumerate(view.sort)}
    columns = []
    for name in COLUMNS:
        head, width, kind = HEADS[name]
        column: dict[str, Any] = {"field": name, "colId": name, "headerName": head, "width": width}
        if kind in ("rise", "trips", "over", "count", "year"):
            column |= {"headerClass": "ag-right-aligned-header", "cellClass": "ag-right-aligned-cell number"}
        if kind == "rise":
            column |= {"valueFormatter": {"function": "portfolioRise(params)"}}
        if kind == "trips":
            column |= {"valueFormatter": {"function": "portfolioTrips(params)"}}
        if kind == "over":
            column |= {"valueFormatter": {"function": "portfolioOver(params)"}}
        if kind == "count":
            column |= {"valueFormatter": {"function": "portfolioCount(params)"}}
        if kind == "verdict":
            column |= {"cellRenderer": "PortfolioVerdict"}
        if kind == "link":
            column |= {"cellRenderer": "PortfolioLink", "pinned": "left"}
        if name in sorts:
            column |= {"sort": "desc" if sorts[name][1] else "asc", "sortIndex": sorts[name][0]}
        columns.append(column)
    return columns


def style(count: int) -> dict[str, str]:
    """The table's size for so many rows; two stand for none, where the table says so."""
    return {"height": f"{min(TABLE_PX, HEAD_PX + ROW_PX * max(count, 2) + BAR_PX)}px", "width": "100%"}


def systems(view: View, count: int) -> Component:
    """The table of so many systems, with the sort of a view; it fetches its own rows."""
    return dag.AgGrid(
        id="systems",
        rowModelType="infinite",
        columnDefs=_definitions(view),
        defaultColDef={"sortable": True, "filter": False, "resizable": True, "suppressMovable": True},
        getRowId="params.data.system_id",
        className="grid",
        style=style(count),
        dashGridOptions={
            "cacheBlockSize": BLOCK_ROWS,
            "maxBlocksInCache": 30,
            "maxConcurrentDatasourceRequests": 1,
            "infiniteInitialRowCount": 1,
            "rowHeight": ROW_PX,
            "headerHeight": HEAD_PX,
            "suppressCellFocus": False,
            "ensureDomOrder": True,
            "enableCellTextSelection": True,
            "theme": {"function": "portfolioTheme(themeQuartz)"},
            "localeText": {"noRowsToShow": "No system matches these filters."},
            "animateRows": False,
        },
    )


def register(app: Dash, context: Context) -> None:
    """Add the table's callbacks."""

    @app.callback(
        Output("systems", "getRowsResponse"), Output("url", "search", allow_duplicate=True),
        Input("systems", "getRowsRequest"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _rows(request: dict[str, Any] | None, search: str | None) -> Any:
        """Rows for the table; a new sort of the table's own goes to the address."""
        if not request:
            return no_update, no_update
        return answered(context, request, search)


def answered(context: Context, request: dict[str, Any], search: str | None) -> tuple[Any, Any]:
    """Rows for a request of the grid, and the address after it; an error gives an empty block and a notification."""
    try:
        view, _ = parse(search)
        queries.check_filter_model(request.get("filterModel"))
        sorted_view = replace(view, sort=queries.sort_of(request.get("sortModel") or []))
        start, end = int(request["startRow"]), int(request["endRow"])
        with context.snapshots.cursor() as con:
            count = queries.count(con, view.filters)
            frame = queries.rows(con, sorted_view, start, end)
    except Exception as error:
        if not isinstance(error, AuditorError):
            log.exception("the table's rows could not be read")
        messages.tell("The table could not be read", messages.what_to_do(error))
        return {"rowData": [], "rowCount": 0}, no_update
    rows = frame.drop("place").to_dicts()
    listed = query_string(sorted_view)
    for row in rows:
        row["href"] = "/system/" + quote(row["system_id"], safe="") + listed
    moved = query_string(sorted_view) if sorted_view.sort != view.sort else no_update
    return {"rowData": rows, "rowCount": count}, moved

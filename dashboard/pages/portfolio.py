"""The portfolio page."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.context import Context, Page


def layout(context: Context, rest: str, search: str) -> Component:
    """The answer, the charts and the table."""
    with context.snapshots.cursor() as cursor:
        n = cursor.execute("SELECT count(*) FROM system_result").fetchall()[0][0]
    return html.Div([html.H1(f"{n} systems")])


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""


PAGE = Page("portfolio", "/", "Portfolio", layout, register, nav="Portfolio")

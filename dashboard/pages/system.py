"""The page of one system."""

from __future__ import annotations

from dash import Dash, html
from dash.development.base_component import Component

from dashboard.context import Context, Page


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of the system whose id is `rest`."""
    return html.Div([html.H1(rest)])


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""


PAGE = Page("system", "/system/", "System", layout, register)

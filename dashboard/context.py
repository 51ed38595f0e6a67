"""What pages and callbacks are given: the store and its snapshots. Nothing is kept between requests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dash import Dash
from dash.development.base_component import Component

from auditor.store import Store
from dashboard.snapshots import Snapshots


@dataclass(frozen=True)
class Context:
    """One app's store and open snapshots, and whether it takes files and starts commands."""

    store: Store
    snapshots: Snapshots
    upload: bool = True


@dataclass(frozen=True)
class Page:
    """A page. `prefix` is its path ("/" alone, or "/system/" with an id behind it).

    `layout(context, rest, search)` builds it from the percent-decoded rest of the path and the query string;
    `register(app, context)` adds its callbacks, once per app. `nav` is its word in the navigation, "" for none.
    """

    name: str
    prefix: str
    title: str
    layout: Callable[[Context, str, str], Component]
    register: Callable[[Dash, Context], None]
    nav: str = ""


Json = dict[str, Any]

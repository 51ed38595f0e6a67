"""The quality page's field sample: how many systems to visit of each desk verdict, and the list to take along."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import urlencode

import dash_mantine_components as dmc
import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.errors import AuditorError
from auditor.quality import words
from auditor.quality.field import DEFICIENT, SOUND
from auditor.reports.quality import field_plan
from auditor.store.records_db import Connection
from dashboard import components
from dashboard.pages.quality_address import MOST_DIGITS, Asked


def section(con: Connection, asked: Asked) -> Component:
    """Visits and seed as fields, the strata with the chance of each of their systems, and the list as a file."""
    wrong, inside = "", []
    try:
        plan = field_plan(con, int(asked.visits))
        shown = plan.with_columns(pl.Series("chance", [f"{chance:.3g}" for chance in plan["chance"]]))
        inside = [components.table(shown.rename({"stratum": "desk verdict", "chance": "chance of each"})), _list(asked)]
    except AuditorError as error:
        wrong = str(error).removeprefix(f"--visits {asked.visits}: ")
    fields = [
        _field("visits", "Systems that can be visited", asked.visits, wrong),
        _field("seed", "Seed", asked.seed, ""),
    ]
    return html.Section(
        [
            html.H2("What to inspect in the field"),
            html.P(words.READ["visits"], className="note"),
            html.Div(fields, className="question decide"),
            *inside,
        ],
        className="chart quality-visits",
    )


def _field(name: str, label: str, value: str, wrong: str) -> Component:
    return dmc.TextInput(
        id=f"quality-{name}", label=label, value=value, error=wrong, debounce=True,
        className="decide-who",
    )  # fmt: skip


def _list(asked: Asked) -> Component:
    """The list as a file, and what becomes of it."""
    query = urlencode({"visits": asked.visits, "seed": asked.seed})
    links: list[Any] = [
        html.A(name, href=f"/export/visits.{suffix}?{query}", className="button", download="")
        for name, suffix in (("CSV", "csv"), ("Excel", "xlsx"))
    ]
    return html.Div(
        [
            html.Div([html.Span("the systems: ", className="note"), *links], className="exports"),
            html.P(["Write ", html.Code(DEFICIENT), " or ", html.Code(SOUND), " into its column ", html.Code("found"),
                    ", then: ", html.Code("auditor quality estimate visits.csv")], className="note"),
        ]
    )  # fmt: skip


def asked_of_fields(visits: Any, seed: Any, asked: Asked) -> tuple[Asked, dict[str, str]]:
    """What is asked for after a number was typed, and what is wrong by field; no whole number changes nothing."""
    given = {"visits": str(visits or "").strip(), "seed": str(seed or "").strip()}
    numbers = {name: text for name, text in given.items() if text.isdecimal() and len(text) <= MOST_DIGITS}
    wrong = {name: "" if name in numbers else "Write a whole number." for name in given}
    return replace(asked, **numbers), wrong

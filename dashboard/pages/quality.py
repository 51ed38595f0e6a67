"""The quality page: who fails more often than chance and case mix explain, since when, and by what."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from dash import Dash, Input, Output, State, ctx, html, no_update
from dash.development.base_component import Component

from auditor.quality import words
from auditor.reports.cases import UNITS, judged_by, outcomes, regions
from auditor.store.actions import actions_of, table
from auditor.store.decisions import all_decisions, in_force
from dashboard import components
from dashboard.context import Context, Page
from dashboard.pages import quality_parts as parts
from dashboard.pages.parts import key, value_of
from dashboard.pages.quality_address import Asked, asked_of
from dashboard.queries import quality as queries

CONTROLS = ("by", "outcome", "region")
LABELS = {"by": "compare", "outcome": "by how often they fail", "region": "in"}
ALL_REGIONS = "all regions"


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of a query string."""
    with context.snapshots.cursor() as con:
        named, places = outcomes(con), regions(con)
    asked, _ = asked_of(search, named, places)
    data = {
        "by": [{"value": by, "label": plural} for by, plural in UNITS.items()],
        "outcome": [{"value": name, "label": title} for name, title in named.items()],
        # A value is hexadecimal, since a region is imported text.
        "region": [{"value": key(None), "label": ALL_REGIONS}, *({"value": key(p), "label": p} for p in places)],
    }
    held = {"by": asked.by, "outcome": asked.outcome, "region": key(asked.region or None)}
    fields = [
        html.Div([
            html.Label(LABELS[name], htmlFor=f"quality-{name}"),
            components.choice(f"quality-{name}", data[name], held[name], searchable=name != "by"),
        ], className="field")
        for name in CONTROLS
    ]  # fmt: skip
    return html.Div(
        [
            html.Section(
                [html.H2("Compare", className="sr"), html.Div(fields, className="fields")], className="controls"
            ),
            html.Div(shown(context, search), id="quality"),
            components.cautions(),
        ],
        className="quality",
    )


def shown(context: Context, search: str | None) -> list[Component | None]:
    """Everything that follows the address."""
    with context.snapshots.cursor() as con:
        asked, notes = asked_of(search, outcomes(con), regions(con))
        run, rules = queries.run_of(con, context.store), judged_by(con)
    found = queries.comparison(run, asked.by, asked.outcome, asked.region)
    counts = queries.fault_counts(run, asked.by, asked.region)
    unknown = int(found.units["unknown"].sum())
    count = f"{found.failed:,} of {found.judged:,} fail; {unknown:,} more are unknown and do not count."
    return [
        components.note([html.P(text) for text in notes], "warning") if notes else None,
        html.Section(
            [html.H1(words.answer(found, UNITS[asked.by])), html.P(count), html.P([rules, " ", words.method(found)],
             className="note")], id="quality-answer", **{"aria-live": "polite"},
        ),
        parts.funnel(found, [key(value) for value in found.units["value"]]),
        parts.units(found, asked),
        parts.course(found, asked),
        parts.causes(counts, asked),
        parts.repeats(counts, asked),
        parts.fit(found),
        corrective(context),
    ]  # fmt: skip


def corrective(context: Context) -> Component:
    """The corrective actions of the store, those that are not verified first."""
    held = actions_of(in_force(all_decisions(context.store)))
    return parts.actions(table(held, datetime.now(UTC).date()))


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""

    @app.callback(
        Output("quality", "children"), Output("quality-by", "value"), Output("quality-outcome", "value"),
        Output("quality-region", "value"), Input("url", "search"), State("url", "pathname"), prevent_initial_call=True,
    )  # fmt: skip
    def _follow(search: str | None, path: str | None) -> Any:
        """The address changed: everything follows it."""
        if path != PAGE.prefix:
            return no_update, no_update, no_update, no_update
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
        return shown(context, search), asked.by, asked.outcome, key(asked.region or None)

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("quality-by", "value"), Input("quality-outcome", "value"), Input("quality-region", "value"),
        Input("quality-funnel", "clickData"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _chosen(by: str | None, outcome: str | None, region: str | None, click: Any, search: str | None) -> Any:
        """A control changed, or a dot was clicked: the address follows it."""
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
        return after(asked, by, outcome, region, click if ctx.triggered_id == "quality-funnel" else None)


def after(asked: Asked, by: str | None, outcome: str | None, region: str | None, click: Any) -> Any:
    """The address after a choice; who was picked is dropped where others are compared."""
    if click and click["points"][0].get("customdata"):
        now = asked.of(value_of("unit", click["points"][0]["customdata"][0]))  # type: ignore[arg-type]
    else:
        unit = asked.unit if by == asked.by else None
        where = asked.region if region is None else str(value_of("region", region) or "")
        now = Asked(by or asked.by, outcome or asked.outcome, where, unit)
    return no_update if now == asked else now.address


PAGE = Page("quality", "/quality", "Quality", layout, register, nav="Quality")

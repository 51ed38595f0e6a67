"""The plan page: what to mend first, so that the most expected trip-days go for a budget or some crew days."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import quote, urlencode

import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor import jobs
from auditor.mend import Kept, kept, prices_since
from auditor.remedies import BY_NAME
from auditor.remedies.plan import Plan, Spent, curve, eligible, plan, whole_cost
from auditor.remedies.prices import Prices
from dashboard import components, figures_remedies
from dashboard.context import Context, Page
from dashboard.pages.system_address import asked_for

PREFIX = "/plan"
WAYS: dict[str, str] = {"cost": "a budget", "crew_days": "crew days"}
#: Rows of chosen systems that are listed.
LISTED = 300
POLL_MS = 1_000
JOB = "working remedies out"
NOTHING_FITS = "No candidate fits into that."


@dataclass(frozen=True)
class Asked:
    """What the address asks for: by what the plan is bounded and by how much; None for a fifth of everything."""

    by: Spent = "cost"
    amount: float | None = None

    @property
    def address(self) -> str:
        """The query string."""
        pairs = [] if self.by == "cost" else [("by", self.by)]
        pairs += [] if self.amount is None else [("amount", f"{self.amount:g}")]
        return "?" + urlencode(pairs) if pairs else ""


def asked_of(search: str | None) -> tuple[Asked, list[str]]:
    """Read a query string; what it holds that is not understood is told."""
    found, notes = asked_for(search or ""), []
    by: Spent = "crew_days" if found.get("by") == "crew_days" else "cost"
    if found.get("by", by) != by:
        notes.append("The address bounds the plan by something else than cost or crew_days; cost is taken.")
    try:
        amount = float(found["amount"]) if found.get("amount") else None
    except ValueError:
        amount = math.nan
    if amount is not None and not 0 <= amount < math.inf:
        notes.append("The amount in the address is no amount; a fifth of everything is taken.")
        amount = None
    return Asked(by, amount), notes


def layout(context: Context, rest: str, search: str) -> Component:
    """The plan of the run that is shown, or how to come by one."""
    found = _kept(context)
    if found is None:
        inside: list[Any] = [_nothing(context)]
    else:
        asked, notes = asked_of(search)
        inside = [
            html.Div([components.note(text, "warning") for text in notes]),
            _controls(asked),
            dcc.Loading(
                html.Div(_body(context, found, asked), id="plan-body", **{"aria-live": "polite"}), type="dot",
                delay_show=400, target_components={"plan-body": "children"},
            ),
        ]  # fmt: skip
    return html.Div([html.H1("What to mend first"), *inside, components.cautions(work=True)], className="plan-page")


def _kept(context: Context) -> Kept | None:
    """The table kept for the run that is shown."""
    with context.snapshots.cursor() as con:
        return kept(context.store, con)


def _nothing(context: Context) -> Component:
    """No remedies are kept with the run: the command, and a button where this dashboard starts commands."""
    running = jobs.latest(context.store)
    open_job = running is not None and running.open
    button = html.Button("Work the remedies out", id="plan-go", className="button button-strong", n_clicks=0)
    return html.Div(
        [
            html.P("The remedies of this run are not worked out yet. They are with the command"),
            html.Pre(html.Code(f"auditor mend --all --store {context.store.root}")),
            html.P(
                "A price file prices.toml in the store gives them costs and crew days; without it there is no plan."
            ),
            button if context.upload and not open_job else html.Div(id="plan-go"),
            html.Div(id="plan-progress", role="status"),
            dcc.Interval(id="plan-poll", interval=POLL_MS, disabled=not open_job),
        ],
        className="what-to-do",
    )


def _controls(asked: Asked) -> Component:
    return html.Div(
        [
            html.Div(
                [
                    html.Label("bounded by", htmlFor="plan-by"),
                    components.choice(
                        "plan-by", [{"value": k, "label": v} for k, v in WAYS.items()], asked.by, className="narrow"
                    ),
                ]
            ),
            html.Div(
                [
                    html.Label("at most", htmlFor="plan-amount"),
                    dcc.Input(
                        id="plan-amount", type="number", min=0, step="any", value=asked.amount, debounce=True,
                        placeholder="a fifth of everything", className="number-input",
                    ),
                ]
            ),
        ],
        className="system-controls",
    )  # fmt: skip


@lru_cache(maxsize=2)
def _along(found: Kept, by: Spent) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What a plan may choose from, and the curve: they hang on the kept table, and not on the amount that is asked."""
    frame = eligible(found.table.collect(), by)
    return frame, curve(frame, by)


def _body(context: Context, found: Kept, asked: Asked) -> list[Any]:
    """The answer, the curve and the chosen systems."""
    stale = prices_since(context.store, found)
    warning = [components.note(stale, "warning")] if stale else []
    frame, along = _along(found, asked.by)
    if not frame.height:
        lacking = (
            "No candidate that removes trip-days has a price" if found.prices else "The remedies rest on no price file"
        )
        return [*warning, components.note(f"{lacking}, so there is nothing to plan.", "warning")]
    amount = whole_cost(frame, asked.by) / 5 if asked.amount is None else asked.amount
    made = plan(frame, amount, asked.by)
    unit = str(frame["currency"][0]) if asked.by == "cost" else "crew days"
    return [
        *warning,
        html.P(_sentence(made, unit), className="headline"),
        components.chart_with_table(
            figures_remedies.curve(along, unit, made.spent, made.removed),
            along.select("budget", "spent", pl.col("removed").alias("trip-days a year fewer"), "systems"),
            "Trip-days removed against what it takes",
            "plan-curve",
            note=f"Each point is the best plan for its budget. {_rests_on(found.prices, frame)}",
            label="Trip-days a year that the best plan removes, for several budgets",
            level=2,
        ),
        html.H2([html.Span("Chosen systems "), html.Span(f"{made.chosen.height:,}", className="count")]),
        *([_verify(made.chosen), _chosen(made, asked.by, unit)] if made.chosen.height else [html.P(NOTHING_FITS)]),
    ]


def _rests_on(prices: Prices | None, frame: pl.DataFrame) -> str:
    some = frame.filter(pl.col("not_priced").is_not_null()).height
    lacking = f" {components.counted(some, 'candidate lacks', 'candidates lack')} a price." if some else ""
    return f"Prices: {prices.name if prices else 'none'}. Trip-days rest on the assumed supply.{lacking}"


def _sentence(made: Plan, unit: str) -> str:
    systems = components.counted(made.chosen.height, "system")
    text = f"{systems} for {made.spent:,.0f} of {made.budget:,.0f} {unit}: {made.removed:,.1f} trip-days a year fewer"
    if made.at_most > made.removed * (1 + 1e-6):
        return f"{text}. Not proved best in time: no plan removes more than {made.at_most:,.1f}."
    return f"{text}, the most that any plan removes for it."


def _verify(chosen: pl.DataFrame) -> Component:
    """What to make sure of on site before anything else, once for each kind of work that was chosen."""
    kinds = chosen.group_by("remedy", "verify_first").agg(pl.col("system_id").n_unique().alias("n"))
    titles = {name: " + ".join(BY_NAME[part].title for part in name.split(" + ")) for name in kinds["remedy"].to_list()}
    rows = kinds.sort("n", "remedy", descending=[True, False]).iter_rows(named=True)
    items = [
        html.Li([html.B(f"{titles[row['remedy']]} ({components.counted(row['n'], 'system')}): "), row["verify_first"]])
        for row in rows
    ]
    return html.Div([html.H3("Verify on site first"), html.Ul(items)], className="verify-first")


def _chosen(made: Plan, by: Spent, unit: str) -> Component:
    rows = made.chosen.sort("trip_days_removed", "system_id", descending=[True, False]).head(LISTED)
    heads = (("system", ""), ("what is done", ""), ("trip-days a year fewer", "right"), (unit, "right"))
    body = [
        html.Tr(
            [
                html.Th(
                    dcc.Link(row["system_id"], href=f"/system/{quote(row['system_id'], '')}?remedy={row['candidate']}"),
                    scope="row",
                ),
                html.Td(f"{row['done'][:1].upper()}{row['done'][1:]}.", className="remedy-what"),
                html.Td(components.number(row["trip_days_removed"], "", 1), className="right"),
                html.Td(components.number(row[by], "", 2 if by == "crew_days" else 0), className="right"),
            ]
        )
        for row in rows.iter_rows(named=True)
    ]
    more = made.chosen.height - rows.height
    rest = f"{more:,} more: auditor mend --all --budget AMOUNT -o plan.xlsx"
    return html.Div(
        [
            html.Div(
                html.Table(
                    [
                        html.Thead(html.Tr([html.Th(text, scope="col", className=kind) for text, kind in heads])),
                        html.Tbody(body),
                    ],
                    className="plain remedies-table",
                ),
                className="table-scroll", tabIndex="0", role="region", **{"aria-label": "chosen systems"},
            ),
            html.P(rest, className="note") if more else None,
        ]
    )  # fmt: skip


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("plan-by", "value"),
        Input("plan-amount", "value"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _address(by: str | None, amount: Any, search: str | None) -> Any:
        """A control changed: the address follows."""
        now, _ = asked_of(search)
        held = amount if isinstance(amount, int | float) and 0 <= amount < math.inf else None
        wanted = Asked("crew_days" if by == "crew_days" else "cost", None if by != now.by else held)
        return no_update if wanted == now else wanted.address

    @app.callback(
        Output("plan-body", "children"),
        Output("plan-by", "value"),
        Output("plan-amount", "value"),
        Input("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    def _followed(search: str | None, pathname: str | None) -> tuple[Any, Any, Any]:
        """The address changed: the plan and the controls follow it."""
        if pathname != PREFIX:
            return no_update, no_update, no_update
        asked, _ = asked_of(search)
        found = _kept(context)
        return (no_update if found is None else _body(context, found, asked)), asked.by, asked.amount

    @app.callback(
        Output("plan-poll", "disabled"),
        Input("plan-go", "n_clicks"),
        prevent_initial_call=True,
    )
    def _start(clicks: int | None) -> Any:
        if not clicks or not context.upload:
            return no_update
        jobs.start(context.store, ["mend", "--all", "--store", str(context.store.root)], JOB)
        return False

    @app.callback(
        Output("plan-progress", "children"),
        Output("page", "children", allow_duplicate=True),
        Input("plan-poll", "n_intervals"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _progress(ticks: int | None, search: str | None) -> tuple[Any, Any]:
        """How far the command is; the plan when it has ended."""
        if _kept(context) is not None:
            return no_update, layout(context, "", search or "")
        return components.progress(jobs.latest(context.store)), no_update


PAGE = Page("plan", PREFIX, "Plan", layout, register, nav="Plan")

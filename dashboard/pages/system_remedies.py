"""The system page's section on remedies: side by side, and before and after on the voltage profile."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl, urlencode

import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.mend import doubtful_systems, kept, prices_since, safety_calls, store_prices, told, work_out_one
from auditor.one_system import Case, load
from auditor.one_system.profile import profile
from auditor.remedies.base import LIKELY_TRIP_DAYS
from auditor.remedies.mending import CALLED, Candidates
from auditor.trips import Tables
from dashboard import components, figures_remedies
from dashboard.context import Context
from dashboard.pages.system_address import asked_for, worst_circuit

OWN = "remedy"
NONE = "none"
#: What is told of each candidate before and after: label, columns, unit and decimals.
FIGURES = (
    ("rise", "rise_before_pct", "rise_after_pct", "%", 2),
    ("trip-days a year", "trip_days_before", "trip_days_after", "", 1),
    ("lost to trips, a year", "lost_before_kwh", "lost_after_kwh", "kWh", 0),
    ("curtailed, a year", "curtailed_before_kwh", "curtailed_after_kwh", "kWh", 0),
    ("heat in the wires, a year", "wire_loss_before_kwh", "wire_loss_after_kwh", "kWh", 0),
)
ABOUT = (
    "Each way is judged by the same audit on altered records, every check again; one that would make a check worse is"
    " not proposed. Trip-days rest on the assumed supply. None of it enlarges a breaker."
)


def section(context: Context, case: Case, search: str) -> Component:
    """The candidates where they are kept with the run; else a button that works them out."""
    inside: list[Any] = [html.H2("What would mend it", id="remedies")]
    with context.snapshots.cursor() as con:
        held = kept(context.store, con)
    if held is not None:
        table = held.table.filter(pl.col("system_id") == case.system_id).collect()
        stale = prices_since(context.store, held)
        inside += [components.note(stale, "warning")] if stale else []
        inside.append(html.Div(_body(table, asked_for(search).get(OWN)), id="remedies-body"))
    elif not _wanting(case):
        inside.append(html.P("It fails no check and is not likely to trip: there is nothing to mend."))
    else:
        inside += [
            html.P(ABOUT, className="note"),
            html.Button("Work the remedies out", id="remedies-go", className="button button-strong", n_clicks=0),
            dcc.Loading(
                html.Div(id="remedies-body", **{"aria-live": "polite"}), type="dot", delay_show=400,
                target_components={"remedies-body": "children"},
            ),
        ]  # fmt: skip
    return html.Section(inside, className="remedies")


def _wanting(case: Case) -> bool:
    """Whether the system fails a check or is likely to trip."""
    row = case.results.system.row(0, named=True)
    return row["verdict"] == "fail" or (row.get("trip_days_per_year") or 0.0) >= LIKELY_TRIP_DAYS


def _worked_out(context: Context, case: Case) -> Candidates:
    tables = Tables(context.store.root / "tables")
    with context.snapshots.cursor() as con:
        called, doubtful = safety_calls(con), doubtful_systems(con)
    rules = (case.catalog, case.policy, case.as_of)
    return work_out_one(case.records, *rules, tables, case.evidence, called, doubtful)


def _body(table: pl.DataFrame, wanted: str | None) -> list[Any]:
    """The candidates, and which of them the profile shows."""
    if not table.height:
        return [html.P("Nothing that wiring, panel, settings or supply would mend.")]
    rows = list(table.iter_rows(named=True))
    shown = [str(row["candidate"]) for row in rows if row["rise_after_pct"] is not None]
    options = [{"value": NONE, "label": "none"}, *({"value": n, "label": f"candidate {n}"} for n in shown)]
    return [
        html.P(_sentence(rows), className="headline"),
        _side_by_side(rows),
        html.P(ABOUT, className="note"),
        html.Div(
            html.Div(
                [
                    html.Label("voltage along the path, before and after", htmlFor="remedy-shown"),
                    components.choice(
                        "remedy-shown", options, wanted if wanted in shown else NONE, className="narrow"
                    ),
                ]
            ),
            className="system-controls",
        ),
        dcc.Loading(
            html.Div(id="remedy-profile", **{"aria-live": "polite"}), type="dot", delay_show=400,
            target_components={"remedy-profile": "children"},
        ),
    ]  # fmt: skip


def _sentence(rows: list[dict[str, Any]]) -> str:
    """The choice in words, ties among it."""
    chosen = [row for row in rows if row["choice"]]
    if all(row["why_not"] == CALLED for row in rows):
        return f"{CALLED[:1].upper()}{CALLED[1:]}."
    if not chosen:
        return "No candidate mends a failing check or makes trips unlikely by itself."
    numbers = " and ".join(str(row["candidate"]) for row in chosen)
    if len(chosen) > 1:
        return f"Candidates {numbers} tie for the {chosen[0]['choice']}."
    priced = "" if chosen[0]["cost"] is not None else "; no price file is in the store"
    return f"Candidate {numbers} has the {chosen[0]['choice']} of those that leave the fewest checks failing{priced}."


def _pair(row: dict[str, Any], before: str, after: str, unit: str, decimals: int) -> Any:
    if row["effort"] is None:  # it is not laid out
        return components.NOTHING
    old, new = (components.number(row[name], unit, decimals) for name in (before, after))
    return old if old == new else [f"{old} → ", html.B(new)]


def _standing(row: dict[str, Any]) -> list[Any]:
    """Whether it is proposed, and what it leaves."""
    if not row["proposed"]:
        return [components.verdict_mark("unknown", "not proposed"), f": {row['why_not']}"]
    if row["rise_after_pct"] is None and row["meets_target"] is None:
        return [components.verdict_mark("unknown", "not judged")]
    over_way = row["meets_target"] is None and row["new_way"] is not None
    mark = "unknown" if over_way else "fail" if row["still_fails"] else "pass"
    words = f"still fails {row['still_fails']}" if row["still_fails"] else "no check fails"
    words += " along the cable; not known until the way is told" if over_way else ""
    choice = [html.B(f"{row['choice']}"), html.Br()] if row["choice"] else []
    return [*choice, components.verdict_mark(mark, words)]


def _cost(row: dict[str, Any]) -> Any:
    if row["cost"] is None:
        return f"no price of {row['not_priced']}" if row["not_priced"] else components.NOTHING
    text = f"{row['cost']:,.0f} {row['currency']}"
    more = html.Span(f" without {row['not_priced']}", className="quiet") if row["not_priced"] else None
    return [text, more]


def _what(row: dict[str, Any]) -> list[Any]:
    done = f"{row['done'][:1].upper()}{row['done'][1:]}."
    if row["verify_first"] is None:
        return [done]
    room = "".join(f" {row[n][:1].upper()}{row[n][1:]}." for n in ("new_way", "trips_unknown") if row[n])
    return [
        f"{done}{room}",
        html.Details(
            [
                html.Summary("verify first"),
                html.P(f"Verify first: {row['verify_first']}"),
                html.P(f"Cannot be checked here: {row['cannot_check']}"),
            ],
            className="as-table",
        ),
    ]


def _side_by_side(rows: list[dict[str, Any]]) -> Component:
    left = [(text, "") for text in ("", "what is done", "outcome")]
    right = [(label, "right") for label, *_ in FIGURES]
    heads = [*left, *right, ("effort", ""), ("cost", "right"), ("crew days", "right")]
    body = [
        html.Tr(
            [
                html.Th(row["candidate"], scope="row"),
                html.Td(_what(row), className="remedy-what"),
                html.Td(_standing(row)),
                *(html.Td(_pair(row, *columns), className="right") for _, *columns in FIGURES),
                html.Td(row["effort"]),
                html.Td(_cost(row), className="right"),
                html.Td(components.number(row["crew_days"], "", 2), className="right"),
            ],
            className="moved" if row["choice"] else "",
        )
        for row in rows
    ]
    head = html.Tr([html.Th(text, scope="col", className=kind) for text, kind in heads])
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(body)], className="plain remedies-table"),
        className="table-scroll", tabIndex="0", role="region", **{"aria-label": "remedies side by side"},
    )  # fmt: skip


def before_and_after(context: Context, case: Case, candidate: str) -> list[Component]:
    """The voltage along the path of the worst circuit as it is, and with a candidate; its records are laid out anew."""
    found = _worked_out(context, case)
    row = found.table.filter(pl.col("candidate") == int(candidate)).row(0, named=True)
    altered = case.with_records(found.records_of(row["clone"], case.system_id))
    circuit = worst_circuit(case)
    if circuit is None:
        return [html.P("The records hold no circuit.")]
    ways = [figures_remedies.way(shown, circuit) for shown in (case.top_profile, profile(altered))]
    if not all(each.height for each in ways):
        return [html.P("The exact voltages are not known, before or after.")]
    grid = case.top_profile.grids.get(circuit)
    figure = figures_remedies.before_and_after(ways[0], ways[1], grid.lowest_v if grid else None)
    table = pl.concat(
        [each.select(pl.lit(name).alias("when"), "place", pl.col("operating_v").alias("voltage [V]"))
         for name, each in zip(("as it is", f"with candidate {candidate}"), ways, strict=True)]
    )  # fmt: skip
    return [
        components.chart_with_table(
            figure, table, f"Circuit {circuit}, the worst: as it is, and with candidate {candidate}",
            note="At full output, with the supply at the top of the service range.",
            label=f"Voltage along the path of circuit {circuit} before and after candidate {candidate}",
        )
    ]  # fmt: skip


def address(search: str, value: str | None) -> str:
    """The query string with the candidate that is shown; its other parameters stay."""
    pairs = [(k, v) for k, v in parse_qsl(search.removeprefix("?"), keep_blank_values=True) if k != OWN]
    if value not in (None, NONE):
        pairs.append((OWN, str(value)))
    return "?" + urlencode(pairs) if pairs else ""


def register(app: Dash, context: Context) -> None:
    """Add the section's callbacks."""

    @app.callback(
        Output("remedies-body", "children"),
        Input("remedies-go", "n_clicks"),
        State("system-at", "data"),
        State("url", "search"),
        prevent_initial_call=True,
    )
    def _work(clicks: int, at: dict[str, Any], search: str | None) -> Any:
        if not clicks:
            return no_update
        with context.snapshots.cursor() as con:
            case = load(con, at["system_id"])
        table = told(_worked_out(context, case), store_prices(context.store))
        return _body(table, asked_for(search or "").get(OWN))

    @app.callback(
        Output("remedy-profile", "children"),
        Output("url", "search", allow_duplicate=True),
        Input("remedy-shown", "value"),
        State("system-at", "data"),
        State("url", "search"),
        prevent_initial_call="initial_duplicate",
    )
    def _shown(value: str | None, at: dict[str, Any], search: str | None) -> tuple[Any, Any]:
        """A candidate was chosen, by hand or by the address: its profile, and the address."""
        wanted = address(search or "", value)
        moved = no_update if wanted == (search or "") else wanted
        if value in (None, NONE):
            return None, moved
        with context.snapshots.cursor() as con:
            case = load(con, at["system_id"])
        return before_and_after(context, case, str(value)), moved

"""What-if for one system: a form, and the findings before and after."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
from dash import ALL, Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.errors import AuditorError
from auditor.one_system import Case, load
from auditor.one_system.trips import waits_for
from auditor.one_system.what_if import (
    PROFILE,
    SUPPLY_LEVEL,
    Change,
    WhatIf,
    comparison,
    trip_comparison,
    what_if,
)
from auditor.records.schema import simple_columns
from dashboard import components
from dashboard.context import Context
from dashboard.pages.system_address import Choice, circuits
from dashboard.pages.trip_picture import days

EVERY = "every circuit"
#: The form's fields: what the record calls them, their label, and an example of what may be written.
CIRCUIT = (
    ("inverter_count", "inverters", "16"), ("feed", "feed", ""), ("arm_counts", "arm counts", "8+8"),
    ("first_section_m", "first section", "1.5 m"), ("extra_trunk", "extra trunk", "8@3.5"),
    ("breaker_a", "breaker", "20 A"), ("inverter_model", "inverter model", ""), ("trunk_model", "trunk cable", ""),
)  # fmt: skip
SYSTEM = ((PROFILE, "grid profile", ""), (SUPPLY_LEVEL, "supply level, yearly mean", "103 or 248 V"))
RUNS = (
    ("home_run", "home run"), ("feeder", "feeder"), ("service_entrance", "service entrance"),
)  # fmt: skip
#: Longest text of a field.
CHARACTERS = 60


def _kept(case: Case) -> dict[str, Any]:
    """What was typed for a system outlives a page that is made anew for a newer audit; it ends with the browser tab."""
    return {"persistence": case.system_id, "persistence_type": "memory"}


def section(case: Case, choice: Choice) -> Component:
    """The form; its answer comes by a callback."""
    if choice.circuit is None:
        return html.Section([html.H2("What if", id="what-if"), html.P("The records hold no circuit.")])
    return html.Section(
        [
            html.H2("What if", id="what-if"),
            html.P(
                "Write only what is to be otherwise, as a record would: 75 ft, 8 AWG, 16. The same audit judges the"
                " altered record; nothing is saved. A feeder or service entrance carries other circuits too; the grid"
                " profile and the supply are the whole system's. The first look at a profile takes some seconds.",
                className="note",
            ),
            html.Div(
                [
                    html.Label("for", htmlFor="what-if-circuit"),
                    components.choice(
                        "what-if-circuit", [EVERY, *circuits(case)], choice.circuit, className="narrow", **_kept(case)
                    ),
                ],
                className="system-controls",
            ),
            html.Div([*(_field(case, *entry) for entry in CIRCUIT)], className="what-if-fields"),
            html.Div([_run(case, prefix, label) for prefix, label in RUNS], className="what-if-runs"),
            html.Div([*(_field(case, *entry) for entry in SYSTEM)], className="what-if-fields what-if-system"),
            html.Div(
                [
                    html.Button("Work it out", id="what-if-go", className="button button-strong", n_clicks=0),
                    html.Button("Clear", id="what-if-clear", className="button", n_clicks=0),
                ],
                className="system-controls",
            ),
            dcc.Loading(
                html.Div(id="what-if-answer", **{"aria-live": "polite"}), delay_show=400, parent_className="busy",
                custom_spinner=html.P("Auditing the altered record …", className="note", role="status"),
                target_components={"what-if-answer": "children"},
            ),
        ],
        className="what-if",
    )  # fmt: skip


def _choices(case: Case, field: str) -> list[str]:
    if field == "inverter_model":
        return sorted({entry.model for entry in case.catalog.inverter})
    if field == "trunk_model":
        return sorted({entry.model for entry in case.catalog.trunk})
    if field == PROFILE:
        return case.frames["grid_profile"]["name"].sort().to_list()
    if field == SUPPLY_LEVEL:
        return []
    column = simple_columns()[field]
    return list(column.choices)


def _field(case: Case, field: str, label: str, example: str) -> Component:
    options = _choices(case, field)
    name = {"what-if": field}
    control = (
        components.choice(
            name, options, None, placeholder="as it is", clearable=True, className="narrow", **_kept(case)
        )
        if options
        else dcc.Input(
            id=name, type="text", value="", placeholder=f"such as {example}", maxLength=CHARACTERS, **_kept(case)
        )
    )
    # Dash writes such an id into the page as JSON.
    labelled = html.Label(label, htmlFor=json.dumps(name, separators=(",", ":")))
    return html.Div([labelled, control], className="what-if-field", **{"aria-label": label, "role": "group"})


def _run(case: Case, prefix: str, label: str) -> Component:
    def text(column: str, example: str) -> Component:
        return dcc.Input(
            id={"what-if": f"{prefix}_{column}"}, type="text", value="", placeholder=example, maxLength=CHARACTERS,
            **_kept(case),
        )  # fmt: skip

    return html.Div(
        [
            html.Span(label, className="what-if-run-name"),
            text("length_m", "75 ft"),
            text("size", "8 AWG"),
            components.choice(
                {"what-if": f"{prefix}_material"}, ["copper", "aluminium"], None, placeholder="material",
                clearable=True, className="narrow", **_kept(case), **{"aria-label": f"{label}: material"},
            ),
        ],
        className="what-if-run", **{"aria-label": f"{label}: length, size, material", "role": "group"},
    )  # fmt: skip


def _verdict_change(row: dict[str, Any]) -> list[Any]:
    before = components.verdict_mark(row["verdict_before"])
    if row["verdict_before"] == row["verdict_after"]:
        return [before]
    return [before, html.Span(" → ", className="quiet"), components.verdict_mark(row["verdict_after"])]


def _row(row: dict[str, Any]) -> Component | None:
    """A finding before and after; None where what is shown of it does not change."""
    where = f"circuit {row['circuit_id']}" if row["circuit_id"] is not None else "system"
    moved = row["verdict_before"] != row["verdict_after"]
    pairs = [
        [components.number(row[f"{name}_{when}"], row["unit"]) for when in ("before", "after")]
        for name in ("value", "limit")
    ]
    if not moved and all(old == new for old, new in pairs):
        return None
    cells = [html.Td(old if old == new else [f"{old} → ", html.B(new)], className="right") for old, new in pairs]
    return html.Tr(
        [html.Td(_verdict_change(row)), html.Td(row["title"]), html.Td(where), *cells],
        className="moved" if moved else "",
    )


def _sentence(done: WhatIf, rows: pl.DataFrame) -> str:
    """What the change does, in a sentence."""
    moved = rows.filter(pl.col("verdict_before") != pl.col("verdict_after"))
    before, after = (str(r.system["verdict"][0]) for r in (done.before, done.after))
    head = (
        f"The system's verdict stays {before}."
        if before == after
        else f"The system's verdict goes from {before} to {after}."
    )
    if not moved.height:
        return f"{head} No single verdict changes."
    mended = moved.filter(pl.col("verdict_before") == "fail").height
    worse = moved.filter(pl.col("verdict_after") == "fail").height
    parts = [f"{components.counted(moved.height, 'verdict')} change{'s' if moved.height == 1 else ''}"]
    if mended:
        parts.append(f"{components.counted(mended, 'failure')} mended")
    if worse:
        parts.append(components.counted(worse, "new failure"))
    return f"{head} {'; '.join(parts)}."


def _trips(done: WhatIf) -> Component:
    """The trip-days before and after, with the other figures of the trips below."""
    lines = []
    for row in trip_comparison(done).iter_rows(named=True):
        old, new = (_trip_figure(row[when], row["unit"]) for when in ("before", "after"))
        cells = [old] if old == new else [f"{old} → ", html.B(new)]
        lines.append(html.Tr([html.Td(row["figure"]), html.Td(cells, className="right")]))
    table = html.Div(html.Table(html.Tbody(lines), className="plain narrow-table"), className="table-scroll")
    return html.Div([html.P(_trip_sentence(done)), table], className="what-if-trips")


def _trip_figure(value: float | None, unit: str) -> str:
    if value is None:
        return components.NOTHING
    return days(value) if not unit else components.number(value, unit, 1)


def _trip_sentence(done: WhatIf) -> str:
    """Trip-days before and after, or what they wait for."""
    before, after = (r.system.row(0, named=True) for r in (done.before, done.after))
    waits = waits_for(after["trip_missing"])
    if waits:
        return f"Trip-days after the change are not known; they wait for: {', '.join(waits)}."
    new, low, high = (days(after[f"trip_days_per_year{end}"]) for end in ("", "_low", "_high"))
    interval = f"80 in 100 such sites then see {low} to {high}" if low != high else f"most such sites then see {low}"
    if before["trip_missing"]:
        return f"Expected to trip on {new} days a year after the change; {interval}. Before it that is not known."
    old = days(before["trip_days_per_year"])
    if old == new:
        return f"Expected to trip on {new} days a year, before and after; {interval}."
    return f"Expected to trip on {old} days a year before, {new} after the change; {interval}."


def answer(done: WhatIf) -> Component:
    """Before and after, what changed first."""
    rows = comparison(done)
    changed = rows.filter("changed")
    order = (pl.col("verdict_before") == pl.col("verdict_after")).alias("_same")
    found = [_row(row) for row in changed.sort(order, maintain_order=True).iter_rows(named=True)]
    lines = [line for line in found if line is not None]
    head = html.Tr(
        [html.Th(h, scope="col", className="right" if h in ("value", "limit") else "")
         for h in ("verdict", "check", "where", "value", "limit")]
    )  # fmt: skip
    table = html.Div(
        html.Table([html.Thead(head), html.Tbody(lines)], className="plain"),
        className="table-scroll", tabIndex="0", role="region", **{"aria-label": "before and after"},
    )  # fmt: skip
    return html.Div(
        [
            html.P(html.B(_sentence(done, rows))),
            _trips(done),
            *(html.P(text, className="note") for text in done.notes),
            table if lines else html.P("No figure changes."),
            html.P("A remedy never enlarges a breaker; a verdict on paper is no permission to work.", className="note"),
        ],
        className="what-if-answer",
    )


def changes_of(fields: list[str], values: list[Any], circuit: str | None) -> list[Change]:
    """The changes that a filled form asks for."""
    where = None if circuit in (None, EVERY) else circuit
    return [
        Change(field, str(value).strip()[:CHARACTERS], where)
        for field, value in zip(fields, values, strict=True)
        if value is not None and str(value).strip()
    ]


def register(app: Dash, context: Context) -> None:
    """Add the form's callbacks."""

    @app.callback(
        Output("what-if-answer", "children"),
        Input("what-if-go", "n_clicks"),
        Input({"what-if": ALL}, "n_submit"),
        State({"what-if": ALL}, "id"),
        State({"what-if": ALL}, "value"),
        State("what-if-circuit", "value"),
        State("system-at", "data"),
        prevent_initial_call=True,
    )
    def _work(
        clicks: int,
        submits: list[Any],
        ids: list[dict[str, str]],
        values: list[Any],
        circuit: str | None,
        at: dict[str, Any],
    ) -> Any:
        if not (clicks or any(submits)):
            return no_update
        return worked_out(context, at["system_id"], changes_of([i["what-if"] for i in ids], values, circuit))

    @app.callback(
        Output({"what-if": ALL}, "value"),
        Output("what-if-answer", "children", allow_duplicate=True),
        Input("what-if-clear", "n_clicks"),
        State({"what-if": ALL}, "value"),
        prevent_initial_call=True,
    )
    def _clear(clicks: int, values: list[Any]) -> Any:
        return (
            (["" if isinstance(v, str) else None for v in values], None)
            if clicks
            else ([no_update] * len(values), no_update)
        )


def worked_out(context: Context, system_id: str, changes: list[Change]) -> Component:
    """The answer, or what is wrong with the form in a sentence."""
    if not changes:
        return components.note("Write at least one thing that is to be otherwise.")
    with context.snapshots.cursor() as con:
        case = load(con, system_id)
    try:
        return answer(what_if(case, changes, context.store.root / "tables"))
    except AuditorError as error:
        return components.note(str(error), "warning")

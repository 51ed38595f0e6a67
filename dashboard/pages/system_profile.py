"""The voltage along the path: the figure, its controls and the table behind it."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.one_system import Case, load
from auditor.one_system.grid import Grid
from auditor.one_system.profile import Profile, profile
from dashboard import components, figures_system
from dashboard.context import Context
from dashboard.pages.system_address import Choice, address, asked_for, circuits, supply_of


def section(case: Case, choice: Choice, at: dict[str, Any]) -> Component:
    """Controls, figures and tables for the circuit and the supply that the address chooses."""
    if choice.circuit is None:
        return html.Section([html.H2("Voltage along the path", id="voltage"), html.P("The records hold no circuit.")])
    shown = case.top_profile if choice.supply_v is None else profile(case, choice.supply_v)
    return html.Section(
        [
            html.H2("Voltage along the path", id="voltage"),
            _controls(case, choice, at),
            html.Div(body(case, shown, choice.circuit), id="system-voltage", **{"aria-live": "polite"}),
        ],
        className="voltage",
    )


def _controls(case: Case, choice: Choice, at: dict[str, Any]) -> Component:
    return html.Div(
        [
            html.Div(
                [
                    html.Label("circuit", htmlFor="system-circuit"),
                    components.choice("system-circuit", circuits(case), choice.circuit, className="narrow"),
                ]
            ),
            html.Div(
                [
                    html.Label("supply at the PCC, volts across a unit", htmlFor="system-supply"),
                    dcc.Input(
                        id="system-supply", type="number", step="any", value=choice.supply_v or at["supply_v"],
                        debounce=True, className="number-input",
                    ),
                ]
            ),
            html.Button("top of the range", id="system-supply-top", className="button", n_clicks=0),
        ],
        className="system-controls",
    )  # fmt: skip


def body(case: Case, shown: Profile, circuit: str) -> list[Component]:
    """The figures and tables of one choice."""
    grid = shown.grids.get(circuit)
    targets = dict(case.results.circuit.select("circuit_id", "rise_target_pct").rows())
    points, parts = _points(shown, circuit), _parts(shown)
    known = shown.points.filter((pl.col("circuit_id") == circuit) & pl.col("operating_v").is_not_null())
    has_figure = known.filter(pl.col("place") == "unit").height > 0
    figure = components.graph(figures_system.profile_figure(shown, circuit), "system-profile", _label(shown, circuit))
    if not has_figure:
        figure = components.note(_why_not(case, circuit), "warning")
    rise = components.graph(
        figures_system.parts_figure(shown, targets, circuit),
        "system-parts",
        "What each part adds to the rise, by circuit",
    )
    if not parts["design rise [V]"].drop_nulls().len():
        rise = html.P("No part of the rise is known.")
    return [
        html.P(_sentence(shown, circuit, grid), className="profile-sentence"),
        figure,
        _limits(grid),
        html.Details([html.Summary("as table"), components.table(points)], className="as-table")
        if points.height
        else None,
        html.H3("What each part adds, by design practice"),
        rise,
        html.Details([html.Summary("as table"), components.table(parts)], className="as-table", open=False),
    ]


def _label(shown: Profile, circuit: str) -> str:
    supply = components.number(shown.supply_v)
    return f"Voltage from the transformer to the last unit of circuit {circuit}, supply {supply} volts"


def _why_not(case: Case, circuit: str) -> str:
    row = case.results.circuit.filter(pl.col("circuit_id") == circuit).row(0, named=True)
    if row["terminal_voltage_missing"]:
        return (
            "The exact voltages cannot be worked out: a fact of this circuit, or of another that shares its wires, is"
            " missing. The findings name it; what is known of the rise is below."
        )
    return "The exact voltages cannot be worked out for units on another voltage than the service's lines."


def _sentence(shown: Profile, circuit: str, grid: Grid | None) -> str:
    """What the figure says."""
    mine = shown.points.filter((pl.col("circuit_id") == circuit) & (pl.col("place") == "unit"))
    highest = mine["own_v"].max() if mine.height else None
    if highest is None or shown.supply_v is None or shown.base_v is None or grid is None:
        return "The voltage at the units is not known."
    supply_v = shown.supply_v / shown.base_v * grid.unit_v
    volts = float(str(highest))
    supply = f"With {supply_v:.1f} V at the point of common coupling and full output"
    text = f"{supply}, circuit {circuit} reaches {volts:.2f} V"
    if grid.lowest_v is None:
        return f"{text}; its grid profile is not known."
    gap = grid.lowest_v - volts
    room = f"{gap:.2f} V below" if gap >= 0 else f"{-gap:.2f} V above"
    return f"{text}, {room} the lowest threshold of {grid.lowest_v:g} V."


def _limits(grid: Grid | None) -> Component:
    """The range and all thresholds in words, those outside the figure too."""
    if grid is None:
        return html.P("The nominal voltage across the units is not known.", className="note")
    lines = []
    if grid.top_v is not None:
        low = f"{grid.low_v:g} to " if grid.low_v is not None else "up to "
        source = f" ({grid.range_name}; {grid.range_mark})" if grid.range_name else ""
        lines.append(f"Service range {low}{grid.top_v:g} V{source}.")
    for level in grid.levels:
        mean = "" if level.kind == "instant" else " as a ten-minute mean"
        lines.append(f"{level.name}: {level.level_v:g} V{mean}, cleared within {level.clearing_s:g} s ({level.mark}).")
    if grid.profile is None:
        lines.append("The record's grid profile is missing, or means none in the catalog: no threshold can be drawn.")
    else:
        lines.insert(0, f"Grid profile {grid.profile}.")
    lines.append("Ahead of the PCC the linear rise is taken off the supply; from there on the solution is exact.")
    return html.P(" ".join(lines), className="note")


def _points(shown: Profile, circuit: str) -> pl.DataFrame:
    """The table behind the figure."""
    rows = shown.points.filter(pl.col("circuit_id") == circuit)
    frame = rows.select(
        pl.when(pl.col("place") == "unit").then(pl.format("unit {}", "unit")).otherwise("place").alias("place"),
        pl.col("arm"),
        pl.col("pair"),
        pl.col("design_rise_v").alias("design rise [V]"),
        pl.col("design_rise_pct").alias("design rise [%]"),
        pl.col("operating_v").alias("voltage [V]"),
        pl.col("own_pair").alias("unit's own pair"),
        pl.col("own_v").alias("unit's own voltage [V]"),
    )
    return frame.drop(
        [c for c in ("pair", "unit's own pair", "unit's own voltage [V]") if rows["pair"].null_count() == rows.height]
    )


def _parts(shown: Profile) -> pl.DataFrame:
    return shown.parts.select(
        pl.col("circuit_id").alias("circuit"),
        pl.col("part"),
        pl.when("counted").then(pl.lit("yes")).otherwise(pl.lit("no")).alias("counts towards the target"),
        pl.col("design_v").alias("design rise [V]"),
        pl.col("design_pct").alias("design rise [%]"),
        pl.col("operating_v").alias("exact, at this supply [V]"),
    )


def register(app: Dash, context: Context) -> None:
    """Add the callbacks of the controls and of the address."""

    @app.callback(
        Output("system-voltage", "children"),
        Input("system-circuit", "value"),
        Input("system-supply", "value"),
        State("system-at", "data"),
        prevent_initial_call=True,
    )
    def _chosen(circuit: str | None, supply: Any, at: dict[str, Any]) -> Any:
        return after_controls(context, at, circuit, supply)

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input("system-circuit", "value"),
        Input("system-supply", "value"),
        State("url", "search"),
        State("system-at", "data"),
        prevent_initial_call=True,
    )
    def _address(circuit: str | None, supply: Any, search: str | None, at: dict[str, Any]) -> Any:
        wanted = address(search or "", at, circuit, supply)
        return no_update if wanted == (search or "") else wanted

    @app.callback(
        Output("system-circuit", "value"),
        Output("system-supply", "value"),
        Input("url", "search"),
        State("system-circuit", "value"),
        State("system-supply", "value"),
        State("system-at", "data"),
        prevent_initial_call=True,
    )
    def _moved(search: str | None, circuit: str | None, supply: Any, at: dict[str, Any]) -> tuple[Any, Any]:
        return after_address(search or "", at, circuit, supply)

    @app.callback(
        Output("system-supply", "value", allow_duplicate=True),
        Input("system-supply-top", "n_clicks"),
        State("system-at", "data"),
        prevent_initial_call=True,
    )
    def _top(clicks: int, at: dict[str, Any]) -> Any:
        return at["supply_v"] if clicks else no_update


def after_controls(context: Context, at: dict[str, Any], circuit: str | None, supply: Any) -> list[Component]:
    """The section after a control changed; AuditorError says what is wrong with the supply."""
    with context.snapshots.cursor() as con:
        case = load(con, at["system_id"])
    supply_v = None if supply == at["supply_v"] else supply_of(case, supply)
    chosen = circuit if circuit in circuits(case) else at["circuit"]
    return body(case, case.top_profile if supply_v is None else profile(case, supply_v), chosen)


def after_address(search: str, at: dict[str, Any], circuit: str | None, supply: Any) -> tuple[Any, Any]:
    """The controls after the address changed; one that stands right is left alone."""
    asked = asked_for(search)
    wanted = asked.get("circuit", at["circuit"])
    try:
        supply_v = float(asked["supply_v"]) if asked.get("supply_v") else at["supply_v"]
    except ValueError:
        supply_v = at["supply_v"]
    return (
        no_update if circuit == wanted or wanted not in at["circuits"] else wanted,
        no_update if supply == supply_v else supply_v,
    )

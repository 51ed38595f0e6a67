"""Charts of remedies: the voltage along the path before and after, and what a plan removes for its cost."""

from __future__ import annotations

import plotly.graph_objects as go
import polars as pl

from auditor.one_system.profile import Profile
from dashboard.figures import COLOURS, NEUTRAL, TONES, blank
from dashboard.figures_system import AT, TICKS, TRUNK_WIDTH


def way(profile: Profile, circuit: str) -> pl.DataFrame:
    """The way to the highest unit of a circuit: `at` on the axis, `place` in words and `operating_v` [V].

    Units are spread over the trunk's share of the axis by their number on the longest arm of the circuit.
    """
    points = profile.points.filter((pl.col("circuit_id") == circuit) & pl.col("operating_v").is_not_null())
    longest = int(points["unit"].max() or 1)  # type: ignore[arg-type]
    unit = pl.col("place") == "unit"
    places = pl.col("place").replace_strict(AT, default=None, return_dtype=pl.Float64)
    return points.filter("on_path").select(
        pl.when(unit).then(AT["home run end"] + TRUNK_WIDTH * pl.col("unit") / longest).otherwise(places).alias("at"),
        pl.when(unit).then(pl.format("unit {}", "unit")).otherwise("place").alias("place"),
        "operating_v",
    )


def before_and_after(before: pl.DataFrame, after: pl.DataFrame, limit_v: float | None) -> go.Figure:
    """The voltage along the way to the highest unit as it is and as it would be; both are rows of `way`."""
    figure = blank(320)
    for frame, name, tone, dash in (
        (before, "as it is", NEUTRAL, "dot"),
        (after, "with the remedy", TONES[0], "solid"),
    ):
        texts = [f"{name}, {place}: {volts:.2f} V" for place, volts in frame.select("place", "operating_v").rows()]
        figure.add_scatter(
            x=frame["at"].to_list(), y=frame["operating_v"].to_list(), mode="lines+markers", name=name,
            hovertext=texts, hoverinfo="text", line={"color": tone, "width": 3 if dash == "solid" else 2, "dash": dash},
            marker={"size": 5, "color": tone, "symbol": "circle" if dash == "solid" else "circle-open"},
        )  # fmt: skip
    volts = [*before["operating_v"], *after["operating_v"]]
    if limit_v is not None and volts and limit_v - max(volts) < 2 * (max(volts) - min(volts)) + 1:
        figure.add_hline(y=limit_v, line={"color": COLOURS["fail"], "width": 1.5, "dash": "dash"})
        figure.add_annotation(
            x=1, xref="paper", xanchor="right", y=limit_v, yanchor="bottom", showarrow=False,
            text=f"lowest threshold {limit_v:g} V", font={"size": 11, "color": COLOURS["fail"]},
        )  # fmt: skip
    figure.update_layout(
        xaxis={"tickvals": [*AT.values(), AT["home run end"] + TRUNK_WIDTH], "ticktext": [*TICKS, "last unit"],
               "tickangle": -30, "showgrid": False},
        yaxis={"title": {"text": "volts across a unit", "standoff": 8}},
    )  # fmt: skip
    return figure


def curve(rows: pl.DataFrame, unit: str, spent: float, removed: float) -> go.Figure:
    """Trip-days that a plan removes against what it may spend, the plan that is shown marked on it."""
    figure = blank(300)
    texts = [
        f"{budget:,.0f} {unit}: {days:,.1f} trip-days a year fewer, {systems:,} systems"
        for budget, days, systems in rows.select("budget", "removed", "systems").rows()
    ]
    figure.add_scatter(
        x=rows["budget"].to_list(), y=rows["removed"].to_list(), mode="lines+markers", name="the best plan",
        hovertext=texts, hoverinfo="text", line={"color": TONES[0], "width": 2}, marker={"size": 6},
    )  # fmt: skip
    figure.add_scatter(
        x=[spent], y=[removed], mode="markers", name="the plan below", hoverinfo="text",
        hovertext=[f"the plan below: {spent:,.0f} {unit}, {removed:,.1f} trip-days a year fewer"],
        marker={"size": 13, "symbol": "diamond-open", "color": TONES[1], "line": {"width": 3}},
    )  # fmt: skip
    figure.update_layout(
        xaxis={"title": {"text": f"budget [{unit}]", "standoff": 6}, "rangemode": "tozero", "tickformat": ",.0f"},
        yaxis={"title": {"text": "trip-days a year fewer", "standoff": 8}, "rangemode": "tozero"},
    )
    return figure

"""The complaints page's figures: a week of readings under the limits, and the rise against the output."""

from __future__ import annotations

from collections.abc import Mapping

import plotly.graph_objects as go
import polars as pl

from dashboard.figures import COLOURS, NEUTRAL, TONES, blank, plain

_DASHES = ("solid", "dash", "dot", "dashdot")
_MARKS = ("circle", "square", "diamond", "cross")
LIMIT_WORDS = {"range": "top of the service range", "trip": "first threshold"}


def week(hours: pl.DataFrame, limits: Mapping[str, float]) -> go.Figure:
    """Hourly means in percent of nominal, one line a place and pair, or a leg where nothing but legs was read.

    Lines end where an hour was not read.
    """
    figure = blank(300)
    whole = hours.filter(~pl.col("leg").fill_null("").str.ends_with("N"))
    shown = whole if whole.height else hours
    legs = dict(shown.group_by("place").agg(pl.col("leg").n_unique()).iter_rows())
    by = ["place", "circuit_id", "leg"]
    for number, (key, part) in enumerate(shown.group_by(by, maintain_order=True)):
        place, _, leg = key
        every = part.sort("hour").upsample("hour", every="1h")
        figure.add_scatter(
            x=every["hour"].to_list(), y=every["v_pct"].to_list(), mode="lines+markers",
            name=f"{place} {plain(leg)}" if leg and legs[place] > 1 else str(place),
            line={"color": TONES[number % 4], "dash": _DASHES[number % 4], "width": 1.5},
            marker={"size": 5, "symbol": _MARKS[number % 4]}, hovertemplate="%{x}: %{y:.1f} %<extra></extra>",
        )  # fmt: skip
    for name, value in limits.items():
        figure.add_hline(y=value, line={"color": COLOURS["fail"], "width": 1.2, "dash": "dot"})
        figure.add_annotation(
            x=1, xref="paper", xanchor="right", y=value, yanchor="bottom", showarrow=False, text=LIMIT_WORDS[name],
            font={"size": 12, "color": COLOURS["fail"]},
        )  # fmt: skip
    return figure.update_layout(xaxis_title_text="UTC", yaxis_title_text="% of nominal", showlegend=True)


def rise(pairs: pl.DataFrame, computed: float | None) -> go.Figure:
    """The rise that was read against the share of the rated current, and the line of the rise that is computed."""
    figure = blank(280)
    share = pairs["current"].to_list()
    figure.add_scatter(
        x=share, y=pairs["apart_pct"].to_list(), name="read", mode="markers",
        marker={"color": TONES[0], "size": 7, "symbol": "circle"}, hovertemplate="%{x:.0%}: %{y:.2f} %<extra></extra>",
    )  # fmt: skip
    if computed is not None:
        figure.add_scatter(
            x=[0, 1], y=[0, computed], name="computed", mode="lines", line={"color": NEUTRAL, "dash": "dash"},
            hoverinfo="skip",
        )  # fmt: skip
    return figure.update_layout(
        xaxis={"title": {"text": "current, share of rated"}, "tickformat": ".0%", "range": [0, 1.05]},
        yaxis_title_text="rise, % of nominal", showlegend=True,
    )  # fmt: skip

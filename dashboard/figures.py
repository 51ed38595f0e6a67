"""Frames to plotly: plain bars in the dashboard's own colours, which hold in light and dark.

Text, axes and hover labels take their colours from `assets/theme.css`, so that a change of theme needs no new figure.
Imported text may stand on an axis only as `plain` leaves it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import plotly.graph_objects as go

#: One tone for each verdict that is legible on the light and on the dark ground.
COLOURS = {"fail": "#c8553d", "unknown": "#c8992e", "pass": "#5f8f8b", "not applicable": "#98a1a6"}
#: Verdicts differ in pattern too, for eyes and printers that do not tell the colours apart.
PATTERNS = {"fail": "", "unknown": "/", "pass": "", "not applicable": "."}
#: Other lines and areas: ink-like tones that hold on both grounds.
TONES = ("#4f7ca8", "#a8754f", "#7a6aa8", "#6f8a4a")
NEUTRAL = "#8a959b"
FADED = 0.3
LABEL_CHARACTERS = 26

_STRIPPED = str.maketrans("", "", "<>&$\\{}%\n\r\t")


def plain(text: object, characters: int = LABEL_CHARACTERS) -> str:
    """Imported text as a chart may draw it: nothing that could be markup, and short."""
    shown = "".join(c for c in str(text).translate(_STRIPPED) if c.isprintable()).strip() or "?"
    return shown if len(shown) <= characters else shown[: characters - 1] + "…"


def wrapped(text: str, characters: int = 28) -> str:
    """A title as a label of two lines or more; what could be markup is gone before the breaks come in."""
    return "<br>".join(textwrap.wrap(plain(text, 80), characters))


def blank(height: int = 220) -> go.Figure:
    """A figure with the common layout: clear ground, no zoom, legend above."""
    figure = go.Figure()
    figure.update_layout(
        height=height,
        margin={"l": 8, "r": 8, "t": 8, "b": 8},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "inherit", "size": 12, "color": NEUTRAL},
        legend={
            "orientation": "h",
            "x": 0,
            "y": 1.02,
            "yanchor": "bottom",
            "itemclick": False,
            "itemdoubleclick": False,
            "traceorder": "normal",
        },
        hovermode="closest",
        dragmode=False,
        bargap=0.18,
        barmode="stack",
        modebar={"remove": ["sendChartToCloud"]},
        template="none",
        clickmode="event",
    )
    axis = {"fixedrange": True, "automargin": True, "zeroline": False, "gridcolor": "rgba(128,140,146,0.25)"}
    figure.update_xaxes(**axis)
    figure.update_yaxes(**axis)
    return figure


def stacked(
    labels: Sequence[str],
    series: Mapping[str, Sequence[int]],
    keys: Sequence[Sequence[Any]],
    chosen: Sequence[bool],
    *,
    sideways: bool = False,
    height: int = 220,
    keys_by_series: Mapping[str, Sequence[Sequence[Any]]] | None = None,
    chosen_by_series: Mapping[str, Sequence[bool]] | None = None,
) -> go.Figure:
    """Bars of counts, one a label, stacked by verdict.

    `keys` go along as customdata for clicks; bars that are not `chosen` fade where any bar is. `labels` must be plain.
    """
    figure = blank(height)
    places = list(range(len(labels)))
    for verdict, counts in series.items():
        marks = list((chosen_by_series or {}).get(verdict, chosen))
        every = [any(c) for c in zip(*(chosen_by_series or {"": chosen}).values(), strict=True)]
        opacity = [1.0 if mark or not any(every) else FADED for mark in marks]
        hover = [
            f"{label.replace('<br>', ' ')}: {count:,} {verdict}" for label, count in zip(labels, counts, strict=True)
        ]
        figure.add_bar(
            x=list(counts) if sideways else places,
            y=places if sideways else list(counts),
            orientation="h" if sideways else "v",
            name=verdict,
            customdata=[list(key) for key in (keys_by_series or {}).get(verdict, keys)],
            hovertext=hover,
            hoverinfo="text",
            marker={
                "color": COLOURS[verdict],
                "opacity": opacity,
                "pattern": {
                    "shape": PATTERNS[verdict],
                    "bgcolor": COLOURS[verdict],
                    "fgcolor": "rgba(255,255,255,0.8)",
                    "size": 5,
                    "solidity": 0.3,
                },
                "line": {"width": 0},
            },
        )
    ticks = {"tickvals": places, "ticktext": list(labels)}
    if sideways:
        figure.update_yaxes(**ticks, autorange="reversed", showgrid=False)
        figure.update_xaxes(rangemode="tozero", tickformat=",d")
    else:
        figure.update_xaxes(**ticks, showgrid=False)
        figure.update_yaxes(rangemode="tozero", tickformat=",d")
    return figure


def mark_at(figure: go.Figure, at: float, text: str) -> go.Figure:
    """Draw a limit across upright bars, with its word above them; `at` counts bars from the first one's middle."""
    tallest = max((sum(counts) for counts in zip(*(bar.y for bar in figure.data), strict=True)), default=1) or 1
    figure.update_yaxes(range=[0, tallest * 1.16])
    figure.add_vline(x=at, line={"color": COLOURS["fail"], "width": 1.5, "dash": "dot"})
    figure.add_annotation(
        x=at, y=1, yref="paper", text=text, showarrow=False, xanchor="left", xshift=4, yanchor="top",
        font={"size": 12, "color": COLOURS["fail"]},
    )  # fmt: skip
    return figure

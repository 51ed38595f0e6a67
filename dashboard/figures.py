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
#: Colour and pattern of each verdict, and of bands from the calmest to the worst; neighbours differ without colour.
VERDICT_LOOKS = {verdict: (COLOURS[verdict], PATTERNS[verdict]) for verdict in COLOURS}
BAND_LOOKS = (("#9aa7ad", ""), ("#6f93b8", "."), ("#4f7ca8", ""), ("#7a6aa8", "\\"), ("#8a4a78", ""))
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


_AXIS = {"fixedrange": True, "automargin": True, "zeroline": False, "gridcolor": "rgba(128,140,146,0.25)"}
_LEGEND = {
    "orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "itemclick": False, "itemdoubleclick": False,
    "traceorder": "normal",
}  # fmt: skip


def _layout(height: int, x: Mapping[str, Any], y: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "height": height,
        "margin": {"l": 8, "r": 8, "t": 8, "b": 8},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": "inherit", "size": 12, "color": NEUTRAL},
        "legend": _LEGEND,
        "hovermode": "closest",
        "dragmode": False,
        "bargap": 0.18,
        "barmode": "stack",
        "modebar": {"remove": ["sendChartToCloud"]},
        "template": "none",
        "clickmode": "event",
        "xaxis": {**_AXIS, **x},
        "yaxis": {**_AXIS, **y},
    }


def blank(height: int = 220) -> go.Figure:
    """A figure with the common layout: clear ground, no zoom, legend above."""
    return go.Figure(layout=_layout(height, {}, {}))


def _bars(verdict: str, counts: list[int], places: list[int], sideways: bool) -> dict[str, Any]:
    return {
        "type": "bar",
        "x": counts if sideways else places,
        "y": places if sideways else counts,
        "orientation": "h" if sideways else "v",
        "name": verdict,
        "hoverinfo": "text",
    }


def band_looks(count: int) -> list[tuple[str, str]]:
    """Colour and pattern of so many bands, the calmest first."""
    last = len(BAND_LOOKS) - 1
    return [BAND_LOOKS[round(number * last / max(count - 1, 1))] for number in range(count)]


def _marker(look: tuple[str, str], opacity: list[float]) -> dict[str, Any]:
    colour, shape = look
    pattern = {"shape": shape, "bgcolor": colour, "fgcolor": "rgba(255,255,255,0.8)", "size": 5, "solidity": 0.3}
    return {"color": colour, "opacity": opacity, "pattern": pattern, "line": {"width": 0}}


def stacked(
    labels: Sequence[str],
    series: Mapping[str, Sequence[int]],
    keys: Sequence[Sequence[Any]],
    chosen: Sequence[bool],
    *,
    title: str,
    sideways: bool = False,
    height: int = 220,
    ticks: Mapping[str, Any] | None = None,
    keys_by_series: Mapping[str, Sequence[Sequence[Any]]] | None = None,
    chosen_by_series: Mapping[str, Sequence[bool]] | None = None,
    looks: Mapping[str, tuple[str, str]] = VERDICT_LOOKS,
) -> go.Figure:
    """Bars of counts, one a label, stacked by verdict or whatever else the series are; `looks` are theirs.

    `keys` go along as customdata for clicks; bars that are not `chosen` fade where any bar is. `labels` must be plain,
    `title` is the axis of the counts where bars lie sideways, else of the labels; `ticks` replaces the labels' ticks.
    """
    places = list(range(len(labels)))
    marks = chosen_by_series or dict.fromkeys(series, chosen)
    fade = any(any(mark) for mark in marks.values())
    bars = []
    for verdict, counts in series.items():
        bar = _bars(verdict, list(counts), places, sideways)
        bar["customdata"] = [list(key) for key in (keys_by_series or {}).get(verdict, keys)]
        bar["hovertext"] = [
            f"{label.replace('<br>', ' ')}: {count:,} {verdict}" for label, count in zip(labels, counts, strict=True)
        ]
        bar["marker"] = _marker(looks[verdict], [1.0 if mark or not fade else FADED for mark in marks[verdict]])
        bars.append(bar)
    along = {"tickvals": places, "ticktext": list(labels), "showgrid": False} | dict(ticks or {})
    amount: dict[str, Any] = {"rangemode": "tozero", "tickformat": ",d"}
    if max((sum(counts) for counts in zip(*series.values(), strict=True)), default=0) < 6:
        amount["dtick"] = 1  # A few systems: no ticks between whole ones.
    heading = {"title": {"text": title, "standoff": 6}}
    if sideways:
        return go.Figure(bars, _layout(height, amount | heading, along | {"autorange": "reversed"}))
    return go.Figure(bars, _layout(height, along | heading, amount))


def says(figure: go.Figure, text: str) -> go.Figure:
    """Write a sentence below a chart that has nothing to draw; the text must be the dashboard's own."""
    return figure.update_layout(xaxis_title_text=text, xaxis_showticklabels=False, yaxis_showticklabels=False)


def mark_at(figure: go.Figure, limits: Mapping[float, str]) -> go.Figure:
    """Draw limits across upright bars, each with its word; places count from the first bar's middle."""
    tallest = max((sum(counts) for counts in zip(*(bar.y for bar in figure.data), strict=True)), default=1) or 1
    line = {"color": COLOURS["fail"], "width": 1.5, "dash": "dot"}
    figure.update_layout(
        yaxis_range=[0, tallest * 1.16],
        shapes=[
            {"type": "line", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1, "line": line} for at in limits
        ],
        annotations=[
            {
                "x": at, "y": 1, "yref": "paper", "text": text, "showarrow": False, "xanchor": "left", "xshift": 4,
                "yanchor": "top", "font": {"size": 12, "color": COLOURS["fail"]},
            }
            for at, text in limits.items()
        ],
    )  # fmt: skip
    return figure

"""Charts of the quality page: funnel, shares and gaps over time, causes, and how well the case-mix model fits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
import polars as pl

from auditor.quality.compare import FEWER, MORE, NONE, Comparison
from auditor.quality.limits import binomial_limit, widened
from dashboard.figures import COLOURS, NEUTRAL, TONES, blank, plain

#: A dot by its evidence: tone and shape, so that neither stands alone.
DOTS = {
    NONE: (NEUTRAL, "circle"),
    MORE: (COLOURS["fail"], "triangle-up"),
    FEWER: (COLOURS["pass"], "diamond"),
}
#: The inner and outer lines of the funnel: share inside, and how they are drawn.
LINES = ((0.95, "dot"), (0.998, "solid"))
_POINTS = 60
#: Bars that a chart has room for at least, so that a few are no thicker than many.
LEAST_BARS = 6


def funnel(found: Comparison, keys: Sequence[str]) -> go.Figure:
    """Each unit's ratio of failing to expected by what is expected, within exact limits; `keys` go along for clicks."""
    units = found.units.with_columns(pl.Series("key", keys)).filter(pl.col("expected") > 0)
    figure = blank(340)
    if units.height and 0 < found.share < 1:
        _limits(figure, found, units)
    for evidence, (tone, shape) in DOTS.items():
        some = units.filter(pl.col("evidence") == evidence)
        ratio = (some["failed"] / some["expected"]).to_list()
        figure.add_scatter(
            x=some["expected"].to_list(), y=ratio, mode="markers", name=evidence, hoverinfo="text",
            hovertext=[
                f"{plain(row['value'] or 'not stated')}: {row['failed']:,} of {row['judged']:,} fail,"
                f" {row['expected']:.1f} expected" for row in some.iter_rows(named=True)
            ],
            customdata=[[key] for key in some["key"]],
            marker={"color": tone, "symbol": shape, "size": 9 if evidence == NONE else 12, "opacity": 0.85},
        )  # fmt: skip
    return figure.update_layout(
        xaxis={"type": "log", "title": {"text": "failures expected of its case mix", "standoff": 6}},
        yaxis={"title": {"text": "times as many fail"}, "rangemode": "tozero"},
    )


def _limits(figure: go.Figure, found: Comparison, units: pl.DataFrame) -> None:
    low, high = float(units["expected"].min() or 1), float(units["expected"].max() or 1)  # type: ignore[arg-type]
    least = max(low / 1.3, found.share)
    counts = np.unique(np.round(np.geomspace(least, max(high * 1.3, least * 2), _POINTS) / found.share))
    expected = (counts * found.share).tolist()
    figure.add_scatter(x=expected, y=[1] * len(expected), mode="lines", showlegend=False, hoverinfo="skip",
                       line={"color": NEUTRAL, "width": 1})  # fmt: skip
    for inside, dash in LINES:
        for end, tail in (("below", (1 - inside) / 2), ("above", (1 + inside) / 2)):
            limit = binomial_limit(found.share, counts, widened(tail, found.spread)) / found.share
            figure.add_scatter(
                x=expected, y=limit.tolist(), mode="lines", hoverinfo="skip", showlegend=end == "above",
                name=f"{inside * 100:g} in 100", line={"color": TONES[0], "width": 1.2, "dash": dash},
            )  # fmt: skip


def shares(frame: pl.DataFrame) -> go.Figure:
    """The share that fails by year, the share expected, and limits; years that signal stand out in shape and tone."""
    figure = blank(280)
    years = frame["year"].to_list()
    for column, name, dash in (("high", "limits", "dot"), ("low", "", "dot"), ("centre", "expected", "solid")):
        figure.add_scatter(
            x=years, y=(frame[column] * 100).to_list(), mode="lines", name=name, showlegend=bool(name),
            hoverinfo="skip", line={"color": TONES[0], "width": 1.2, "dash": dash, "shape": "hvh"},
        )  # fmt: skip
    told = [
        f"{row['year']}: {row['failed']:,} of {row['judged']:,} fail, {row['expected']:.1f} expected"
        + (f"; {row['signal']}" if row["signal"] else "")
        for row in frame.iter_rows(named=True)
    ]
    _points(figure, years, (frame["share"] * 100).to_list(), frame["signal"].to_list(), told)
    return figure.update_layout(
        xaxis={"title": {"text": "design year", "standoff": 6}, "tickformat": "d"},
        yaxis={"title": {"text": "fail [%]"}, "rangemode": "tozero"},
    )


def gaps(frame: pl.DataFrame, limit: float) -> go.Figure:
    """Cases that passed before each failure, and the limit."""
    figure = blank(260)
    numbers = frame["number"].to_list()
    figure.add_scatter(
        x=numbers, y=[limit] * len(numbers), mode="lines", name="limit", hoverinfo="skip",
        line={"color": TONES[0], "width": 1.2, "dash": "dot"},
    )  # fmt: skip
    told = [
        f"failure {row['number']}, designed {row['day']}: {row['gap']:,} passed before"
        + (f"; {row['signal']}" if row["signal"] else "")
        for row in frame.iter_rows(named=True)
    ]
    _points(figure, numbers, frame["gap"].to_list(), frame["signal"].to_list(), told)
    return figure.update_layout(
        xaxis={"title": {"text": "failures in the order of design", "standoff": 6}, "tickformat": "d"},
        yaxis={"title": {"text": "passed before"}, "rangemode": "tozero"},
    )


def _points(figure: go.Figure, x: Sequence[Any], y: Sequence[float], signals: Sequence[str], told: list[str]) -> None:
    figure.add_scatter(
        x=x, y=y, mode="lines+markers", name="seen", hoverinfo="text", hovertext=told,
        line={"color": NEUTRAL, "width": 1},
        marker={
            "color": [COLOURS["fail"] if signal else NEUTRAL for signal in signals],
            "symbol": ["square" if signal else "circle" for signal in signals],
            "size": [11 if signal else 7 for signal in signals],
        },
    )  # fmt: skip


def causes(frame: pl.DataFrame) -> go.Figure:
    """Systems failing by cause, the most frequent on top."""
    places = max(frame.height, LEAST_BARS)
    figure = blank(60 + 26 * places)
    figure.add_bar(
        x=frame["failed"].to_list(), y=frame["cause"].to_list(), orientation="h", hoverinfo="text",
        marker={"color": COLOURS["fail"]}, showlegend=False,
        hovertext=[
            f"{row['cause']}: {row['failed']:,} systems, {row['cumulative']:.0%} with those above"
            for row in frame.iter_rows(named=True)
        ],
    )  # fmt: skip
    return figure.update_layout(
        xaxis={"title": {"text": "systems that fail", "standoff": 6}, "tickformat": ",d"},
        yaxis={"range": [places - 0.5, -0.5]},
    )


def calibration(frame: pl.DataFrame) -> go.Figure:
    """In tenths of cases by expectation: the share expected against the share that failed."""
    expected = (frame["expected"] / frame["cases"] * 100).to_list()
    seen = (frame["failed"] / frame["cases"] * 100).to_list()
    top = max([*expected, *seen, 1.0])
    figure = blank(280)
    figure.add_scatter(x=[0, top], y=[0, top], mode="lines", name="as expected", hoverinfo="skip",
                       line={"color": TONES[0], "width": 1.2, "dash": "dot"})  # fmt: skip
    figure.add_scatter(
        x=expected, y=seen, mode="markers", name="a tenth of the cases", hoverinfo="text",
        marker={"color": NEUTRAL, "size": 9},
        hovertext=[
            f"tenth {row['tenth']}: {row['failed']:,} of {row['cases']:,} fail, {row['expected']:.1f} expected"
            for row in frame.iter_rows(named=True)
        ],
    )  # fmt: skip
    return figure.update_layout(
        xaxis={"title": {"text": "expected to fail [%]", "standoff": 6}}, yaxis={"title": {"text": "fail [%]"}}
    )

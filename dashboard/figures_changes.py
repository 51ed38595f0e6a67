"""The flow picture of the page of changes: what verdicts were on the left, what they are on the right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
import polars as pl

from dashboard.figures import NEUTRAL, VERDICT_LOOKS, band_looks, blank, plain

Look = tuple[str, str]

#: Left edge of the flows, right edge, and the width of the ends, in the picture's own units.
LEFT, RIGHT, END = 0.0, 1.0, 0.022
#: Room between two ends, and the least height of a flow, as shares of all.
GAP, LEAST = 0.05, 0.022
_STEPS = 24
#: Height of the picture: for each flow, and at most [px].
FLOW_PX, MOST_PX = 60, 340
#: Least height of a flow whose count is written on it, and where along the flows the counts stand, so that counts on
#: flows that cross do not meet.
WRITTEN, FIRST_AT, LAST_AT = 0.06, 0.42, 0.54


def looks_of(order: Sequence[str], verdicts: bool) -> dict[str, Look]:
    """Colour and pattern of each verdict, or of each band from the calmest on."""
    if verdicts:
        return {name: VERDICT_LOOKS.get(name, (NEUTRAL, "")) for name in order}
    return dict(zip(order, band_looks(len(order)), strict=True))


def flow(frame: pl.DataFrame, order: Sequence[str], looks: Mapping[str, Look], marks: Mapping[str, str]) -> go.Figure:
    """Changed verdicts from what they were to what they are: `before`, `after` and `count`, not null.

    `order` is from top to bottom. A flow has the colour and pattern of what the verdict is now, and is as high as its
    count, though never too thin to be seen.
    """
    figure = blank(min(MOST_PX, FLOW_PX * (frame.height + 1)))
    total = int(frame["count"].sum())
    if not total:
        return figure.update_layout(xaxis={"visible": False}, yaxis={"visible": False})
    heights = [max(n / total, LEAST) for n in frame["count"]]
    sides = {side: _stacked(frame[side].to_list(), heights, order) for side in ("before", "after")}
    starts, ends = _places(frame, heights, order, sides)
    for n, row in enumerate(frame.iter_rows(named=True)):
        words = f"{plain(row['before'])} to {plain(row['after'])}: {row['count']:,}"
        _ribbon(figure, starts[n], ends[n], heights[n], looks[row["after"]], words)
    written = [n for n in range(frame.height) if heights[n] >= WRITTEN]
    for n, t in zip(written, np.linspace(FIRST_AT, LAST_AT, len(written)), strict=True):
        middle = _curve(starts[n], ends[n], t) + heights[n] / 2
        _written(figure, float(t), middle, f"{frame['count'][n]:,}", "middle center")
    for side, held in sides.items():
        counts = dict(frame.group_by(side).agg(pl.col("count").sum()).iter_rows())
        for name, (top, height) in held.items():
            words = f"{marks.get(name, '')} {plain(name)} {counts[name]:,}".strip()
            _end(figure, side, top, height, looks[name], words)
    low = max(top + height for held in sides.values() for top, height in held.values())
    hidden = {"visible": False}
    return figure.update_layout(
        xaxis={**hidden, "range": [LEFT, RIGHT]}, yaxis={**hidden, "range": [low + 0.02, -0.02]}, showlegend=False
    )


Ends = Mapping[str, tuple[float, float]]


def _places(
    frame: pl.DataFrame, heights: Sequence[float], order: Sequence[str], sides: Mapping[str, Ends]
) -> tuple[list[float], list[float]]:
    """Where each flow leaves its end on the left, and reaches that on the right: in the order of the other end."""
    at = {name: n for n, name in enumerate(order)}
    found = {side: [0.0] * frame.height for side in sides}
    for side, other in (("before", "after"), ("after", "before")):
        free = {name: top for name, (top, _) in sides[side].items()}
        names, others = frame[side].to_list(), frame[other].to_list()
        for n in sorted(range(frame.height), key=lambda n: (at[names[n]], at[others[n]])):
            found[side][n] = free[names[n]]
            free[names[n]] += heights[n]
    return found["before"], found["after"]


def _stacked(names: Sequence[str], heights: Sequence[float], order: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Where each end begins, and how high it is, from top to bottom."""
    found, top = {}, 0.0
    for name in order:
        height = sum(h for n, h in zip(names, heights, strict=True) if n == name)
        if height:
            found[name] = top, height
            top += height + GAP
    return found


def _curve(start: float, to: float, t: Any) -> Any:
    """A flow's upper edge, level at both ends; t goes from 0 to 1."""
    return start + (to - start) * t * t * (3 - 2 * t)


def _ribbon(figure: go.Figure, start: float, to: float, height: float, look: Look, words: str) -> None:
    t = np.linspace(0, 1, _STEPS)
    x = LEFT + END + t * (RIGHT - LEFT - 2 * END)
    top = _curve(start, to, t)
    colour, shape = look
    figure.add_scatter(
        x=[*x, *x[::-1]], y=[*top, *(top + height)[::-1]], mode="lines", fill="toself", hoveron="fills", text=words,
        hoverinfo="text", name=words, line={"color": colour, "width": 0.8}, opacity=0.45,
        **({"fillpattern": {"shape": shape, "fgcolor": colour, "bgcolor": "rgba(0,0,0,0)", "size": 6, "solidity": 0.45}}
           if shape else {"fillcolor": colour}),
    )  # fmt: skip


def _end(figure: go.Figure, side: str, top: float, height: float, look: Look, words: str) -> None:
    left = side == "before"
    x0 = LEFT if left else RIGHT - END
    figure.add_scatter(
        x=[x0, x0 + END, x0 + END, x0], y=[top, top, top + height, top + height], mode="lines", fill="toself",
        fillcolor=look[0], line={"color": look[0], "width": 1}, hoverinfo="skip",
    )  # fmt: skip
    at = LEFT + END if left else RIGHT - END
    _written(figure, at, top + height / 2, f" {words} ", "middle right" if left else "middle left")


def _written(figure: go.Figure, x: float, y: float, words: str, position: str) -> None:
    figure.add_scatter(
        x=[x], y=[y], mode="text", text=[words], textposition=position, hoverinfo="skip",
        textfont={"size": 13}, cliponaxis=False,
    )  # fmt: skip

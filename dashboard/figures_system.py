"""The system page's figures: the voltage along the path, and what each part adds to the rise."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import plotly.graph_objects as go
import polars as pl

from auditor.one_system.grid import Grid
from auditor.one_system.order import natural
from auditor.one_system.profile import PLACES, Profile
from dashboard.figures import COLOURS, NEUTRAL, TONES, blank, plain

#: Where the places stand on the axis; the trunk takes what is right of the last.
AT = {place: number for number, place in enumerate(PLACES[:-1])}
TRUNK_WIDTH = 4.0
TICKS = ("supply", "transformer", "PCC", "panel", "feeder end", "home run end")
#: A tone and a pattern for each part of the rise that a system can mend.
PART_TONES = {
    "service entrance": (TONES[3], "x"),
    "feeder": (TONES[2], "\\"),
    "home run": (TONES[1], "/"),
    "trunk": (TONES[0], ""),
}
#: A threshold further above the plotted voltages than this share of nominal is named, not drawn.
IN_VIEW = 0.08


def _x(points: pl.DataFrame, longest: int) -> list[float]:
    end = AT["home run end"]
    return [
        AT[place] if place != "unit" else end + TRUNK_WIDTH * unit / longest
        for place, unit in points.select("place", "unit").rows()
    ]


def _way(points: pl.DataFrame) -> pl.DataFrame:
    """The way to the worst unit, without what is ahead of the service drop where that is not known."""
    return points.filter(pl.col("on_path") & pl.col("operating_v").is_not_null())


def _hover(points: pl.DataFrame, supply_v: float) -> list[str]:
    texts = []
    for row in points.iter_rows(named=True):
        where = f"unit {row['unit']}" if row["place"] == "unit" else row["place"]
        volts = row["operating_v"]
        texts.append(f"circuit {plain(row['circuit_id'], 18)}, {where}: {volts:.2f} V ({_signed(volts - supply_v)})")
    return texts


def profile_figure(profile: Profile, circuit: str) -> go.Figure:
    """The voltage from the transformer to the last unit: one line a circuit, the chosen one strong."""
    figure = blank(380)
    grid = profile.grids.get(circuit)
    chosen = profile.points.filter(pl.col("circuit_id") == circuit)
    if grid is None or profile.supply_v is None or profile.base_v is None:
        return figure
    alike = [c for c, g in profile.grids.items() if g is not None and g.unit_v == grid.unit_v]
    points = profile.points.filter(pl.col("circuit_id").is_in(alike))
    longest = int(points["unit"].max() or 1)  # type: ignore[arg-type]
    supply_v = profile.supply_v / profile.base_v * grid.unit_v
    others = [_way(points.filter(pl.col("circuit_id") == other)) for other in alike if other != circuit]
    way = _way(chosen)
    figure.add_traces(
        [
            _lines(others, longest, supply_v, strong=False),
            _lines([way], longest, supply_v, strong=True),
            _other_units(chosen, longest, circuit, supply_v),
        ]
    )
    low, high = _span([*_way(points)["operating_v"], supply_v], grid)
    shapes, notes = _limits(grid, low, high)
    ends = [*AT.values(), AT["home run end"] + TRUNK_WIDTH]
    # Every second part of the path is shaded.
    shapes += [_area(x=(start, end), tone="rgba(128,140,146,0.09)") for start, end in list(pairwise(ends))[1::2]]
    figure.add_traces([_added(profile, circuit, ends, low, high), _top_label(grid, low, high)])
    last = way["unit"].drop_nulls().to_list()
    ticks = [*AT.values(), *([AT["home run end"] + TRUNK_WIDTH * last[-1] / longest] if last else [])]
    figure.update_layout(
        showlegend=False,
        shapes=shapes,
        annotations=notes,
        xaxis={
            "tickvals": ticks, "ticktext": [*TICKS, f"unit {last[-1]}"] if last else list(TICKS), "showgrid": False,
            "range": [ends[0] - 0.25, ends[-1] + 0.25], "tickangle": -30,
        },
        yaxis={"title": {"text": "volts across a unit", "standoff": 8}, "range": [low, high], "tickformat": ".0f"},
    )  # fmt: skip
    return figure


def _lines(ways: list[pl.DataFrame], longest: int, supply_v: float, *, strong: bool) -> go.Scatter:
    """The ways of some circuits as one trace, with a gap between them."""
    xs: list[float | None] = []
    ys: list[float | None] = []
    texts: list[str] = []
    for way in ways:
        xs += [*_x(way, longest), None]
        ys += [*way["operating_v"].to_list(), None]
        texts += [*_hover(way, supply_v), ""]
    return go.Scatter(
        x=xs, y=ys, mode="lines+markers" if strong else "lines", hovertext=texts, hoverinfo="text",
        line={"color": TONES[0] if strong else NEUTRAL, "width": 3 if strong else 1},
        marker={"size": 5, "color": TONES[0]}, opacity=1.0 if strong else 0.6,
    )  # fmt: skip


def _other_units(points: pl.DataFrame, longest: int, circuit: str, supply_v: float) -> go.Scatter:
    """The chosen circuit's other units at their own voltage: further arms, and other pairs on three phases."""
    rest = points.filter((pl.col("place") == "unit") & pl.col("own_v").is_not_null())
    rest = rest.filter(pl.col("on_path").not_() | (pl.col("own_v") != pl.col("operating_v")))
    texts = [
        f"circuit {plain(circuit, 18)}, arm {row['arm']}, unit {row['unit']}"
        + (f" on {row['own_pair']}" if row["own_pair"] else "")
        + f": {row['own_v']:.2f} V ({_signed(row['own_v'] - supply_v)})"
        for row in rest.iter_rows(named=True)
    ]
    return go.Scatter(
        x=_x(rest, longest), y=rest["own_v"].to_list(), mode="markers", hovertext=texts, hoverinfo="text",
        marker={"size": 6, "symbol": "circle-open", "color": TONES[0]},
    )  # fmt: skip


def _span(volts: list[float], grid: Grid) -> tuple[float, float]:
    """The voltages that the figure shows: what is plotted, the top of the range and the lowest threshold nearby."""
    near = IN_VIEW * grid.unit_v
    marks = [v for v in (grid.top_v, grid.lowest_v) if v is not None and abs(v - max(volts)) < near]
    low, high = min(volts + marks), max(volts + marks)
    pad = max(0.12 * (high - low), 0.004 * grid.unit_v)
    return low - pad, high + pad


def _signed(volts: float) -> str:
    return f"{volts:+.2f} V".replace("-", "−")


def _added(profile: Profile, circuit: str, ends: list[float], low: float, high: float) -> go.Scatter:
    """What each part of the path adds, written at its foot; every second one higher, for narrow screens."""
    parts = profile.parts.filter(pl.col("circuit_id") == circuit)["operating_v"].to_list()
    middles = [(start + end) / 2 for start, end in pairwise(ends)]
    texts = ["not known" if volts is None else _signed(volts) for volts in parts]
    heights = [low + (0.04 + 0.06 * (number % 2)) * (high - low) for number in range(len(middles))]
    return go.Scatter(
        x=middles, y=heights, mode="text", text=texts, textfont={"size": 11}, hoverinfo="skip", cliponaxis=False
    )


def _area(tone: str, x: tuple[float, float] | None = None, y: tuple[float, float] | None = None) -> dict[str, Any]:
    """A band across the figure, between two places or two voltages."""
    side: dict[str, Any] = {"xref": "x" if x else "paper", "yref": "y" if y else "paper"}
    (x0, x1), (y0, y1) = x or (0, 1), y or (0, 1)
    return {"type": "rect", "x0": x0, "x1": x1, "y0": y0, "y1": y1, **side, "fillcolor": tone, "line": {"width": 0},
            "layer": "below"}  # fmt: skip


def _level(volts: float, tone: str, dash: str = "solid") -> dict[str, Any]:
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": volts, "y1": volts,
            "line": {"color": tone, "width": 1.5, "dash": dash}}  # fmt: skip


def _limits(grid: Grid, low: float, high: float) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The service range as a band, and the thresholds in view as lines with their clearing times."""
    shapes, notes = [], []
    if grid.top_v is not None:
        bottom = max(low, grid.low_v if grid.low_v is not None else low)
        shapes.append(_area(y=(bottom, min(grid.top_v, high)), tone="rgba(95,143,139,0.14)"))
        if low < grid.top_v < high:
            shapes.append(_level(grid.top_v, COLOURS["pass"]))
    for level in grid.levels:
        if low < level.level_v < high:
            shapes.append(_level(level.level_v, COLOURS["fail"], "dash"))
            text = f"{plain(level.name)} {level.level_v:g} V, {clearing(level.kind, level.clearing_s)}"
            notes.append(
                {
                    **{"xref": "paper", "x": 1, "xanchor": "right", "y": level.level_v, "yanchor": "bottom"},
                    **{"text": text, "showarrow": False, "font": {"size": 11, "color": COLOURS["fail"]}},
                }
            )
    return shapes, notes


def _top_label(grid: Grid, low: float, high: float) -> go.Scatter:
    """The name of the service range's top, where it is in view."""
    at = grid.top_v if grid.top_v is not None and low < grid.top_v < high else None
    return go.Scatter(
        x=[-0.2], y=[at], mode="text", text=[f"top of the service range {at:g} V" if at is not None else ""],
        textposition="top right", hoverinfo="skip", textfont={"size": 11},
    )  # fmt: skip


def clearing(kind: str, seconds: float) -> str:
    """A threshold's clearing time in words."""
    return f"{seconds:g} s" if kind == "instant" else f"ten-minute mean, {seconds:g} s"


def parts_figure(profile: Profile, targets: dict[str, float | None], circuit: str) -> go.Figure:
    """What each part adds to every circuit's design-practice rise, against the target."""
    circuits = sorted(profile.grids, key=natural)
    figure = blank(96 + 24 * max(2, len(circuits)))
    places = list(range(len(circuits)))
    figure.add_traces([_bar(profile, part, circuits, circuit) for part in PART_TONES if _is_counted(profile, part)])
    marks = sorted({target for target in targets.values() if target is not None})
    figure.update_layout(
        barmode="relative",
        legend={"y": -0.02, "yanchor": "top", "x": 0},
        margin={"t": 22, "b": 30},
        shapes=[
            {"type": "line", "yref": "paper", "y0": 0, "y1": 1, "x0": mark, "x1": mark,
             "line": {"color": COLOURS["fail"], "width": 1.5, "dash": "dot"}}
            for mark in marks
        ],
        annotations=[
            {"x": mark, "y": 1, "yref": "paper", "text": f"target {mark:g} %", "showarrow": False, "xanchor": "left",
             "xshift": 4, "yanchor": "bottom", "font": {"size": 11, "color": COLOURS["fail"]}}
            for mark in marks
        ],
        xaxis={"title": {"text": "rise [%]", "standoff": 2}, "rangemode": "tozero", "side": "top"},
        yaxis={
            "tickvals": places, "ticktext": [f"circuit {plain(c, 18)}" for c in circuits], "autorange": "reversed",
            "showgrid": False,
        },
    )  # fmt: skip
    return figure


def _is_counted(profile: Profile, part: str) -> bool:
    return profile.parts.filter((pl.col("part") == part) & pl.col("counted")).height > 0


def _bar(profile: Profile, part: str, circuits: list[str], chosen: str) -> go.Bar:
    """One part's share of every circuit's rise; those not chosen are paler."""
    held = dict(profile.parts.filter(pl.col("part") == part).select("circuit_id", "design_pct").rows())
    values = [held.get(c) for c in circuits]
    texts = [
        f"circuit {plain(c, 18)}, {part}: " + ("not known" if v is None else f"{v:.2f} %".replace("-", "−"))
        for c, v in zip(circuits, values, strict=True)
    ]
    tone, shape = PART_TONES[part]
    pattern = {"shape": shape, "fgcolor": "rgba(255,255,255,0.75)", "bgcolor": tone, "size": 6, "solidity": 0.25}
    return go.Bar(
        x=[v or 0.0 for v in values], y=list(range(len(circuits))), orientation="h", name=part, hovertext=texts,
        hoverinfo="text",
        marker={"color": tone, "line": {"width": 0}, "opacity": [1.0 if c == chosen else 0.55 for c in circuits],
                "pattern": pattern},
    )  # fmt: skip

"""The system page's figures: the voltage along the path, and what each part adds to the rise."""

from __future__ import annotations

import plotly.graph_objects as go
import polars as pl

from auditor.one_system.grid import Grid
from auditor.one_system.profile import PLACES, Profile
from dashboard.figures import COLOURS, NEUTRAL, TONES, blank, plain

#: Where the places stand on the axis; the trunk takes what is right of the last.
AT = {place: number for number, place in enumerate(PLACES[:-1])}
TRUNK_WIDTH = 4.0
TICKS = ("supply", "transformer", "PCC", "panel", "feeder end", "home run end")
#: A tone and a pattern for each part of the rise that a system can mend.
PART_TONES = {
    "service entrance": (TONES[3], "x"), "feeder": (TONES[2], "\\"), "home run": (TONES[1], "/"), "trunk": (TONES[0], ""),
}  # fmt: skip
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


def _hover(points: pl.DataFrame, circuit: str, supply_v: float) -> list[str]:
    texts = []
    for row in points.iter_rows(named=True):
        where = f"unit {row['unit']}" if row["place"] == "unit" else row["place"]
        volts = row["operating_v"]
        texts.append(f"circuit {circuit}, {where}: {volts:.2f} V ({volts - supply_v:+.2f} V)")
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
    for other in alike:
        if other != circuit:
            way = _way(points.filter(pl.col("circuit_id") == other))
            _line(figure, way, longest, other, supply_v, strong=False)
    _line(figure, _way(chosen), longest, circuit, supply_v, strong=True)
    _other_units(figure, chosen, longest, circuit, supply_v)
    volts = [v for v in (*_way(points)["operating_v"], supply_v) if v is not None]
    low, high = _span(volts, grid)
    _bands(figure, profile, circuit, low, high)
    _limits(figure, grid, low, high)
    end = AT["home run end"]
    last = chosen.filter("on_path")["unit"].drop_nulls().to_list()
    ticks = [*AT.values(), *([end + TRUNK_WIDTH * last[-1] / longest] if last else [])]
    figure.update_xaxes(
        tickvals=ticks, ticktext=[*TICKS, f"unit {last[-1]}"] if last else list(TICKS), showgrid=False,
        range=[-0.25, end + TRUNK_WIDTH + 0.25], tickangle=-30,
    )  # fmt: skip
    figure.update_yaxes(title={"text": "volts across a unit", "standoff": 8}, range=[low, high], tickformat=".0f")
    figure.update_layout(showlegend=False)
    return figure


def _line(figure: go.Figure, way: pl.DataFrame, longest: int, circuit: str, supply_v: float, *, strong: bool) -> None:
    shown = plain(circuit, 18)
    figure.add_scatter(
        x=_x(way, longest), y=way["operating_v"].to_list(), mode="lines+markers" if strong else "lines",
        line={"color": TONES[0] if strong else NEUTRAL, "width": 3 if strong else 1},
        marker={"size": 5, "color": TONES[0]}, opacity=1.0 if strong else 0.45,
        name=f"circuit {shown}", hovertext=_hover(way, shown, supply_v), hoverinfo="text",
    )  # fmt: skip


def _other_units(figure: go.Figure, points: pl.DataFrame, longest: int, circuit: str, supply_v: float) -> None:
    """The chosen circuit's other units at their own voltage: further arms, and other pairs on three phases."""
    rest = points.filter((pl.col("place") == "unit") & pl.col("own_v").is_not_null())
    rest = rest.filter(pl.col("on_path").not_() | (pl.col("own_v") != pl.col("operating_v")))
    if not rest.height:
        return
    texts = [
        f"circuit {plain(circuit, 18)}, arm {row['arm']}, unit {row['unit']}"
        + (f" on {row['own_pair']}" if row["own_pair"] else "")
        + f": {row['own_v']:.2f} V ({row['own_v'] - supply_v:+.2f} V)"
        for row in rest.iter_rows(named=True)
    ]
    figure.add_scatter(
        x=_x(rest, longest), y=rest["own_v"].to_list(), mode="markers", hovertext=texts, hoverinfo="text",
        marker={"size": 6, "symbol": "circle-open", "color": TONES[0]}, name="other units",
    )  # fmt: skip


def _span(volts: list[float], grid: Grid) -> tuple[float, float]:
    """The voltages that the figure shows: what is plotted, the top of the range and the lowest threshold nearby."""
    near = IN_VIEW * grid.unit_v
    marks = [v for v in (grid.top_v, grid.lowest_v) if v is not None and abs(v - max(volts)) < near]
    low, high = min(volts + marks), max(volts + marks)
    pad = max(0.12 * (high - low), 0.004 * grid.unit_v)
    return low - pad, high + pad


def _bands(figure: go.Figure, profile: Profile, circuit: str, low: float, high: float) -> None:
    """Shade every second part of the path, and write what each adds at its foot."""
    parts = profile.parts.filter(pl.col("circuit_id") == circuit)
    ends = [*AT.values(), AT["home run end"] + TRUNK_WIDTH]
    xs, texts = [], []
    for number, (start, end) in enumerate(zip(ends, ends[1:], strict=False)):
        if number % 2:
            figure.add_vrect(x0=start, x1=end, fillcolor="rgba(128,140,146,0.09)", line_width=0, layer="below")
        volts = parts["operating_v"][number] if number < parts.height else None
        xs.append((start + end) / 2)
        texts.append("not known" if volts is None else f"{volts:+.2f} V".replace("-", "−"))
    figure.add_scatter(
        x=xs, y=[low + 0.04 * (high - low)] * len(xs), mode="text", text=texts, textfont={"size": 11}, hoverinfo="skip",
        cliponaxis=False,
    )  # fmt: skip


def _limits(figure: go.Figure, grid: Grid, low: float, high: float) -> None:
    """The service range as a band, and the thresholds as lines with their clearing times."""
    right = AT["home run end"] + TRUNK_WIDTH + 0.25
    if grid.top_v is not None:
        bottom = max(low, grid.low_v if grid.low_v is not None else low)
        figure.add_hrect(
            y0=bottom, y1=min(grid.top_v, high), fillcolor="rgba(95,143,139,0.14)", line_width=0, layer="below"
        )
        if low < grid.top_v < high:
            figure.add_hline(y=grid.top_v, line={"color": COLOURS["pass"], "width": 1})
            figure.add_scatter(
                x=[-0.2], y=[grid.top_v], mode="text", text=[f"top of the service range {grid.top_v:g} V"],
                textposition="top right", hoverinfo="skip", textfont={"size": 11},
            )  # fmt: skip
    for level in grid.levels:
        if low < level.level_v < high:
            figure.add_hline(y=level.level_v, line={"color": COLOURS["fail"], "width": 1.5, "dash": "dash"})
            figure.add_annotation(
                x=right, y=level.level_v, text=f"{plain(level.name)} {level.level_v:g} V, {clearing(level.kind, level.clearing_s)}",
                showarrow=False, xanchor="right", yanchor="bottom", font={"size": 11, "color": COLOURS["fail"]},
            )  # fmt: skip


def clearing(kind: str, seconds: float) -> str:
    """A threshold's clearing time in words."""
    return f"{seconds:g} s" if kind == "instant" else f"ten-minute mean, {seconds:g} s"


def parts_figure(profile: Profile, targets: dict[str, float], circuit: str) -> go.Figure:
    """What each part adds to every circuit's design-practice rise, against the target."""
    circuits = list(profile.grids)
    figure = blank(70 + 26 * max(2, len(circuits)))
    places = list(range(len(circuits)))
    for part, (tone, pattern) in PART_TONES.items():
        rows = profile.parts.filter((pl.col("part") == part) & pl.col("counted"))
        if not rows.height:
            continue
        held = dict(rows.select("circuit_id", "design_pct").rows())
        values = [held.get(c) for c in circuits]
        texts = [
            f"circuit {plain(c, 18)}, {part}: " + ("not known" if v is None else f"{v:.2f} %")
            for c, v in zip(circuits, values, strict=True)
        ]
        figure.add_bar(
            x=[v or 0.0 for v in values], y=places, orientation="h", name=part, hovertext=texts, hoverinfo="text",
            marker={
                "color": tone, "line": {"width": 0}, "opacity": [1.0 if c == circuit else 0.55 for c in circuits],
                "pattern": {"shape": pattern, "fgcolor": "rgba(255,255,255,0.75)", "bgcolor": tone, "size": 6, "solidity": 0.25},
            },
        )  # fmt: skip
    for target in sorted({t for t in targets.values() if t is not None}):
        figure.add_vline(x=target, line={"color": COLOURS["fail"], "width": 1.5, "dash": "dot"})
        figure.add_annotation(
            x=target, y=1, yref="paper", text=f"target {target:g} %", showarrow=False, xanchor="left", xshift=4,
            yanchor="bottom", font={"size": 11, "color": COLOURS["fail"]},
        )  # fmt: skip
    figure.update_layout(barmode="relative", legend={"y": -0.02, "yanchor": "top", "x": 0}, margin={"t": 22, "b": 64})
    figure.update_xaxes(title={"text": "rise [%]", "standoff": 2}, rangemode="tozero", side="top", showticklabels=True)
    figure.update_yaxes(
        tickvals=places, ticktext=[f"circuit {plain(c, 18)}" for c in circuits], autorange="reversed", showgrid=False
    )
    return figure

"""Charts of overvoltage trips."""

from __future__ import annotations

from collections.abc import Sequence

import plotly.graph_objects as go

from dashboard.figures import COLOURS, NEUTRAL, TONES, blank

#: A tone and a pattern for what uses the room below the threshold.
PARTS = {"supply": (TONES[0], ""), "service": (TONES[2], "\\"), "wiring": (TONES[1], "/")}


def headroom(parts: Sequence[tuple[str, float]], left_pct: float, room_pct: float) -> go.Figure:
    """One bar from nominal: what each part uses of the room [% of nominal], the threshold drawn across it."""
    figure = blank(150)
    for name, used in parts:
        tone, shape = PARTS[name]
        figure.add_bar(
            x=[used], y=["room"], orientation="h", name=name, hoverinfo="text",
            hovertext=[f"{name}: {used:+.2f} % of nominal"],
            marker={"color": tone, "pattern": {"shape": shape, "bgcolor": tone, "fgcolor": "rgba(255,255,255,0.8)"}},
        )  # fmt: skip
    reach = max(room_pct, sum(max(used, 0.0) for _, used in parts)) * 1.12
    figure.update_layout(
        barmode="relative",
        xaxis={"title": {"text": "above nominal at full sun [%]", "standoff": 6},
               "range": [min(0.0, *(used for _, used in parts)), reach]},
        yaxis={"showticklabels": False},
        shapes=[{"type": "line", "x0": room_pct, "x1": room_pct, "yref": "paper", "y0": 0, "y1": 1,
                 "line": {"color": COLOURS["fail"], "width": 1.5, "dash": "dot"}}],
        annotations=[{"x": room_pct, "y": 1, "yref": "paper", "text": "first threshold", "showarrow": False,
                      "xanchor": "right", "xshift": -4, "yanchor": "top",
                      "font": {"size": 12, "color": COLOURS["fail"] if left_pct < 0 else NEUTRAL}}],
    )  # fmt: skip
    return figure

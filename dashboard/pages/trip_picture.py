"""One picture of a system's trips: how often and how sure, what uses the room to the threshold, and what causes them.

It is drawn in plain boxes, so that it follows the page's width, theme and print by itself; colours come with patterns.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dash import html
from dash.development.base_component import Component

from auditor.remedies.base import HARDLY

Row = Mapping[str, Any]

PARTS = ("supply", "service", "wiring")
#: Figures below this many days a year are told as less than it.
LEAST_DAYS = 0.1
#: The scale of days a year: logarithmic from LEAST_DAYS to a year, behind a place for less.
MOST_DAYS, LESS_PCT = 365.0, 4.0
#: Parts that cause at least this share of what the largest does are named with it.
LIKE_MOST = 0.8
TICKS = (0.1, 1.0, 10.0, 100.0, 365.0)


def days(value: float) -> str:
    """Days a year as people say them."""
    return f"fewer than {LEAST_DAYS:g}" if value < LEAST_DAYS else f"{value:.1f}" if value < 10 else f"{value:,.0f}"


def place_of_days(value: float) -> float:
    """Where a number of days a year stands on the scale, 0 to 100 [%]."""
    if value < LEAST_DAYS:
        return LESS_PCT / 2
    share = math.log(min(value, MOST_DAYS) / LEAST_DAYS) / math.log(MOST_DAYS / LEAST_DAYS)
    return LESS_PCT + (100.0 - LESS_PCT) * share


def places_of_room(used_pct: Mapping[str, float], room_pct: float) -> tuple[dict[str, tuple[float, float]], float]:
    """Where each part begins and how wide it is, and where the threshold stands, on a bar of 0 to 100 [%].

    Parts follow each other from nominal; what lowers the voltage goes the other way, to the left of nominal.
    """
    below = sum(min(value, 0.0) for value in used_pct.values())
    above = max(room_pct, sum(max(value, 0.0) for value in used_pct.values()))
    scale = 100.0 / (above - below)
    up, down, found = -below, -below, {}
    for part, value in used_pct.items():
        if value < 0.0:
            down += value
            found[part] = (down * scale, -value * scale)
        else:
            found[part] = (up * scale, value * scale)
            up += value
    return found, (room_pct - below) * scale


def picture(row: Row) -> Component:
    """The picture of a row of results whose likelihood is known, with its words for those who cannot see it."""
    used = {part: float(row[f"headroom_{part}_pct"]) for part in PARTS}
    share = shares(row)
    room = row["first_threshold_pct"] - 100.0
    return html.Div(
        [
            html.Div([_often(row), _room(used, room), _cause(share)], role="img", **{"aria-label": words(row)}),
            html.Ul([_entry(part, used[part], share[part]) for part in PARTS], className="parts-legend"),
        ],
        className="trip-picture",
    )


def shares(row: Row) -> dict[str, float | None]:
    """What has which share of the trip-days; none where the model hardly allows the log that they rest on."""
    chance = row["chance_of_so_many_in_log"]
    return {part: None if chance is not None and chance < HARDLY else row[f"{part}_share"] for part in PARTS}


def words(row: Row) -> str:
    """What the picture shows, in a sentence for each row."""
    used = ", ".join(f"{part} {row[f'headroom_{part}_pct']:.2f} %" for part in PARTS)
    causes = ", ".join(f"{part} {share:.0%}" for part, share in shares(row).items() if share is not None)
    mean, middle, low, high = (
        days(row[f"trip_days_per_year{end}"]) for end in ("", "_median", "_low", "_high")
    )  # fmt: skip
    return (
        f"Trip-days a year: {mean} expected, {middle} at the middle, 80 in 100 sites from {low} to {high}."
        f" Of {row['first_threshold_pct'] - 100:.2f} % between nominal and the first threshold: {used}."
        f" Cause of the trip-days: {causes or 'none to share out, or not known after the log'}."
    )


def _line(label: str, track: list[Component], value: str, below: list[Component] | None = None) -> Component:
    return html.Div(
        [
            html.Span(label, className="picture-label"),
            html.Div([html.Div(track, className="track"), *(below or [])], className="picture-track"),
            html.Span(value, className="picture-value"),
        ],
        className="picture-line",
    )


def _often(row: Row) -> Component:
    mean, middle, low, high = (row[f"trip_days_per_year{end}"] for end in ("", "_median", "_low", "_high"))
    start, end = place_of_days(low), place_of_days(high)
    track = [
        html.Span(className="range", style={"left": f"{start:.2f}%", "width": f"{max(end - start, 0.6):.2f}%"}),
        html.Span(className="middle", style={"left": f"{place_of_days(middle):.2f}%"}),
        html.Span(className="mean", style={"left": f"{place_of_days(mean):.2f}%"}),
    ]
    ticks = [html.Span(f"{tick:g}", style={"left": f"{place_of_days(tick):.2f}%"}) for tick in TICKS]
    key = [
        html.Span([html.Span(className="key-mean"), "expected"]),
        html.Span([html.Span(className="key-middle"), "middle"]),
        html.Span([html.Span(className="key-range"), "80 in 100 such sites"]),
    ]
    below = [html.Div(ticks, className="ticks"), html.Div(key, className="key")]
    return _line("trip-days a year", track, days(mean), below)


def _room(used: Mapping[str, float], room: float) -> Component:
    places, threshold = places_of_room(used, room)
    track = [_segment(part, *places[part]) for part in PARTS]
    track.append(html.Span(className="threshold", style={"left": f"{threshold:.2f}%"}))
    left = room - sum(used.values())
    value = f"{left:.2f}\u202f% left" if left >= 0 else f"{-left:.2f}\u202f% over"
    note = html.Div(f"from nominal to the first threshold, the line {room:.2f}\u202f% above", className="key")
    return _line("room used at full sun", track, value, [note])


def _cause(share: Mapping[str, float | None]) -> Component:
    none = "no trip-days to share out, or not known after the log"
    known = {part: max(value, 0.0) for part, value in share.items() if value is not None}
    if not known:
        return _line("cause of the trip-days", [], "–", [html.Div(none, className="key")])
    track, at = [], 0.0
    for part, value in known.items():
        track.append(_segment(part, 100.0 * at, 100.0 * value))
        at += value
    most = max(known.values())
    return _line("cause of the trip-days", track, " and ".join(p for p in known if known[p] >= LIKE_MOST * most))


def _segment(part: str, start: float, width: float) -> Component:
    return html.Span(className=f"part part-{part}", style={"left": f"{start:.2f}%", "width": f"{width:.2f}%"})


def _entry(part: str, used: float, share: float | None) -> Component:
    says = f"{used:+.2f}\u202f% of nominal" + ("" if share is None else f", {100 * share:.0f}\u202f% of the trip-days")
    return html.Li([html.Span(className=f"swatch part-{part}"), html.B(part), f" {says}"])

"""The one-line diagram of a system, drawn as nested lists, and its table."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.one_system.path import Part
from dashboard import components

#: Units drawn one by one on an arm; longer arms name their number.
DRAWN = 30
SYMBOLS = {"transformer": "◎", "PCC": "●", "main panel": "▤"}
STATUS = {"recorded": "recorded", "assumed": "in part assumed", "absent": "not recorded"}


def section(root: Part) -> Component:
    """The path from the transformer to the last units, as recorded."""
    parts = root.all_parts()
    spine = [part for part in parts if part.kind not in ("feeder", "home run", "trunk")]
    feeders = [part for part in parts if part.kind == "feeder"]
    rows = [
        {"part": part.name, "recorded": STATUS[part.recorded], "what the records hold": "; ".join(part.lines)}
        for part in parts
    ]
    return html.Section(
        [
            html.H2("The path as recorded", id="path"),
            html.P(
                "From the transformer to the last unit; squares are inverters in their order along each arm,"
                " dashed parts are not recorded.",
                className="note",
            ),
            html.Div(
                [
                    html.Ol([_on_spine(part) for part in spine], className="spine"),
                    html.Ol([_feeder(part) for part in feeders], className="feeders"),
                ],
                className="one-line",
            ),
            html.Details([html.Summary("as table"), components.table(pl.DataFrame(rows))], className="as-table"),
        ],
        className="path",
    )


def _lines(part: Part) -> list[Component]:
    return [html.Span(line, className="part-line") for line in part.lines]


def _on_spine(part: Part) -> Component:
    """A point of the spine, or a run between two."""
    run = part.kind in ("service drop", "service entrance")
    symbol = html.Span(SYMBOLS.get(part.kind, ""), className="symbol", **{"aria-hidden": "true"})
    return html.Li(
        [None if run else symbol, html.Span(part.name, className="part-name"), *_lines(part)],
        className=f"{'run' if run else 'point'} is-{part.recorded}",
    )


def _feeder(part: Part) -> Component:
    return html.Li(
        [
            html.Div(
                [html.Span(part.name, className="part-name"), *_lines(part)], className=f"feeder-run is-{part.recorded}"
            ),
            html.Ol([_circuit(run) for run in part.beyond], className="circuits"),
        ],
        className="feeder",
    )


def _circuit(run: Part) -> Component:
    trunk = run.beyond[0]
    return html.Li(
        [
            html.Div(
                [html.Span(run.name, className="part-name"), *_lines(run)], className=f"home-run is-{run.recorded}"
            ),
            html.Div(
                [_arms(trunk), html.Div(_lines(trunk), className="trunk-lines")], className=f"trunk is-{trunk.recorded}"
            ),
        ],
        className="circuit",
    )


def _arms(trunk: Part) -> Component:
    """The trunk with the feed point where the home run meets it: of two arms one lies to each side."""
    feed = html.Span("▼", className="feed", title="feed point", **{"aria-hidden": "true"})
    counts = [arm.units for arm in trunk.arms]
    words = f"{trunk.units if trunk.units is not None else 'unknown number of'} units"
    if not counts:
        inside: list[Any] = [feed, html.Span("arms not known", className="units-text")]
    elif len(counts) == 1:
        inside = [feed, _units(counts[0])]
        words += ", fed at the end"
    else:
        inside = [_units(counts[0], reverse=True), feed, *(_units(count) for count in counts[1:])]
        words += f", arms of {' and '.join(map(str, counts))}"
    return html.Div(inside, className="arms", role="img", **{"aria-label": words})


def _units(count: int, reverse: bool = False) -> Component:
    drawn = [html.I(className="unit") for _ in range(min(count, DRAWN))]
    more = [html.Span(f"… {count}", className="units-text")] if count > DRAWN else []
    return html.Span([*more, *drawn] if reverse else [*drawn, *more], className="arm")

"""Parts that several pages use: verdict marks, numbers, charts with their table, notes and cautions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
import plotly.graph_objects as go
import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from auditor.cautions import CAUTION, WORK_CAUTIONS
from auditor.jobs import Job

#: Shape and word of a verdict: told apart without colour.
MARKS = {"fail": "▲", "unknown": "◇", "pass": "●", "not applicable": "–"}
#: What a verdict is called in class names.
CLASSES = {"fail": "fail", "unknown": "unknown", "pass": "pass", "not applicable": "na"}
#: Where a figure is not known.
NOTHING = "–"

#: Every chart's controls: no logo, no button that sends the chart away, nothing that zooms by accident.
GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "displayModeBar": False,
    "modeBarButtonsToRemove": ["sendChartToCloud", "sendDataToCloud", "lasso2d", "select2d"],
    "showTips": False,
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": False,
    "plotlyServerURL": "",
}


def verdict_mark(verdict: str, text: str | None = None) -> Component:
    """A verdict as mark and word; `text` replaces the word."""
    kind = CLASSES.get(verdict, "na")
    mark = html.Span(MARKS.get(verdict, "–"), className="mark", **{"aria-hidden": "true"})
    return html.Span([mark, verdict if text is None else text], className=f"verdict verdict-{kind}")


def places_of(conflict: Mapping[str, Any]) -> list[str]:
    """Where each value of a conflict stands; of an older run the row alone is known."""
    sheets, files = (conflict.get(name) or [None] * len(conflict["rows"]) for name in ("sheets", "files"))
    places = zip(conflict["rows"], sheets, files, strict=True)
    return [
        f"row {row:,}" + (f" of sheet {sheet}" if sheet else "") + (f" of {file}" if file else "")
        for row, sheet, file in places
    ]


def number(value: float | int | None, unit: str = "", decimals: int | None = None) -> str:
    """A figure as people read it: thousands parted, its unit behind a narrow space, a dash where it is not known."""
    if value is None or math.isnan(value):
        return NOTHING
    if decimals is None:
        decimals = 0 if float(value).is_integer() else 2
    text = f"{value:,.{decimals}f}"
    return f"{text}\u202f{unit}" if unit and unit != "1" else text


def counted(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun: "1 system", "4,210 systems"."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def fact(label: str, value: str, status: str = "") -> Component:
    """A fact with its status (given, derived, assumed, missing) as one line of a description list."""
    return html.Div(
        [
            html.Dt(label),
            html.Dd([html.Span(value, className="fact-value"), html.Span(status, className="fact-status")]),
        ],
        className=f"fact fact-{status}" if status else "fact",
    )


def graph(figure: go.Figure, graph_id: Any, label: str) -> Component:
    """A chart without buttons that send it anywhere; `label` says in words what it shows."""
    return html.Div(
        dcc.Graph(id=graph_id, figure=figure, config=GRAPH_CONFIG, mathjax=False, className="graph"),
        role="img",
        className="graph-frame",
        **{"aria-label": label},
    )


def table(frame: pl.DataFrame, units: dict[str, str] | None = None, numeric: Sequence[str] | None = None) -> Component:
    """A small frame as a plain table: column names as headings, numbers to the right; text stays plain text."""
    units = units or {}
    right = set(numeric if numeric is not None else [c for c, t in frame.schema.items() if t.is_numeric()])
    head = html.Tr([html.Th(c, scope="col", className="right" if c in right else "") for c in frame.columns])
    body = []
    for row in frame.iter_rows(named=True):
        cells = []
        for column, value in row.items():
            if isinstance(value, Component):
                shown: Any = value
            elif column in right:
                shown = number(value, units.get(column, ""))
            else:
                shown = NOTHING if value is None else str(value)
            cells.append(html.Td(shown, className="right" if column in right else ""))
        body.append(html.Tr(cells))
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(body)], className="plain"),
        className="table-scroll",
        tabIndex="0",
        role="region",
        **{"aria-label": "table"},
    )


def chart_with_table(
    figure: go.Figure,
    frame: pl.DataFrame,
    title: str,
    graph_id: Any = None,
    *,
    note: Any = None,
    units: dict[str, str] | None = None,
    label: str = "",
    level: int = 3,
) -> Component:
    """A chart under its heading, with the figures it draws one click away as a table.

    `level` is the heading's level in the page (2 or 3).
    """
    heading = html.H2 if level == 2 else html.H3
    return html.Section(
        [
            heading(title),
            html.P(note, className="note") if note else None,
            graph(figure, graph_id or {"chart": title}, label or title),
            html.Details([html.Summary("as table"), table(frame, units)], className="as-table"),
        ],
        className="chart",
    )


def choice(choice_id: Any, options: Sequence[Any], value: Any, **options_of: Any) -> Component:
    """A field that offers a few options, usable from the keyboard; name it by a label for its id, or `aria-label`."""
    return dmc.Select(
        id=choice_id, data=list(options), value=value, allowDeselect=False, withCheckIcon=False,
        comboboxProps={"shadow": "md", "withinPortal": True}, **options_of,
    )  # fmt: skip


def note(text: Any, kind: str = "info") -> Component:
    """A remark beside the content; `kind` "warning" for what needs attention."""
    return html.Div(text, className=f"notice notice-{kind}", role="status")


def progress(job: Job | None) -> Component | None:
    """How far a command is, or what it said when it failed."""
    if job is None:
        return None
    if not job.open:
        return note(html.Pre(job.err or "It has ended."), "warning") if job.state != "done" else None
    words = job.phase or "Starting"
    count = f"{job.done:,} of {job.total:,}" if job.total else ""
    known = {"value": str(job.done), "max": str(job.total)} if job.total else {}
    return html.Div(
        [html.Progress(**known, **{"aria-label": f"{words} {count}"}), html.P(f"{words} {count}", className="note")],
        className="running",
    )


def cautions(work: bool = False) -> Component:
    """What every page that can lead to work says; with `work`, all of the rules for people on site."""
    items = [html.P(CAUTION)]
    if work:
        items.append(html.Ul([html.Li(text) for text in WORK_CAUTIONS]))
    return html.Section([html.H2("Before anyone acts on this"), *items], className="cautions")


def what_to_do(title: str, text: str, command: str = "", more: Component | None = None) -> Component:
    """A page in place of content that cannot be shown: why, the command that mends it, and what else does."""
    return html.Div(
        [html.H1(title), html.P(text), html.Pre(html.Code(command)) if command else None, more],
        className="what-to-do",
    )

"""The portfolio page's pieces: what the figures of one view look like."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import plotly.graph_objects as go
import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.store.records_db import Connection
from dashboard import components, figures
from dashboard.filters import NAMES, Filters, View, range_of
from dashboard.queries import portfolio as queries

#: What each filter is called.
WORDS = {
    "verdict": "verdict", "check": "check", "fact": "waits for", "region": "region", "utility": "utility",
    "designer": "designer", "year": "year", "service": "service", "model": "inverter", "rise": "rise",
    "trips": "trip-days a year", "over": "inverters", "text": "text",
}  # fmt: skip
NOT_STATED = "not stated"
FACTS_SHOWN = 6

Value = str | int | None


def key(value: Value) -> str:
    """A filter's value as an identifier that any text survives."""
    return "none" if value is None else "x" + str(value).encode().hex()


def value_of(name: str, text: str) -> Value:
    """The value of an identifier; ValueError where it is none."""
    if text == "none":
        return None
    value = bytes.fromhex(text.removeprefix("x")).decode()
    return int(value) if name == "year" else value


def pick(name: str, value: Value, children: Any, source: str, chosen: bool = False, label: str = "") -> Component:
    """A button that puts a filter's value in force, or lifts it."""
    extra = {"aria-pressed": "true" if chosen else "false"} | ({"aria-label": label} if label else {})
    return html.Button(
        children,
        id={"pick": source, "name": name, "value": key(value)},
        className="pick pick-chosen" if chosen else "pick",
        **extra,
    )


def answer(con: Connection, view: View) -> list[Component]:
    """The answer in sentences; each is a filter, too."""
    found, filters, often = queries.answer(con, view.filters), view.filters, queries.often(con)
    shown = components.counted(found.systems, "system")
    of_all = f" of {found.of_all:,}" if found.systems != found.of_all else ""
    rows = [
        _line("fail", found.safety, found, "fail a safety check", "check", "safety", filters),
        _line("fail", found.over_rise, found, "over the voltage-rise target", "check", "voltage-rise", filters),
        _line("fail", found.over_limit, found, "over the branch limit", "check", "branch-unit-limit", filters),
        _line(
            "fail",
            found.tripping,
            found,
            f"expected to trip on {often:g} days a year or more",
            "trips",
            f"{often:g}..",
            filters,
        ),
        _line("fail", found.fail, found, "fail at least one check", "verdict", "fail", filters),
        _line("unknown", found.unknown, found, "unknown: a fact is missing", "verdict", "unknown", filters),
        _line("pass", found.passing, found, "pass every check that applies", "verdict", "pass", filters),
    ]
    return [
        html.H1(f"{shown}{of_all}, {components.counted(found.circuits, 'branch circuit')}"),
        html.Div([html.Ul(rows, className="answer-lines"), _facts(con, view, found)], className="answer"),
    ]


def _line(
    verdict: str, count: int, found: queries.Answer, words: str, name: str, value: str, filters: Filters
) -> Component:
    share = count / found.systems if found.systems else 0.0
    chosen = value in getattr(filters, name)
    inside = [
        html.Span(components.MARKS[verdict], className=f"mark verdict-{verdict}", **{"aria-hidden": "true"}),
        html.Span(f"{count:,}", className="answer-count"),
        html.Span(words, className="answer-words"),
        html.Span(html.Span(style={"width": f"{share:.1%}"}, className=f"fill fill-{verdict}"), className="bar"),
        html.Span(f"{share:.1%}", className="answer-share"),
    ]
    return html.Li(pick(name, value, inside, "answer", chosen))


def _facts(con: Connection, view: View, found: queries.Answer) -> Component:
    frame = queries.missing_facts(con, view.filters)
    if not frame.height:
        return html.Div([html.H2("Missing facts"), html.P("No verdict here waits for a fact.")], className="facts")
    first = frame.row(0, named=True)
    settles = components.counted(first["settles"], "system")
    sentence = (
        f"{first['label'].capitalize()} would settle most: {settles} wait for it alone."
        if first["settles"]
        else "No single fact settles a system: each waits for more than one."
    )
    lines = [
        html.Tr(
            [
                html.Td(pick("fact", row["fact"], row["label"], "fact", row["fact"] in view.filters.fact)),
                html.Td(f"{row['settles']:,}", className="right"),
                html.Td(f"{row['waits']:,}", className="right"),
            ]
        )
        for row in frame.head(FACTS_SHOWN).iter_rows(named=True)
    ]
    head = html.Tr(
        [
            html.Th("fact", scope="col"),
            html.Th("settles alone", scope="col", className="right"),
            html.Th("part of", scope="col", className="right"),
        ]
    )
    more = frame.height - FACTS_SHOWN
    return html.Div(
        [
            html.H2("Which missing fact to ask for"),
            html.P(sentence),
            html.Table([html.Thead(head), html.Tbody(lines)], className="plain facts-table"),
            html.P(f"and {components.counted(more, 'more fact')}", className="note") if more > 0 else None,
        ],
        className="facts",
    )


def wide(frame: pl.DataFrame, labels: Sequence[Any], column: str) -> dict[str, list[int]]:
    """Counts by verdict over the labels' order."""
    held = {(row[column], row["verdict"]): row["systems"] for row in frame.iter_rows(named=True)}
    verdicts = [v for v in ("fail", "unknown", "pass") if any((at, v) in held for at in labels)]
    return {verdict: [held.get((at, verdict), 0) for at in labels] for verdict in verdicts or ["pass"]}


Chart = tuple[go.Figure, Component]


def rise_chart(con: Connection, view: View) -> Chart:
    """The distribution of total rise against the target."""
    targets = queries.targets(con)
    frame = queries.rise_bins(con, view.filters, targets[0] if targets else None)
    known = frame.filter(pl.col("low").is_not_null())
    width = (targets[0] if targets else 2.0) / queries.BINS_TO_TARGET
    last = max([queries.BINS_TO_TARGET, *(round(low / width) for low in known["low"])])
    first = min([0, *(round(low / width) for low in known["low"])])
    lows = [round(n * width, 4) for n in range(first, last + 1)]
    ranges = [
        f"{low:g}..{low + width:g}" if n < queries.RISE_BINS else f"{low:g}.." for n, low in enumerate(lows, first)
    ]
    labels = [
        text.replace("..", " – ") + "\u202f%" if not text.endswith("..") else f"{text[:-2]}\u202f% and over"
        for text in ranges
    ]
    chosen = [text in view.filters.rise for text in ranges]
    series = wide(known, lows, "low")
    every = max(1, round(0.5 / width)) if width <= 0.5 else 1
    at = [n for n, _ in enumerate(lows) if (n + first) % every == 0]
    ticks = {"tickvals": [n - 0.5 for n in at], "ticktext": [f"{lows[n]:g}{_open(ranges[n])}" for n in at]}
    figure = figures.stacked(
        labels, series, [["rise", key(text)] for text in ranges], chosen, ticks=ticks,
        title="worst total rise in the system [%]",
    )  # fmt: skip
    figures.mark_at(figure, {target / width - first - 0.5: f"target {target:g} %" for target in targets[:3]})
    if not known.height:
        figures.says(figure, "No system here has a known rise.")
    unknown = frame.filter(pl.col("low").is_null())["systems"].sum()
    extra = [("not known", "unknown", {"unknown": unknown})] if unknown else []
    return figure, picks("rise", list(zip(labels, ranges, strict=True)), series, view, "worst total rise", extra)


def _open(text: str) -> str:
    return "+" if text.endswith("..") else ""


def units_chart(con: Connection, view: View) -> Chart:
    """Inverters on the worst circuit against the branch limit."""
    frame = queries.unit_bins(con, view.filters)
    known = frame.filter(pl.col("over").is_not_null())
    span = queries.UNITS_SPAN
    low = min([-2, *known["over"]])
    high = max([2, *known["over"]])
    places = list(range(low, high + 1))
    values = [f"..{n + 1}" if n == -span else f"{n}.." if n == span else str(n) for n in places]
    labels = [_over(n, span) for n in places]
    series = wide(known, places, "over")
    chosen = [value in view.filters.over for value in values]
    ends = {-span: "≤ ", span: "≥ "}
    figure = figures.stacked(
        labels, series, [["over", key(value)] for value in values], chosen,
        ticks={"ticktext": [ends.get(n, "") + (f"{n:+d}" if n else "0") for n in places]},
        title="inverters beyond the limit, worst circuit",
    )  # fmt: skip
    figures.mark_at(figure, {-low + 0.5: "limit"})
    if not known.height:
        figures.says(figure, "No system here has a known branch limit.")
    unknown = frame.filter(pl.col("over").is_null())["systems"].sum()
    extra = [("not known", "unknown", {"unknown": unknown})] if unknown else []
    return figure, picks("over", list(zip(labels, values, strict=True)), series, view, "against the limit", extra)


def _over(n: int, span: int) -> str:
    if n == 0:
        return "at the limit"
    more = " or more" if abs(n) == span else ""
    return f"{abs(n)}{more} {'over' if n > 0 else 'below'} the limit"


def check_chart(con: Connection, view: View) -> Chart:
    """Systems that fail each check, or leave it unknown."""
    frame = queries.by_check(con, view.filters).filter((pl.col("fail") > 0) | (pl.col("unknown") > 0))
    names, titles = frame["check"].to_list(), [figures.wrapped(t) for t in frame["title"]]
    series = {"fail": frame["fail"].to_list(), "unknown": frame["unknown"].to_list()}
    values = {"fail": names, "unknown": [f"{name}:unknown" for name in names]}
    figure = figures.stacked(
        titles, series, [], [], title="systems", sideways=True, height=max(160, 60 + 34 * len(names)),
        keys_by_series={v: [["check", key(value)] for value in held] for v, held in values.items()},
        chosen_by_series={v: [value in view.filters.check for value in held] for v, held in values.items()},
    )  # fmt: skip
    if not names:
        figures.says(figure, "No check fails here, and none is unknown.")
    rows = [
        [html.Td(row["title"])]
        + [
            html.Td(
                pick("check", value, f"{row[verdict]:,}", "table", value in view.filters.check,
                     f"{row['title']}: {row[verdict]:,} {verdict}"),
                className="right",
            )
            for verdict, value in (("fail", row["check"]), ("unknown", row["check"] + ":unknown"))
        ]
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    return figure, table(["check", "fail", "unknown"], rows)


def group_chart(con: Connection, view: View) -> Chart:
    """Systems by year, utility, region, designer, service or inverter."""
    frame, groups = queries.by_group(con, view.filters, view.by)
    values: list[Value] = frame["value"].to_list()
    labels = [NOT_STATED if value is None else figures.plain(value) for value in values]
    held = getattr(view.filters, view.by)
    series = {verdict: frame[verdict].to_list() for verdict in ("fail", "unknown", "pass")}
    sideways = view.by != "year"
    figure = figures.stacked(
        labels, series, [[view.by, key(value)] for value in values], [value in held for value in values],
        title="systems" if sideways else "year of design",
        sideways=sideways, height=max(200, 60 + 26 * len(values)) if sideways else 260,
    )  # fmt: skip
    if not values:
        figures.says(figure, "No system matches.")
    rows = []
    for row, label in zip(frame.iter_rows(named=True), labels, strict=True):
        share = row["fail"] / row["systems"] if row["systems"] else 0.0
        rows.append(
            [html.Td(pick(view.by, row["value"], label, "table", row["value"] in held))]
            + [html.Td(f"{row[c]:,}", className="right") for c in ("fail", "unknown", "pass", "systems")]
            + [html.Td(f"{share:.1%}", className="right")]
        )
    held_by = table([WORDS[view.by], "fail", "unknown", "pass", "systems", "failing"], rows)
    if groups > len(values):
        note = html.P(f"The {len(values)} with most failing systems, of {groups:,}.", className="note")
        return figure, html.Div([note, held_by])
    return figure, held_by


def picks(
    name: str,
    bars: list[tuple[str, str]],
    series: dict[str, list[int]],
    view: View,
    heading: str,
    extra: list[tuple[str, str, dict[str, int]]],
) -> Component:
    """The bars as rows, each a filter; empty bars are left out, `extra` rows follow."""
    columns = [*series, *(v for _, _, counts in extra for v in counts if v not in series)]
    held = getattr(view.filters, name)
    rows = []
    lines = [(label, value, {v: series[v][n] for v in series}) for n, (label, value) in enumerate(bars)] + extra
    for label, value, counts in lines:
        if not any(counts.values()):
            continue
        cells = [html.Td(f"{counts.get(v, 0):,}", className="right") for v in columns]
        rows.append([html.Td(pick(name, value, label, "table", value in held)), *cells])
    return table([heading, *columns], rows)


def table(heads: Sequence[str], rows: Sequence[Sequence[Component]]) -> Component:
    """A plain table of cells; all columns but the first are figures."""
    head = html.Tr([html.Th(h, scope="col", className="right" if n else "") for n, h in enumerate(heads)])
    body = [html.Tr(list(row)) for row in rows]
    return html.Div(html.Table([html.Thead(head), html.Tbody(body)], className="plain"), className="table-scroll")


def chips(con: Connection, view: View) -> list[Component]:
    """The filters in force, each with a button that lifts it."""
    found: list[Component] = []
    for name, value, words in _in_force(con, view):
        inside = [
            html.Span(f"{WORDS[name]}: ", className="chip-name"),
            words,
            html.Span("×", className="chip-x", **{"aria-hidden": "true"}),
        ]
        chip = pick(name, value, inside, "chip", True, f"Remove the filter {WORDS[name]}: {words}")
        chip.className = "chip"
        found.append(chip)
    if len(found) > 1:
        found.append(
            html.Button("remove all", id={"pick": "clear", "name": "", "value": ""}, className="chip chip-clear")
        )
    return found


def in_words(con: Connection, view: View) -> str:
    """The filters in force in one line, "" without any."""
    by_name: dict[str, list[str]] = {}
    for name, _, words in _in_force(con, view):
        by_name.setdefault(name, []).append(words)
    return "; ".join(f"{WORDS[name]} {' or '.join(words)}" for name, words in by_name.items())


def _in_force(con: Connection, view: View) -> Iterator[tuple[str, Value, str]]:
    """Each filter's name, a value of it, and that value in words."""
    titles, labels = dict(queries.checks(con)), queries.facts(con)
    for name in NAMES:
        values: tuple[Value, ...] = (view.filters.text,) if name == "text" else getattr(view.filters, name)
        for value in values:
            if name != "text" or value:
                yield name, value, _words(name, value, titles, labels)


def _words(name: str, value: Value, titles: dict[str, str], labels: dict[str, str]) -> str:
    if value is None:
        return NOT_STATED
    text = str(value)
    if name == "check":
        title = titles.get(text.removesuffix(":unknown"), text)
        return f"{title} {'unknown' if text.endswith(':unknown') else 'fails'}"
    if name == "fact":
        return labels.get(text, text)
    if name in ("rise", "trips", "over"):
        return range_words(name, text)
    return text


def range_words(name: str, text: str) -> str:
    """A range of a filter as people say it."""
    if text == "unknown":
        return "not known"
    unit = {"rise": "\u202f%", "trips": " a year"}.get(name, " beyond the limit")
    if ".." not in text:
        return f"{int(text):+d}{unit}" if int(text) else "at the limit"
    low, high = range_of(text)
    if low is None:
        return f"below {high:g}{unit}"
    return f"{low:g}{unit} and over" if high is None else f"{low:g} – {high:g}{unit}"

"""The pieces of the page of changes: the answer, what differs, the flow picture, the changes, and whom to tell."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from auditor.store.records_db import Connection
from dashboard import components, figures_changes
from dashboard.changes_address import LEVELS, WAYS, Asked
from dashboard.filters import VERDICTS
from dashboard.pages.imports_lists import cell, listing, sentence, system_link
from dashboard.pages.parts import NOT_STATED, key
from dashboard.queries import changes as queries

#: The mark before the ways that have one; the others say neither good nor bad.
WAY_MARKS = {"worse": "fail", "better": "pass", "unknown": "unknown"}
TRIP_WAYS = {"worse": "more trips expected than before", "better": "fewer trips expected than before",
             "other": "in another band, with as many trip-days"}  # fmt: skip
NOT_KNOWN = "not known"
#: Ways that are always told, even of none.
ALWAYS = ("worse", "better", "unknown", "known")
FILTERS = {"level": "what", "check": "check", "cause": "cause", "utility": "utility", "designer": "designer"}
MOST_FACTORS = 12


def answer(con: Connection, asked: Asked, worse: int) -> Component:
    """How many systems have a verdict that became worse, and what became of all verdicts."""
    told, found = queries.compared(con), queries.ways(con, asked)
    changed = queries.changed_systems(con, asked)
    lines = [_way(asked, way, *found.get(way, (0, 0, 0))) for way in WAYS if way in ALWAYS or way in found]
    if worse:
        verb = "has a verdict that became worse" if worse == 1 else "have a verdict that became worse"
        head = f"{components.counted(worse, 'system')} {verb}"
    elif changed:
        head = "No verdict of a check became worse"
    else:
        head = "Nothing changed" if told["alike"] or not found else "No verdict changed"
    waived = queries.waived(con, asked)
    return html.Section(
        [
            html.H1(head),
            html.P(_summary(told, changed, asked)),
            html.Ul(lines, className="answer-lines change-lines") if found else None,
            html.P(
                f"{components.counted(waived, 'of these is', 'of these are')} waived; a waiver hides nothing, and who"
                " waived it until when stands beside it.",
                className="note",
            )
            if waived
            else None,
        ],
        id="changes-answer",
        **{"aria-live": "polite"},
    )


def _summary(told: dict[str, Any], changed: int, asked: Asked) -> str:
    part = told["part_before"] or told["part_after"]
    over = f" Compared over the systems of a part alone: {part}." if part else ""
    held = components.counted(int(min(told["systems_before"], told["systems_after"])), "system")
    level = {
        "check": "the verdict of a check",
        "system": "the verdict over all checks",
        "trips": "the band of trip-days",
    }
    return f"{changed:,} of {held} changed in {level[asked.level]}.{over}"


def _way(asked: Asked, way: str, verdicts: int, systems: int, failing: int) -> Component:
    chosen = asked.way == way
    verdict = WAY_MARKS.get(way, "not applicable")
    words = TRIP_WAYS.get(way, WAYS[way]) if asked.level == "trips" else WAYS[way]
    more = f"; {failing:,} of them fail" if way == "known" and failing else ""
    inside = [
        html.Span(components.MARKS[verdict], className=f"mark verdict-{components.CLASSES[verdict]}",
                  **{"aria-hidden": "true"}),
        html.Span(f"{verdicts:,}", className="answer-count"),
        html.Span(words + more, className="answer-words"),
        html.Span(components.counted(systems, "system"), className="answer-share"),
    ]  # fmt: skip
    to = asked.but(way=None if chosen else way)
    return html.Li(_link(inside, to, chosen))


def differs(con: Connection) -> Component:
    """What the runs judged by, and the inputs in which they differ."""
    told, found = queries.compared(con), queries.factors(con)
    rows = [
        [word, f"run {told[word]}", told[f"as_of_{word}"], cell(told[f"policy_{word}"]),
         cell(told[f"other_rules_{word}"] or "the usual ones"), cell(told[f"part_{word}"] or "all"),
         f"{told[f'systems_{word}']:,}"]
        for word in ("before", "after")
    ]  # fmt: skip
    heads = ("", "run", "as of", "policy", "rules", "systems of", "systems")
    lines = [html.Li([html.Strong(cell(name)), f": {cell(detail)}"]) for name, detail in found[:MOST_FACTORS]]
    more = len(found) - len(lines)
    return html.Section(
        [
            html.H2("What differs between the runs"),
            html.Ul(lines, className="factors") if lines else html.P("Nothing: same rules, same records."),
            html.P(f"and {more:,} more", className="note") if more > 0 else None,
            html.Details([html.Summary("the two runs"), listing(heads, rows, "The two runs", ("systems",))],
                         className="as-table"),
        ]
    )  # fmt: skip


def flow(con: Connection, asked: Asked) -> Component | None:
    """The flow picture with its table behind it; None where no verdict changed."""
    frame = queries.flows(con, asked)
    if not frame.height:
        return None
    shown = frame.with_columns(pl.col("before", "after").fill_null(NOT_KNOWN))
    names = [*queries.bands(con), NOT_KNOWN] if asked.level == "trips" else VERDICTS
    used = {*shown["before"], *shown["after"]}
    order = [*(name for name in names if name in used), *sorted(used - {*names})]
    looks = figures_changes.looks_of(order, asked.level != "trips")
    stayed = "" if asked.narrowed else f" {queries.as_before(con, asked):,} stayed as they were and are not drawn."
    total, noun = int(frame["count"].sum()), "band" if asked.level == "trips" else "verdict"
    rows = [
        [_moved(asked, row["before"], row["after"]), f"{row['count']:,}", f"{row['systems']:,}"]
        for row in frame.iter_rows(named=True)
    ]
    return html.Section(
        [
            html.H2("From what to what"),
            html.P(
                f"{components.counted(total, noun)} changed: left what each was, right what it is now, as wide as"
                f" their number and never too thin to be seen.{stayed}",
                className="note",
            ),
            components.graph(
                figures_changes.flow(shown, order, looks, components.MARKS),
                "changes-flow",
                "Changed verdicts from what they were to what they are: "
                + "; ".join(f"{r['before']} to {r['after']}, {r['count']:,}" for r in shown.iter_rows(named=True)),
            ),
            html.Details(
                [html.Summary("as table"), listing(("from, to", "verdicts", "systems"), rows, "From what to what",
                                                   ("verdicts", "systems"), blocks=False)],
                className="as-table",
            ),
        ],
        className="chart changes-flow",
    )  # fmt: skip


def _moved(asked: Asked, before: str | None, after: str | None) -> Component:
    """A link that keeps to one flow, or lifts that."""
    chosen = (asked.was, asked.now) == (before or "", after or "")
    to = asked.but(was=None, now=None) if chosen else asked.but(was=before or "", now=after or "")
    return _link(f"{before or NOT_KNOWN} to {after or NOT_KNOWN}", to, chosen)


def options(con: Connection, asked: Asked, titles: dict[str, str]) -> dict[str, list[dict[str, str]]]:
    """What each filter offers; a value is hexadecimal, since most are imported text."""
    found = {"level": [{"value": level, "label": words} for level, words in LEVELS.items()]}
    for name in FILTERS:
        if name == "level":
            continue
        values = queries.offered(con, asked, name)
        held = getattr(asked, name)
        if held is not None and (held or None) not in [value for value, _ in values]:
            values.append((held or None, 0))
        label = titles if name == "check" else {}
        found[name] = [{"value": "all", "label": "all"}] + [
            {"value": key(value), "label": f"{NOT_STATED if value is None else cell(label.get(value, value))} ({n:,})"}
            for value, n in values
        ]
    return found


def filters(con: Connection, asked: Asked, titles: dict[str, str]) -> Component:
    """The filters' fields, and what else is in force."""
    offered = options(con, asked, titles)
    fields = [
        html.Div(
            [
                components.choice(
                    {"changes-pick": name}, offered[name], held(asked, name), label=label, searchable=name != "level"
                ),
            ],
            className="field",
        )
        for name, label in FILTERS.items()
        if name == "level" or (name != "check" or asked.level == "check")
    ]
    chips = []
    if asked.way:
        chips.append(_chip(f"only: {WAYS[asked.way]}", asked.but(way=None)))
    if asked.was is not None or asked.now is not None:
        words = f"only: {asked.was or NOT_KNOWN} to {asked.now or NOT_KNOWN}"
        chips.append(_chip(words, asked.but(was=None, now=None)))
    return html.Section(
        [html.H2("Show only", className="sr"), html.Div(fields, className="fields"),
         html.Div(chips, className="chips")],
        className="controls",
    )  # fmt: skip


def held(asked: Asked, name: str) -> str:
    """A filter's value as its field holds it."""
    if name == "level":
        return asked.level
    value = getattr(asked, name)
    return "all" if value is None else key(value or None)


def _chip(words: str, to: Asked) -> Component:
    cross = html.Span("×", className="chip-x", **{"aria-hidden": "true"})
    return dcc.Link([html.Span("Remove the filter ", className="sr"), words, cross], href=to.href, className="chip")


def _link(inside: Any, to: Asked, chosen: bool) -> Component:
    """A link to another view of the page; one that is in force says so."""
    held = inside if isinstance(inside, list) else [inside]
    said = [html.Span(", in force", className="sr")] if chosen else []
    return dcc.Link([*held, *said], href=to.href, className="pick pick-chosen" if chosen else "pick")


def rows(con: Connection, asked: Asked, titles: dict[str, str]) -> Component:
    """The changes one by one."""
    total, dated = queries.count(con, asked), queries.other_dates(con)
    found = queries.rows(con, asked)
    heads = ["system", *(["circuit", "check"] if asked.level == "check" else []), "was", "is", *_heads(asked), "cause",
             "utility", "designer"]  # fmt: skip
    heads += ["specs of, before", "specs of, after"] if dated else []
    return html.Section(
        [
            _head("Changes one by one", total, asked, "changes"),
            html.P("Margins are what is left to the limit, in percent of it; below 0 it is missed.", className="note")
            if asked.level == "check"
            else None,
            _sorts(asked),
            listing(heads, [_row(row, asked, titles, dated) for row in found], "Changes one by one",
                    ("margin was", "margin is", "trip-days were", "trip-days are"))
            if found
            else html.P("None that these filters keep."),
            _pages(asked, "page", total),
        ],
        id="changes-rows",
        className="changes-rows",
    )  # fmt: skip


def _heads(asked: Asked) -> list[str]:
    return {"check": ["margin was", "margin is"], "trips": ["trip-days were", "trip-days are"]}.get(asked.level, [])


def _row(row: dict[str, Any], asked: Asked, titles: dict[str, str], dated: bool) -> list[Any]:
    system = html.Span([system_link(row["system_id"]), html.Span(f" {row['site_label'] or ''}", className="quiet")])
    where = [cell(row["circuit_id"] or None), titles.get(row["check"], row["check"])] if asked.level == "check" else []
    until = row["waived_until"]
    waived = html.Span(
        f"waived until {until} by {cell(row['waived_by'])}: {cell(row['waived_why'])}", className="quiet"
    )
    figures: list[str] = []
    if asked.level == "check":
        figures = [components.number(row[f"margin_{side}_pct"], "%", 1) for side in ("before", "after")]
    elif asked.level == "trips":
        figures = [components.number(row[f"value_{side}"], decimals=1) for side in ("before", "after")]
    dates = [str(row[f"specs_{side}"] or NOT_KNOWN) for side in ("before", "after")] if dated else []
    whose = [cell(row[name] or None) for name in ("utility", "designer")]
    cause = html.Span([cell(row["cause"] or ""), html.Br(), waived] if until else cell(row["cause"] or ""))
    now = _mark(row["after"], asked)
    return [system, *where, _mark(row["before"], asked), now, *figures, cause, *whose, *dates]


def _mark(verdict: str | None, asked: Asked) -> Any:
    return cell(verdict or NOT_KNOWN) if asked.level == "trips" or not verdict else components.verdict_mark(verdict)


def _sorts(asked: Asked) -> Component:
    """By what the list is sorted: each word sorts by it, and once more the other way round."""
    words = {"system": "system", "check": "check", "before": "margin before", "after": "margin after",
             "lost": "margin lost", "cause": "cause", "utility": "utility", "designer": "designer"}  # fmt: skip
    if asked.level != "check":
        for name in ("check", "lost", *(["before", "after"] if asked.level == "system" else [])):
            words.pop(name)
        words = {name: word.replace("margin", "trip-days") for name, word in words.items()}
    links = []
    for name, word in words.items():
        chosen = asked.sort[0] == name
        arrow = (" ↓" if asked.sort[1] else " ↑") if chosen else ""
        to = asked.but(sort=(name, chosen and not asked.sort[1]))
        links.append(_link(word + arrow, to, chosen))
    return html.P([html.Span("sorted by "), *(part for link in links for part in (link, " "))], className="sorts")


def _head(title: str, total: int, asked: Asked, what: str) -> Component:
    links = [
        html.A(name, href=f"/export/{what}.{suffix}{asked.but(page=1, told=1, part='').address}", className="button",
               download="")
        for name, suffix in (("CSV", "csv"), ("Excel", "xlsx"))
    ]  # fmt: skip
    return html.Div(
        [
            html.H2([html.Span(f"{title} "), html.Span(f"{total:,}", className="count")]),
            html.Div([html.Span("export all of them: ", className="note"), *links], className="exports"),
        ],
        className="table-head",
    )


def _pages(asked: Asked, name: str, total: int) -> Component | None:
    """Which part of a list is shown, and links to the others; None where it is all there."""
    page = getattr(asked, name)
    last = -(-total // queries.PAGE_ROWS)
    if last <= 1:
        return None
    first = (page - 1) * queries.PAGE_ROWS + 1
    shown = f"{first:,} to {min(first + queries.PAGE_ROWS - 1, total):,} of {total:,}" if page <= last else "none here"
    back = dcc.Link("← before", href=asked.but(**{name: min(page, last + 1) - 1}).href, className="button")
    more = dcc.Link("next →", href=asked.but(**{name: page + 1}).href, className="button")
    return html.Div(
        [back if page > 1 else None, html.Span(shown, className="note"), more if page < last else None],
        className="pages",
    )


def notices(found: Sequence[dict[str, Any]], total: int, asked: Asked) -> Component:
    """Whom to tell: each system once, by utility, designer, crew and contact."""
    told = (
        "Systems with a verdict that now fails and did not, or is unknown and was not: each once, whatever its waivers."
        " The filters by cause, check, utility and designer narrow the list."
    )
    return html.Section(
        [
            _head("Whom to tell", total, asked, "notices"),
            html.P(told, className="note"),
            _noticed(found) if found else html.P("Nobody: no verdict became worse."),
            _pages(asked, "told", total),
        ],
        id="changes-told",
        className="changes-told",
    )


def _noticed(found: Sequence[dict[str, Any]]) -> Component:
    heads = ("system", "what became worse", "cause", "waived", "contact", "crew", "designer")
    groups = []
    for utility, rows in groupby(found, key=lambda row: row["utility"]):
        title = html.Th(cell(utility or f"utility {NOT_STATED}"), scope="rowgroup", colSpan=len(heads))
        groups.append(html.Tbody([html.Tr(title, className="group"), *(_notice(row, heads) for row in rows)]))
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    return html.Div(
        html.Table([head, *groups], className="plain list blocks"), className="table-wide", tabIndex="0",
        role="region", **{"aria-label": "Whom to tell"},
    )  # fmt: skip


def _notice(row: dict[str, Any], heads: Sequence[str]) -> Component:
    system = html.Span([system_link(row["system_id"]), html.Span(f" {row['site_label'] or ''}", className="quiet")])
    cells = [system, sentence(row["worse"]), sentence(row["cause"]), cell(row["waived"]),
             *(cell(row[name] or None) for name in ("contact", "crew", "designer"))]  # fmt: skip
    return html.Tr([html.Td(content, **{"data-head": head}) for head, content in zip(heads, cells, strict=True)])

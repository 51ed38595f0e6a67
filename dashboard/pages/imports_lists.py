"""The import page's lists: what came in, what was rejected and why, what is suspicious, what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from auditor.reports.fetching import PLACES
from auditor.store.records_db import Connection
from dashboard import components
from dashboard.pages.imports_address import Place
from dashboard.pages.parts import key
from dashboard.queries import facts as fact_queries
from dashboard.queries import imports as queries

#: Longest text of a cell that a list shows; the whole of it is in the exports.
CELL_CHARACTERS = 160
SENTENCE_CHARACTERS = 600
FACTS_SHOWN = 12

Cell = Any
STATE_WORDS = {"open": "open", "closed": "closed since", "all": "all"}


def choice(name: str, value: Any, children: Any, chosen_now: bool, label: str = "", kind: str = "pick") -> Component:
    """A button that puts a part of the address in force, or lifts it."""
    extra = {"aria-pressed": "true" if chosen_now else "false"} | ({"aria-label": label} if label else {})
    marked = f"{kind} {kind}-chosen" if chosen_now else kind
    return html.Button(children, id={"choose": name, "value": key(value)}, className=marked, **extra)


def cell(text: Any) -> str:
    """A text of a list's cell, shortened."""
    shown = components.NOTHING if text is None else str(text)
    return shown if len(shown) <= CELL_CHARACTERS else shown[: CELL_CHARACTERS - 1] + "…"


def sentence(text: Any) -> str:
    """A sentence of a list: whole, unless it would fill the page."""
    shown = components.NOTHING if text is None else str(text)
    return shown if len(shown) <= SENTENCE_CHARACTERS else shown[: SENTENCE_CHARACTERS - 1] + "…"


def listing(
    heads: Sequence[str],
    rows: Sequence[Sequence[Cell]],
    name: str,
    numeric: Sequence[str] = (),
    blocks: bool = True,
) -> Component:
    """A table whose cells carry their heading, so that a narrow screen can show each row as a block.

    With `blocks` false it stays a table there: for few narrow columns.
    """
    head = html.Tr([html.Th(h, scope="col", className="right" if h in numeric else "") for h in heads])
    body = [
        html.Tr(
            [
                html.Td(content, className="right" if h in numeric else "", **{"data-head": h})
                for h, content in zip(heads, row, strict=True)
            ]
        )
        for row in rows
    ]
    table = html.Table([html.Thead(head), html.Tbody(body)], className="plain list blocks" if blocks else "plain list")
    return html.Div(table, className="table-wide", tabIndex="0", role="region", **{"aria-label": name})


def section(anchor: str, title: str, count: int | None, *children: Component | None) -> Component:
    """A part of the page under its heading, with what it counts."""
    heading = [html.Span(title), html.Span(f" {count:,}", className="count")] if count is not None else [title]
    return html.Section([html.H2(heading), *children], id=anchor, className="import-part")


def system_link(system_id: str) -> Component:
    """A link to a system's page."""
    return dcc.Link(system_id, href=f"/system/{quote(system_id, safe='')}", className="system-link")


def pages(name: str, page: int, count: int) -> Component | None:
    """Which part of a list is shown, and the way to the others; None where it is all there."""
    last = -(-count // queries.PAGE_ROWS)
    if last <= 1:
        return None
    first = (page - 1) * queries.PAGE_ROWS + 1
    back = choice(name, page - 1, "← before", False, "The page before", "button") if page > 1 else None
    more = choice(name, page + 1, "next →", False, "The next page", "button") if page < last else None
    shown = f"{first:,} to {min(first + queries.PAGE_ROWS - 1, count):,} of {count:,}" if page <= last else "none here"
    return html.Div([back, html.Span(shown, className="note"), more], className="pages")


def exports(what: str, excel: str = "Excel") -> Component:
    """Links that export a list as a whole."""
    links = [
        html.A(name, href=f"/export/{what}.{suffix}", className="button", download="")
        for name, suffix in ((excel, "xlsx"), ("CSV", "csv"))
    ]
    return html.Div([html.Span("export all: ", className="note"), *links], className="exports")


def came_in(con: Connection, place: Place) -> Component:
    """The imports, the newest first."""
    frame = queries.imports(con)
    rows = [
        [
            str(row["import_id"]),
            str(row["imported_on"]),
            html.Span([cell(row["file_name"])] + [html.Span(f" by {cell(row['mapping_name'])}", className="quiet")]
                      * bool(row["mapping_name"]), className="file-name"),
            *(f"{row[name]:,}" for name in ("rows_in", "accepted", "rejected", "duplicate")),
            choice("imported", row["import_id"], f"{row['open']:,}", place.asked.imported == row["import_id"],
                   f"{row['open']:,} open rejects of import {row['import_id']}") if row["open"] else "0",
        ]
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    heads = ("no.", "date", "file", "rows in", "accepted", "rejected", "repeated", "open rejects")
    return section(
        "came-in", "What came in", frame.height,
        listing(heads, rows, "Imports", heads[3:]) if rows else html.P("Nothing was imported yet."),
    )  # fmt: skip


def _kinds(con: Connection, place: Place, by: str) -> Component:
    frame, kinds = queries.kinds(con, place.asked, by)
    held = getattr(place.asked, by)
    rows = [
        [
            choice(by, row["value"], cell(spoken(by, row["value"])), held == row["value"]),
            f"{row['rejects']:,}",
            f"{row['files']:,}",
        ]
        for row in frame.iter_rows(named=True)
    ]
    more = kinds - frame.height
    return html.Div(
        [
            html.H3(f"By {by}"),
            listing((by, "rejects", "files"), rows, f"Rejects by {by}", ("rejects", "files"), blocks=False),
            html.P(f"and {more:,} more", className="note") if more > 0 else None,
        ]
    )


def spoken(name: str, value: Any) -> str:
    """A reason as words: its code without hyphens; anything else as it is."""
    return str(value).replace("-", " ") if name in ("reason", "suspicion") else str(value)


def rejects(con: Connection, place: Place) -> Component:
    """What was rejected and why: by reason, by column, and each with its row."""
    counts = queries.states(con)
    if not counts["all"]:
        return section("rejects", "Rejected", 0, html.P("Every row that came in could be read."))
    asked = place.asked
    tabs = [
        choice("state", state, f"{STATE_WORDS[state]} {counts[state]:,}", asked.state == state, kind="tab")
        for state in queries.STATES
        if counts[state] or state == "open"
    ]
    if counts["open"]:
        told = (
            "Mend the marked cells in the workbook, or in your own file, and import it again: what is then accepted"
            " closes the reject it replaces."
        )
    else:
        told = "All of them were mended since." if counts["closed"] else "None waits to be mended."
    if counts["totals"]:
        sums = components.counted(counts["totals"], "rejected row sums", "rejected rows sum")
        told += f" {sums} up other rows: no record, and nothing to mend."
    return section(
        "rejects", "Rejected", counts["open"],
        html.P(told, className="note"),
        html.Div([html.Div(tabs * (len(tabs) > 1), className="tabs"), exports("rejects", "Workbook to mend")],
                 className="part-head"),
        html.Div([_kinds(con, place, "reason"), _kinds(con, place, "column")], className="two"),
        _in_force(place),
        *_reject_rows(con, place),
    )  # fmt: skip


def _in_force(place: Place) -> Component | None:
    asked = place.asked
    words = [("reason", asked.reason), ("column", asked.column), ("imported", asked.imported)]
    chips = [
        choice(name, value, [html.Span(f"{'import' if name == 'imported' else name}: ", className="chip-name"),
               cell(spoken(name, value)), html.Span("×", className="chip-x", **{"aria-hidden": "true"})],
               True, f"Lift {name}: {cell(spoken(name, value))}", "chip")
        for name, value in words if value is not None
    ]  # fmt: skip
    return html.Div(chips, className="chips") if chips else None


def _reject_rows(con: Connection, place: Place) -> list[Component | None]:
    frame, count = queries.rejects(con, place.asked)
    if not frame.height:
        return [html.P("None of these.", className="note"), pages("page", place.asked.page, count)]
    several = frame["sheet"].is_not_null().any()
    closed = frame["closed_by"].is_not_null().any()
    heads = ["file", *(["sheet"] * several), "row", "column", "in the file", "why", *(["closed by"] * closed)]
    rows = [
        [
            html.Span(cell(row["file_name"]), className="file-name"),
            *([cell(row["sheet"])] * several),
            f"{row['row_number']:,}",
            cell(row["column"] or queries.WHOLE_ROW),
            html.Code(cell(row["raw"])) if row["raw"] else components.NOTHING,
            sentence(row["sentence"]),
            *([f"import {row['closed_by']}" if row["closed_by"] else components.NOTHING] * closed),
        ]
        for row in frame.iter_rows(named=True)
    ]
    return [listing(heads, rows, "Rejects", ("row",)), pages("page", place.asked.page, count)]


def suspicious(con: Connection, place: Place) -> Component | None:
    """Values that can be read and can hardly be meant; None where the snapshot knows no such thing."""
    if not queries.columns(con, "warning"):
        return None
    by_kind = queries.suspicious(con)
    total = int(by_kind["warnings"].sum())
    if not total:
        return section("suspicious", "Suspicious", 0, html.P("No value looks as if something else was meant."))
    kinds = [
        [
            choice("suspicion", row["code"], spoken("suspicion", row["code"]), place.suspicion == row["code"]),
            f"{row['warnings']:,}",
            f"{row['systems']:,}",
        ]
        for row in by_kind.iter_rows(named=True)
    ]
    heads = ("kind", "values", "systems")
    frame, count = queries.suspicious_values(con, place.suspicion, place.suspicion_page)
    rows = [
        [
            system_link(row["system_id"]) if row["system_id"] else "a whole file",
            cell(row["circuit_id"]),
            cell(row["column"]),
            html.Code(cell(row["value"])) if row["value"] else components.NOTHING,
            sentence(row["sentence"]),
        ]
        for row in frame.iter_rows(named=True)
    ]
    told = "These values could be read, and stay as they are: nothing is repaired. Look at them, and mend the file."
    return section(
        "suspicious", "Suspicious", total,
        html.P(told, className="note"),
        html.Div([html.Span(), exports("warnings")], className="part-head"),
        html.Div(
            listing(heads, kinds, "Suspicious values by kind", heads[1:], blocks=False),
            className="narrow-table",
        ),
        listing(("system", "circuit", "column", "as recorded", "why"), rows, "Suspicious values"),
        pages("suspicion_page", place.suspicion_page, count),
    )  # fmt: skip


def disagreeing(con: Connection) -> Component | None:
    """Facts on which the rows of a file disagree; None where none does."""
    frame, count = queries.conflicts(con)
    if not count:
        return None
    rows = [
        [
            html.Span(cell(row["file_name"]), className="file-name"),
            system_link(row["system_id"]),
            cell(row["circuit_id"]),
            cell(row["column"]),
            html.Ul(
                [
                    html.Li([html.Code(cell(value)), html.Span(f" in {place}", className="quiet")])
                    for value, place in zip(row["values"], components.places_of(row), strict=True)
                ],
                className="side-by-side",
            ),
        ]
        for row in frame.iter_rows(named=True)
    ]
    return section(
        "conflicts", "Rows that disagree", count,
        html.Div(
            [html.P("Both values are kept, and the fact is taken as missing until one of them is mended.",
                    className="note"),
             exports("conflicts")],
            className="part-head",
        ),
        listing(("file", "system", "circuit", "column", "values"), rows, "Facts on which rows disagree"),
        rest(frame, count),
    )  # fmt: skip


def left_out(con: Connection) -> Component | None:
    """Cells that a mapping allows to be missing where they cannot be read; None where there is none."""
    frame, count = queries.left_out(con)
    if not count:
        return None
    rows = [
        [
            html.Span(cell(row["file_name"]), className="file-name"),
            f"{row['row_number']:,}",
            cell(row["column"]),
            html.Code(cell(row["raw"])),
            sentence(row["sentence"]),
        ]
        for row in frame.iter_rows(named=True)
    ]
    return section(
        "left-out", "Left out as missing", count,
        html.P("The mapping says that such a cell counts as missing; its row was accepted.", className="note"),
        listing(("file", "row", "column", "in the file", "why"), rows, "Cells left out", ("row",)),
        rest(frame, count),
    )  # fmt: skip


def missing(con: Connection) -> Component:
    """Which facts would decide most unknown verdicts, and the list to fetch them by."""
    unknown, named = fact_queries.unknown_verdicts(con)
    if not unknown:
        return section("missing", "Missing facts", None, html.P("No verdict is unknown."))
    frame = fact_queries.settling(con)
    rows = [
        [
            dcc.Link(row["label"], href=f"/?fact={quote(row['fact'], safe='')}"),
            f"{row['alone']:,}",
            f"{row['with_others']:,}",
            f"{row['systems']:,}",
            PLACES.get(row["fact"], ("", components.NOTHING))[1],
        ]
        for row in frame.head(FACTS_SHOWN).iter_rows(named=True)
    ]
    heads = ("fact", "settles alone", "with others", "systems", "where it is found")
    more = frame.height - len(rows)
    bare = components.counted(unknown - named, "of them names", "of them name")
    unnamed = f" {bare} no missing fact." if unknown > named else ""
    return section(
        "missing", "Missing facts", None,
        html.P([f"{components.counted(unknown, 'verdict is', 'verdicts are')} unknown.{unnamed} ",
                html.Strong(_first(frame))]),
        html.Div(
            [html.P("The facts to fetch: each with its system and circuit, where it is found, and what it settles.",
                    className="note"),
             exports("facts")],
            className="part-head",
        ),
        listing(heads, rows, "Missing facts", heads[1:4]),
        html.P(f"and {components.counted(more, 'more fact')}", className="note") if more > 0 else None,
    )  # fmt: skip


def _first(frame: pl.DataFrame) -> str:
    """The sentence about the fact that settles most."""
    if not frame.height or not frame["alone"][0]:
        return "No single fact settles a verdict: each waits for more than one."
    row = frame.row(0, named=True)
    return f"{row['label'].capitalize()} would settle {row['alone']:,} of them."


def rest(frame: pl.DataFrame, count: int) -> Component | None:
    """How many more there are than a list shows; None where it shows all."""
    more = count - frame.height
    return html.P(f"and {more:,} more", className="note") if more > 0 else None

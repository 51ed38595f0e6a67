"""The facts of a system with their status, and the records they came from."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.one_system import Case
from auditor.one_system.facts import Fact
from dashboard import components

#: Places and rows named one by one.
NAMED = 8
#: A mark for each status, so that it is not told by style alone.
MARKS = {"given": "", "derived": "∴", "assumed": "≈", "missing": "?"}


def _value(fact: Fact) -> str:
    if fact.value is None:
        return components.NOTHING
    if isinstance(fact.value, int | float):
        return components.number(fact.value, fact.unit)
    return f"{fact.value} {fact.unit}".strip()


def _places(fact: Fact) -> str:
    names = fact.places
    if names == ("system",):
        return ""
    if len(names) > NAMED:
        return f"{', '.join(names[:NAMED])} and {len(names) - NAMED} more"
    return ", ".join(names)


def _source(fact: Fact) -> str:
    """File and rows, or the note that stands in their place."""
    texts = [fact.note] if fact.note else []
    by_file: dict[str, list[int]] = {}
    for origin in fact.origins:
        by_file.setdefault(origin.file, []).extend([origin.row] if origin.row is not None else [])
    for file, stated in by_file.items():
        rows = sorted(set(stated))
        more = f" and {len(rows) - NAMED} more" if len(rows) > NAMED else ""
        listed = ", ".join(map(str, rows[:NAMED]))
        texts.append(f"{file}{', row ' if len(rows) == 1 else ', rows '}{listed}{more}" if rows else file)
    return "; ".join(texts)


def _row(fact: Fact) -> Component:
    status = [html.Span(MARKS[fact.status], className="mark", **{"aria-hidden": "true"}), fact.status]
    return html.Tr(
        [
            html.Td(fact.name), html.Td(_places(fact)), html.Td(_value(fact), className="right fact-value"),
            html.Td(status, className="fact-state"), html.Td(_source(fact), className="quiet"),
        ],
        className=f"fact-row fact-{fact.status}",
    )  # fmt: skip


def section(found: list[Fact]) -> Component:
    """Every fact that a verdict rests on, with its status and its source."""
    counts = {status: sum(f.status == status for f in found) for status in MARKS}
    head = html.Tr(
        [html.Th(h, scope="col", className="right" if h == "value" else "")
         for h in ("fact", "for circuit or run", "value", "status", "from")]
    )  # fmt: skip
    bodies = []
    ordered = sorted(
        found,
        key=lambda f: ("System", "Service drop", "Service entrance", "Feeder", "Circuit", "Home run").index(f.group),
    )
    for group, rows in groupby(ordered, key=lambda f: f.group):
        title = html.Tr(html.Th(group, colSpan=5, scope="rowgroup", className="group-title"))
        bodies.append(html.Tbody([title, *(_row(fact) for fact in rows)]))
    summary = ", ".join(f"{count} {status}" for status, count in counts.items() if count)
    return html.Section(
        [
            html.H2("Facts", id="facts"),
            html.P(
                f"What the verdicts rest on: {summary}. Given: in a file or a spec. Derived: worked out from what is"
                " given. Assumed: the policy's default. Missing: nobody said.",
                className="note",
            ),
            html.Div(
                html.Table([html.Thead(head), *bodies], className="plain facts-of-system"),
                className="table-wide", tabIndex="0", role="region", **{"aria-label": "facts"},
            ),
        ],
        className="system-facts",
    )  # fmt: skip


def _revisions(case: Case) -> pl.DataFrame:
    """The rows in force: which import stated each last, and where."""
    frames = []
    for table, rows in case.origins.items():
        keys = [c for c in rows.columns if c not in ("system_id", "source_row", "import_id")]
        shown = [pl.col(c).cast(pl.String).fill_null("") for c in keys]
        name = pl.concat_str([pl.lit(table), *shown], separator=" ").str.replace_all(r"\s+", " ").str.strip_chars()
        frames.append(rows.select(name.alias("record"), "import_id", "source_row"))
    frame = pl.concat(frames).join(case.imports, on="import_id", how="left", maintain_order="left")
    return frame.select(
        "record", pl.col("import_id").cast(pl.String).alias("import"), pl.col("file_name").alias("file"),
        pl.col("mapping_name").alias("mapping"), pl.col("imported_on").cast(pl.String).alias("imported on"),
        pl.col("source_row").cast(pl.String).alias("row"),
    )  # fmt: skip


def _owner(conflict: dict[str, Any]) -> str:
    """What the fact is of, where it is not the system's own."""
    circuit = conflict.get("circuit_id")
    return f"circuit {circuit}" if circuit else conflict["combiner_id"] or ""


def records(case: Case, conflicts: pl.DataFrame, refused: pl.DataFrame) -> Component:
    """Where the records came from, what disagreed and what was refused."""
    rows = _revisions(case)
    files = rows.group_by("import", "file", "imported on", maintain_order=True).len()
    told: list[Any] = [
        html.Li(
            f"{row['file']}: import {row['import']} on {row['imported on']}, {components.counted(row['len'], 'record')}"
        )
        for row in files.iter_rows(named=True)
    ]
    children: list[Any] = [
        html.H2("Records", id="records"),
        html.P("The latest revision of every record of this system, by import.", className="note"),
        html.Ul(told, className="files"),
        html.Details([html.Summary("every record and its row"), components.table(rows)], className="as-table"),
    ]
    if conflicts.height:
        lines = [
            html.Li(
                f"{row['column']}{' of ' + owner if (owner := _owner(row)) else ''} disagrees in"
                f" {row['file_name']}: "
                + ", ".join(
                    f"{value} in {place}" for value, place in zip(row["values"], components.places_of(row), strict=True)
                )
                + ". It is taken as missing."
            )
            for row in conflicts.iter_rows(named=True)
        ]
        children += [html.H3("Disagreements"), html.Ul(lines)]
    if refused.height:
        lines = [
            html.Li(f"{row['file_name']}, row {row['row_number']}, {row['column'] or 'whole row'}: {row['sentence']}")
            for row in refused.iter_rows(named=True)
        ]
        children += [
            html.H3("Refused rows beside this system's"),
            html.P("They stand among or next to this system's rows and may belong to it.", className="note"),
            html.Ul(lines),
        ]
    if not conflicts.height and not refused.height:
        children.append(html.P("No row was refused among them, and no two rows disagree.", className="note"))
    return html.Section(children, className="records")

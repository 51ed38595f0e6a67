"""The import page's pairs of ids that may be one project, and what a person decides of them.

A decision goes to the file of decisions, as `auditor decide` writes it; records stay, and the next audit follows it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash_mantine_components as dmc
from dash import html
from dash.development.base_component import Component

from auditor.errors import AuditorError
from auditor.store.decisions import Decision, all_decisions, append, in_force
from auditor.store.records_db import Connection
from dashboard.context import Context
from dashboard.pages.imports_lists import cell, exports, listing, rest, section, system_link
from dashboard.pages.imports_upload import button
from dashboard.pages.parts import key, value_of
from dashboard.queries import imports as queries


def duplicates(context: Context, con: Connection) -> Component | None:
    """Ids that may be one project, with the evidence and what was decided; None where there is none."""
    frame, count = queries.duplicates(con)
    if not count:
        return None
    decided = _by_pair(in_force(all_decisions(context.store)))
    rows = [
        [
            html.Span([system_link(row["system_id"]), html.Span(f" {row['site_label'] or ''}", className="quiet")]),
            html.Span([system_link(row["other_id"]), html.Span(f" {row['other_label'] or ''}", className="quiet")]),
            html.Ul([html.Li(cell(text)) for text in row["evidence"] or []], className="side-by-side"),
            _verdict(context, row["system_id"], row["other_id"], decided),
        ]
        for row in frame.iter_rows(named=True)
    ]
    pending = any(frozenset(pair) in decided for pair in frame.select("system_id", "other_id").iter_rows())
    return section(
        "duplicates", "Possibly one project under two ids", count,
        html.P("None is merged unasked: a person decides, and either decision can be taken back. Records stay as they"
               " are; the next audit leaves out the id that is not kept.", className="note"),
        _commands(context) if not context.upload else _fields(),
        html.P(["Decisions count from the next audit on. ", button("audit decisions", "Audit now")])
        if pending and context.upload else None,
        html.Div([html.Span(), exports("duplicates")], className="part-head"),
        listing(("one", "other", "evidence", "decision"), rows, "Possible duplicates"),
        rest(frame, count),
    )  # fmt: skip


def _by_pair(standing: list[Decision]) -> dict[frozenset[str], Decision]:
    """What was decided of two ids, by the two."""
    return {frozenset(d.subject.values()): d for d in standing if d.kind in ("merge", "not-duplicate")}


def _commands(context: Context) -> Component:
    at = f" --store {context.store.root}"
    return html.P(
        ["This dashboard takes no decisions. Decide with the commands ",
         html.Code(f"auditor decide merge KEEP DROP --why TEXT{at}"), " or ",
         html.Code(f"auditor decide not-duplicate A B --why TEXT{at}"), "."],
        className="note",
    )  # fmt: skip


def _fields() -> Component:
    """Who decides, and why: both stand in the record of every decision."""
    return html.Div(
        [
            dmc.TextInput(id={"decide-field": "who"}, label="Who decides", persistence=True, className="decide-who"),
            dmc.TextInput(id={"decide-field": "why"}, label="Why", className="decide-why"),
        ],
        className="question decide",
    )


def _verdict(context: Context, one: str, other: str, decided: Mapping[frozenset[str], Decision]) -> Component:
    found = decided.get(frozenset((one, other)))
    if found is not None:
        told = f"one project: {found.subject['drop']} is left out" if found.kind == "merge" else "two projects"
        back = _button("undo", str(found.id), "", "Take it back") if context.upload else None
        return html.Div([html.Span(cell(f"{told} (by {found.who}: {found.text})")), back], className="buttons")
    if not context.upload:
        return html.Span("open")
    return html.Div(
        [
            _button("merge", one, other, f"Same project, keep {cell(one)}"),
            _button("merge", other, one, f"Same project, keep {cell(other)}"),
            _button("not-duplicate", one, other, "Two projects", f"{one} and {other} are two projects"),
        ],
        className="buttons",
    )


def _button(kind: str, one: str, other: str, words: str, label: str = "") -> Component:
    extra = {"aria-label": label} if label else {}
    return html.Button(
        words, id={"decide": kind, "one": key(one), "other": key(other)}, className="button", **extra
    )  # fmt: skip


def decide(context: Context, pressed: Mapping[str, str], fields: Mapping[str, Any]) -> Decision:
    """Write what a button says; AuditorError where nobody is named, or it makes no sense beside other decisions."""
    if not context.upload:
        raise AuditorError("This dashboard takes no decisions. Use the command line.")
    who, why = (str(fields.get(name) or "").strip() for name in ("who", "why"))
    if not who:
        raise AuditorError("Say who decides: your name stands beside the decision.")
    one, other = (str(value_of("", pressed[name])) for name in ("one", "other"))
    kind = pressed["decide"]
    if kind == "undo" and one.isdecimal():
        return append(context.store, "undo", {}, why, who, undoes=int(one))
    with context.snapshots.cursor() as con:
        if not queries.are_alike(con, one, other):
            raise AuditorError(f"{one} and {other}: the run that is shown holds no such pair. Nothing was decided.")
    if kind == "merge":
        return append(context.store, "merge", {"keep": one, "drop": other}, why, who)
    if kind == "not-duplicate":
        return append(context.store, "not-duplicate", {"a": one, "b": other}, why, who)
    raise AuditorError("There is no such decision.")

"""The page of one system: its answer, findings, path, voltages, what-if, facts and where they came from."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from dash import Dash, dcc, html
from dash.development.base_component import Component

from auditor.one_system import Case, NoSuchSystemError, load
from auditor.one_system.facts import facts
from auditor.one_system.path import path
from auditor.one_system.worked import worked
from auditor.store.records_db import Connection
from dashboard import components
from dashboard.context import Context, Page
from dashboard.filters import parse, query_string
from dashboard.pages import (
    system_facts,
    system_findings,
    system_hours,
    system_path,
    system_profile,
    system_remedies,
    system_trips,
    system_whatif,
)
from dashboard.pages.system_address import choice_of, hours_asked, place
from dashboard.queries import system as queries


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of the system whose id is `rest`."""
    with context.snapshots.cursor() as con:
        try:
            case = load(con, rest)
        except NoSuchSystemError:
            return _nothing(con, rest)
        return _page(context, con, case, search)


def _page(context: Context, con: Connection, case: Case, search: str) -> Component:
    choice, notes = choice_of(case, search)
    at = place(case)
    found, beside = queries.findings(con, case.system_id), queries.refused_beside(con, case.system_id)
    return html.Div(
        [
            _neighbours(con, case.system_id, search),
            html.Div(
                [components.note([html.P(text) for text in notes], "warning")] if notes else [],
                id="system-notes",
            ),
            system_findings.heading(case, found, queries.run_label(con)),
            _contents(),
            system_findings.section(found, worked(case)),
            system_trips.section(
                queries.results(con, case.system_id), queries.run_label(con)[1], hours_asked(search)
            ),
            system_path.section(path(case)),
            system_profile.section(case, choice, at),
            system_remedies.section(context, case, search),
            system_whatif.section(case, choice),
            system_facts.section(facts(case)),
            system_facts.records(case, queries.conflicts(con, case.system_id), beside),
            components.cautions(work=True),
            dcc.Store(id="system-at", data=at),
        ],
        className="system-page",
    )  # fmt: skip


def _contents() -> Component:
    """Links to the page's sections."""
    places = (
        ("findings", "Findings"), ("trips", "Trips"), ("path", "Path"), ("voltage", "Voltage"),
        ("remedies", "Remedies"), ("what-if", "What if"), ("facts", "Facts"), ("records", "Records"),
    )  # fmt: skip
    return html.Nav(
        [html.A(word, href=f"#{place}") for place, word in places],
        className="contents",
        **{"aria-label": "On this page"},
    )


def _neighbours(con: Connection, system_id: str, search: str) -> Component:
    """Back to the list, and the systems before and after this one in it."""
    view, _ = parse(search)
    query = query_string(view)
    before, after = queries.neighbours(con, view, system_id)
    links: list[Any] = [dcc.Link("all systems" if not query else "the list", href=f"/{query}", className="crumb")]
    for word, other in (("‹ previous", before), ("next ›", after)):
        if other is not None:
            there = f"/system/{quote(other, '')}{query}"
            links.append(dcc.Link([word, html.Span(f" {other}", className="crumb-id")], href=there, className="crumb"))
    return html.Nav(links, className="crumbs", **{"aria-label": "Systems"})


def _nothing(con: Connection, wanted: str) -> Component:
    """In place of a system that is not there: near ids, and where to look."""
    near = queries.near_ids(con, wanted)
    items = [html.Li(dcc.Link(other, href=f"/system/{quote(other, '')}")) for other in near]
    return html.Div(
        [
            html.H1("There is no such system"),
            html.P(["No system has the id ", html.B(wanted), " in the audit that is shown."]),
            html.P("Did you mean one of these?") if items else None,
            html.Ul(items, className="near-ids") if items else None,
            html.P(dcc.Link("To the list of all systems", href="/")),
        ],
        className="what-to-do",
    )


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""
    system_hours.register(app, context)
    system_profile.register(app, context)
    system_remedies.register(app, context)
    system_whatif.register(app, context)


PAGE = Page("system", "/system/", "System", layout, register)

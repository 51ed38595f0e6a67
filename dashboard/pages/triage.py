"""The page of complaints: what to do first, why, and what was noted of each."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, quote

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from auditor.errors import AuditorError
from auditor.reports.complaints import Complaint, open_complaints, percent
from auditor.store.decisions import Decision, all_decisions, append
from auditor.store.records_db import Connection
from dashboard import components
from dashboard.context import Context, Page
from dashboard.pages import triage_one

#: Complaints that the list shows; the command line writes them all.
MOST = 200


def layout(context: Context, rest: str, search: str) -> Component:
    """The page; `?complaint=ID` in the address chooses one."""
    return html.Div(
        [
            html.H1("Complaints"),
            html.Div(_body(context, search), id="triage-body", className="triage-body"),
            components.cautions(work=True),
        ],
        className="system-page",
    )


def chosen_in(search: str) -> str:
    """The complaint that an address chooses, "" for none."""
    return parse_qs(search.lstrip("?")).get("complaint", [""])[0]


def address(complaint_id: str) -> str:
    """The address of one complaint."""
    return f"/triage?complaint={quote(complaint_id, '')}"


def _body(context: Context, search: str) -> list[Component]:
    decisions = all_decisions(context.store)
    with context.snapshots.cursor() as con:
        found = open_complaints(con, decisions)
        if not found:
            command = "auditor import complaints.csv --as complaints"
            return [html.P(["No complaint is open. Bring some in: ", html.Code(command)])]
        wanted = chosen_in(search)
        one = next((each for each in found if each.complaint_id == wanted), None)
        missing = [components.note(f"No open complaint has the id {wanted}.", "warning")] if wanted and not one else []
        return [
            html.P(_answer(found), className="headline"),
            *missing,
            _list(found, one),
            *_one(context, con, one, decisions),
        ]


def _answer(found: list[Complaint]) -> str:
    """The page's answer in a sentence."""
    known = [one for one in found if one.told]
    counts = {state: sum(one.state == state for one in known) for state in ("stop", "decided", "cannot tell")}
    unknown = len(found) - len(known)
    return (
        f"{components.counted(len(found), 'open complaint')}: {components.counted(counts['stop'], 'safety call')},"
        f" {counts['decided']} with a cause to act on, {counts['cannot tell']} that a reading would settle"
        + (f", {unknown} about systems without a record." if unknown else ".")
    )


def _list(found: list[Complaint], chosen: Complaint | None) -> Component:
    """The complaints, those to act on first."""
    head = ("complaint", "system", "opened", "status", "answer", "sure", "next step")
    rows = [html.Tr([html.Th(word, scope="col") for word in head])]
    body = [
        html.Tr(
            [
                html.Td(dcc.Link(one.complaint_id, href=address(one.complaint_id), className="file-name")),
                html.Td(dcc.Link(one.system_id, href=f"/system/{quote(one.system_id, '')}", className="file-name")),
                html.Td(f"{one.opened:%Y-%m-%d}"),
                html.Td(one.status),
                html.Td(triage_one.mark(one)),
                html.Td(percent(one.chance) if one.state == "decided" and one.chance is not None else "–"),
                html.Td(one.next_step),
            ],
            className="moved" if one == chosen else "",
            **({"aria-current": "true"} if one == chosen else {}),
        )
        for one in found[:MOST]
    ]  # fmt: skip
    rest = (
        f"The first {MOST} of {len(found):,}; all of them: auditor triage -o complaints.xlsx"
        if len(found) > MOST
        else ""
    )
    table = html.Table([html.Thead(rows), html.Tbody(body)], className="plain complaints")
    scrolls = html.Div(table, className="table-scroll", tabIndex="0", role="region", **{"aria-label": "Complaints"})
    return html.Section([html.H2("What to act on first", id="list"), scrolls, html.P(rest) if rest else None])


def _one(context: Context, con: Connection, one: Complaint | None, decisions: list[Decision]) -> list[Component]:
    return [] if one is None else [triage_one.section(con, one, decisions, context.upload)]


def note(context: Context, complaint_id: str, fields: dict[str, Any]) -> Decision:
    """Write a note and a status; AuditorError where nobody is named, or the complaint is not there."""
    if not context.upload:
        raise AuditorError("This dashboard takes no decisions. Use the command line: auditor decide complaint")
    who, why = (str(fields.get(name) or "").strip() for name in ("who", "why"))
    if not who:
        raise AuditorError("Say who notes it: your name stands beside the note.")
    with context.snapshots.cursor() as con:
        if complaint_id not in {one.complaint_id for one in open_complaints(con, [])}:
            raise AuditorError(f"{complaint_id}: the run that is shown holds no such complaint. Nothing was noted.")
    day = str(fields.get("day") or "").strip()
    subject = {"complaint": complaint_id, "status": str(fields.get("status") or "open"), "day": day}
    return append(context.store, "complaint", subject, why, who)


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks: another complaint is chosen, or a note written, and the page is drawn anew."""

    @app.callback(
        Output("triage-body", "children", allow_duplicate=True),
        Input("url", "search"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    def _follow(search: str | None, path: str | None) -> Any:
        return _body(context, search or "") if path == PAGE.prefix else no_update

    @app.callback(
        Output("triage-body", "children"),
        Input("complaint-note", "n_clicks"),
        State("url", "search"),
        State("complaint-who", "value"),
        State("complaint-why", "value"),
        State("complaint-status", "value"),
        State("complaint-day", "value"),
        prevent_initial_call=True,
    )
    def _note(clicks: int | None, search: str | None, who: Any, why: Any, status: Any, day: Any) -> Any:
        if not clicks:
            return no_update
        note(context, chosen_in(search or ""), {"who": who, "why": why, "status": status, "day": day})
        return _body(context, search or "")


PAGE = Page("triage", "/triage", "Complaints", layout, register, nav="Complaints")

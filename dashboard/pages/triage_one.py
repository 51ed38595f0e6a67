"""One complaint: the answer, the causes with what speaks for and against each, the readings, the sheets, the notes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

import dash_mantine_components as dmc
import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.reports.complaints import BOTH, Complaint, percent
from auditor.store.decisions import COMPLAINT_STATES, Decision, in_force
from auditor.store.records_db import Connection
from dashboard import components, figures_complaints
from dashboard.queries import complaints as queries

#: Shape and tone of each state; words stand beside them.
_MARKS = {"stop": ("fail", "■ "), "decided": ("pass", "● "), "cannot tell": ("unknown", "◇ ")}
LOOKS = 3


def mark(one: Complaint) -> Component:
    """The answer as mark and words."""
    kind, shape = _MARKS[one.state]
    sign = html.Span(shape, className="mark", **{"aria-hidden": "true"})
    return html.Span([sign, one.answer], className=f"verdict verdict-{kind}")


def section(con: Connection, one: Complaint, decisions: Sequence[Decision], takes_notes: bool) -> Component:
    """Everything about one complaint."""
    inside: list[Any] = [
        html.H2(f"Complaint {one.complaint_id}", id="complaint"),
        html.P([mark(one), _sure(one), one.next_step], className="headline"),
        html.P(["The customer says: ", one.text], className="note") if one.text else None,
        *(components.note(alarm["sentence"], "warning") for alarm in one.told.get("alarms", ())),
        html.P(one.told["proof"]["sentence"]) if one.told.get("proof") else None,
        html.P(one.told["counted"], className="note") if one.told.get("counted") else None,
        _causes(one),
        _looks(one),
        *_readings(con, one.system_id),
        _sheets(one) if one.told else None,
        _notes(one, decisions, takes_notes),
    ]
    return html.Section(inside, className="complaint")


def _sure(one: Complaint) -> str:
    """How likely a cause that is named is, between the answer and the next step."""
    return f" ({percent(one.chance)}). " if one.state == "decided" and one.chance is not None else ". "


def _causes(one: Complaint) -> Component | None:
    """The causes, the likeliest first; none beside a call."""
    ranked = one.told.get("ranked", ())
    if not ranked:
        return None
    rows = [
        html.Tr(
            [
                html.Th(each["title"], scope="row"),
                html.Td(percent(each["chance"]), className="right"),
                html.Td(_sentences(each["speaks_for"])),
                html.Td(_sentences(each["speaks_against"])),
            ]
        )
        for each in ranked
    ]
    head = html.Tr([html.Th(word, scope="col") for word in ("cause", "how likely", "for it", "against it")])
    table = html.Table([html.Thead(head), html.Tbody(rows)], className="plain causes")
    assumed = ", ".join(one.told.get("assumed", ()))
    return html.Div(
        [
            html.H3("Why"),
            html.Div(table, className="table-scroll", tabIndex="0", role="region", **{"aria-label": "Causes"}),
            html.P(BOTH, className="note"),
            html.P(f"Assumed: {assumed}.", className="note") if assumed else None,
        ]
    )


def _sentences(sentences: Sequence[str]) -> Component | str:
    return html.Ul([html.Li(text) for text in sentences], className="side-by-side") if sentences else components.NOTHING


def _looks(one: Complaint) -> Component | None:
    looks = one.told.get("looks", ())[:LOOKS]
    if not looks:
        return None
    items = [html.Li(f"{look['sentence']} ({look['bits']:.2f} bits)") for look in looks]
    note = "What each is expected to tell, with a hand-held meter; 1 bit halves what is open."
    title = "What would settle it" if one.state == "cannot tell" else "What would tell more"
    return html.Div([html.H3(title), html.Ol(items), html.P(note, className="note")])


def _readings(con: Connection, system_id: str) -> list[Component]:
    """The readings against the model's limits and computed rise, each with its table."""
    hours = queries.hours(con, system_id)
    if not hours.height:
        return [html.H3("Readings"), html.P("No readings of this system are in the run.")]
    table = hours.select(
        "place", "leg", pl.col("hour").dt.strftime("%Y-%m-%d %H:%M").alias("hour, UTC"),
        pl.col("v_pct").round(2).alias("% of nominal"), pl.col("share").round(3).alias("share of rated output"),
    )  # fmt: skip
    made = [
        components.chart_with_table(
            figures_complaints.week(hours, queries.limits(con, system_id)), table, "Voltages that were read",
            "complaint-week", note="Hourly means of the week around the highest hour.",
            label="Hourly voltages by place under the range and the first threshold",
        )
    ]  # fmt: skip
    pairs, near, computed = queries.apart(con, system_id)
    if pairs.height:
        told = (
            f"computed: {computed:.2f} % at rated current" if computed is not None else "the computed rise is not known"
        )
        made.append(
            components.chart_with_table(
                figures_complaints.rise(pairs, computed), pairs, f"Rise from the {near} to the unit, by current",
                "complaint-rise", note=f"Points above the line rise by more than was computed; {told}.",
                label="The rise that was read against the current, beside the computed line",
            )
        )  # fmt: skip
    return made


def _sheets(one: Complaint) -> Component:
    """Links to the sheets, as PDF and HTML; of a call behind the meter the utility gets none."""
    audiences = (("utility", "Evidence for the utility"), ("crew", "Work sheet for the crew"))
    links = [
        html.A(
            f"{words} ({suffix.upper()})", href=f"/sheet/{audience}.{suffix}?{urlencode({'system': one.system_id})}",
            className="button", download="",
        )
        for audience, words in audiences
        if audience in ("crew", one.reader)
        for suffix in ("pdf", "html")
    ]  # fmt: skip
    return html.Div([html.H3("Sheets"), html.Div(links, className="buttons")])


def _notes(one: Complaint, decisions: Sequence[Decision], takes_notes: bool) -> Component:
    """What was noted, the newest first, and the fields for another note."""
    mine = [d for d in decisions if d.kind == "complaint" and d.subject["complaint"] == one.complaint_id]
    standing = {d.id for d in in_force(list(decisions))}
    rows = [
        {
            "when, UTC": d.at[:16].replace("T", " "), "who": d.who,
            "status": d.subject["status"] + (f" on {d.subject['day']}" if d.subject["day"] else ""),
            "note": d.text + ("" if d.id in standing else " (taken back)"),
        }
        for d in reversed(mine)
    ]  # fmt: skip
    history = components.table(pl.DataFrame(rows)) if rows else html.P("Nothing was noted yet.")
    fields = _fields(one) if takes_notes else html.P("This dashboard takes no notes: auditor decide complaint")
    return html.Div([html.H3("Notes and status"), history, fields])


def _fields(one: Complaint) -> Component:
    return html.Div(
        [
            dmc.TextInput(id="complaint-who", label="Who notes it", persistence=True, className="decide-who"),
            dmc.TextInput(id="complaint-why", label="Note", className="decide-why"),
            dmc.Select(
                id="complaint-status", label="Status", data=list(COMPLAINT_STATES), value=one.status,
                allowDeselect=False, withCheckIcon=False,
            ),
            dmc.TextInput(id="complaint-day", label="Day of the repair", placeholder="2026-01-31"),
            html.Button("Note it", id="complaint-note", className="button", n_clicks=0),
        ],
        className="question decide",
    )  # fmt: skip

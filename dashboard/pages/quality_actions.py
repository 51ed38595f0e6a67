"""The quality page's corrective actions: what is to be put right, how far it is, and the next step.

A step is a decision, as `auditor action` writes it; records stay as they are, and only a later audit verifies one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import dash_mantine_components as dmc
import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from auditor.errors import AuditorError
from auditor.quality import words
from auditor.reports.actions import checks, failing, open_actions, units_of, verdicts
from auditor.store.actions import (
    STEPS,
    VERIFIED,
    Action,
    actions_of,
    ageing,
    history,
    opening_faults,
    steps_from,
    summary,
    table,
)
from auditor.store.decisions import Decision, all_decisions, append, in_force
from auditor.store.records_db import Connection
from dashboard import components
from dashboard.context import Context
from dashboard.pages.imports_lists import system_link
from dashboard.pages.parts import NOT_STATED, key
from dashboard.pages.quality_address import Asked
from dashboard.pages.quality_parts import plain_table

PATH = "/quality"
#: Actions, and failing systems, that are listed; the commands take any.
MOST_ACTIONS, MOST_SYSTEMS = 300, 100
#: The fields of both forms, by what they are called.
OPENING = {"who": "Who opens it", "owner": "Owner", "due": "Due", "why": "What is to be put right"}
STEP = {"who": "Who says so", "why": "Why"}
BUTTONS = {"action-answer": "Answered", "action-accept": "Evidence accepted", "action-reopen": "Reopen"}
UNDO = "undo"
NOBODY = "Say who: the name stands beside the decision."
NO_REASON = "A decision needs its reason, for whoever reads it later."


def section(context: Context, con: Connection, asked: Asked, then: Connection | None, told: str = "") -> Component:
    """The corrective actions of all, or of the unit that is picked; `then` is the run by the specs of design dates."""
    decisions = all_decisions(context.store)
    held = actions_of(in_force(decisions))
    whose = units_of(con, [one.system for one in held], asked.by)
    if asked.unit is not None:
        held = [one for one in held if one.system in whose and (whose[one.system] or "") == asked.unit]
    frame = table(held, datetime.now(UTC).date())
    who = "" if asked.unit is None else f": {asked.unit or NOT_STATED}"
    inside: list[Any] = [
        html.H2(f"Corrective actions{who}", id="actions"),
        html.P([words.READ["actions"], " ", summary(frame)], className="note"),
        components.note(told) if told else None,
    ]
    if held:
        inside += [_aged(frame, asked, whose), _listed(frame, asked, whose)]
    chosen = next((one for one in held if str(one.number) == asked.action), None)
    if asked.action and chosen is None:
        inside.append(components.note(f"There is no action {asked.action} here.", "warning"))
    elif chosen is not None:
        inside.append(_one(context, chosen, decisions, asked))
    return html.Section([*inside, _opening(context, con, asked, then)], className="chart quality-actions")


def _aged(frame: pl.DataFrame, asked: Asked, whose: Mapping[str, str | None]) -> Component:
    """How old actions are and which came back, by state and by unit; units in the order of their names."""
    units = pl.Series(asked.by, [whose.get(system) or NOT_STATED for system in frame["system_id"]], pl.String())
    parts: list[Component] = []
    for by, table_of in (("state", frame), (asked.by, frame.with_columns(units))):
        aged = ageing(table_of, by).with_columns(pl.exclude(by).fill_null(0).cast(pl.Int64))
        parts.append(
            html.Details([html.Summary(f"by {by} and age"), components.table(aged)], className="as-table",
                         open=by == "state" and frame.height > 1)
        )  # fmt: skip
    return html.Div(parts)


def _listed(frame: pl.DataFrame, asked: Asked, whose: Mapping[str, str | None]) -> Component:
    """Each action, those that are not verified first."""
    ordered = frame.sort((pl.col("state") == VERIFIED), "due", "action").head(MOST_ACTIONS)
    rows = [
        html.Tr([
            html.Td(dcc.Link(f"{row['action']}: {row['state']}", href=_address(asked, str(row["action"])),
                             className="pick-chosen" if asked.action == str(row["action"]) else "")),
            html.Td(system_link(row["system_id"])),
            html.Td(whose.get(row["system_id"]) or NOT_STATED), html.Td(row["check"]), html.Td(row["owner"]),
            html.Td(f"{row['due']}{', overdue' if row['overdue'] else ''}",
                    className="verdict-fail" if row["overdue"] else ""),
            html.Td(f"{row['age_days']:,}", className="right"), html.Td(str(row["reopened"]), className="right"),
            html.Td(row["last_step"]),
        ])
        for row in ordered.iter_rows(named=True)
    ]  # fmt: skip
    head = [("action", ""), ("system", ""), (asked.by, ""), ("check", ""), ("owner", ""), ("due", ""),
            ("days old", "right"), ("came back", "right"), ("last step", "")]  # fmt: skip
    more = frame.height - len(rows)
    left = html.P(f"and {more:,} more: auditor action list --all -o actions.xlsx", className="note") if more else None
    return html.Div([plain_table(head, rows, "Corrective actions"), left])


def _address(asked: Asked, action: str) -> str:
    return f"{PATH}{replace(asked, action=action).address}#actions"


def _one(context: Context, action: Action, decisions: Sequence[Decision], asked: Asked) -> Component:
    """One action: its history, and the steps that lead on from where it stands."""
    inside: list[Any] = [
        html.H3(f"Action {action.number}: {action.check} of {action.system}, {action.state}"),
        components.table(history(action.number, decisions).rename({"at": "when, UTC"})),
    ]
    if context.upload:
        last = action.history[-1]
        steps = [_button(kind, BUTTONS[kind]) for kind in steps_from(action.state)]
        # What an audit found is not a person's to take back.
        back = [] if last.subject.get("run") else [_button(UNDO, "Take the last step back")]
        inside += [
            html.Div([_field("step", name, label) for name, label in STEP.items()], className="question decide"),
            html.Div([*steps, *back], className="buttons"),
        ]
    else:
        inside.append(html.P(["Move it on with ", html.Code("auditor action"), "."], className="note"))
    return html.Div([*inside, dcc.Link("Close", href=_address(asked, ""))], className="quality-action")


def _button(step: str, text: str) -> Component:
    return html.Button(text, id={"action-step": step}, className="button", n_clicks=0)


def _field(form: str, name: str, label: str) -> Component:
    """A field whose name stays for the next decision where it says who; what is wrong with it is said under it."""
    return dmc.TextInput(
        id={"action-form": form, "field": name}, label=label, persistence=name == "who",
        placeholder="2026-01-31" if name == "due" else "", className="decide-why" if name == "why" else "decide-who",
    )  # fmt: skip


def _opening(context: Context, con: Connection, asked: Asked, then: Connection | None) -> Component:
    """The systems that fail the check that is compared, each to be chosen, and the fields of an action on them."""
    known = checks(con)
    if asked.outcome not in known:
        return html.P("An action is about one check: compare by one to open actions.", className="note")
    acted = {
        one.system: one for one in actions_of(in_force(all_decisions(context.store))) if one.check == asked.outcome
    }
    frame, count = failing(
        con, asked.outcome, asked.by, asked.unit, asked.region, acted=acted.keys(), most=MOST_SYSTEMS
    )
    whose = "" if asked.unit is None else f" of {asked.unit or NOT_STATED}"
    what = f"“{known[asked.outcome]}” in the run that is shown"
    if not count:
        return html.P(f"Nothing to open: no system{whose} fails {what}.", className="note")
    title = f"Open actions: {components.counted(count, 'system')}{whose} {'fails' if count == 1 else 'fail'} {what}"
    if not context.upload:
        example = f"auditor action open SYSTEM --check {asked.outcome} --owner NAME --due DATE --why TEXT"
        return html.P([f"{title}. To open one: ", html.Code(example)], className="note")
    more = count - frame.height
    rest = f"The first {frame.height:,} of {count:,}; pick a {asked.by} above to come to the others."
    free = any(system not in acted for system in frame["system_id"])
    inside = [
        html.P("An audit in which one passes verifies its action.", className="note"),
        _systems(frame, acted, asked, then, free),
        html.P(rest, className="note") if more else None,
        *(_fields() if free else [html.P("Each of them has its action.", className="note")]),
    ]
    return html.Details([html.Summary(title), html.Div(inside, className="quality-opening")], className="quality-open")


def _fields() -> list[Component]:
    return [
        html.Div([_field("open", name, label) for name, label in OPENING.items()], className="question decide"),
        html.P(id="open-systems", className="verdict-fail", role="alert"),
        html.Button("Open an action on each", id="open-go", className="button", n_clicks=0),
    ]


def _systems(
    frame: pl.DataFrame, acted: Mapping[str, Action], asked: Asked, then: Connection | None, free: bool
) -> Component:
    """Failing systems with a box each, or the action that one has already."""
    before = verdicts(then, asked.outcome, frame["system_id"].to_list()) if then is not None else {}
    rows = [
        html.Tr([
            html.Td(_box(row["system_id"]) if row["system_id"] not in acted else ""),
            html.Td(system_link(row["system_id"])), html.Td(row["value"] or NOT_STATED),
            html.Td(str(row["designed"] or "not stated")),
            *([html.Td(components.verdict_mark(before.get(row["system_id"], "unknown")))] if then is not None else []),
            html.Td(_acted(acted[row["system_id"]], asked) if row["system_id"] in acted else "none"),
        ])
        for row in frame.iter_rows(named=True)
    ]  # fmt: skip
    head = [("choose", ""), ("system", ""), (asked.by, ""), ("designed", "")]
    head += [("by its design date", "")] if then is not None else []
    every = dmc.Checkbox(id="open-every", label="Choose all that are listed", checked=False)
    return html.Div([every if free else None, plain_table([*head, ("action", "")], rows, "Failing systems")])


def _box(system: str) -> Component:
    return dmc.Checkbox(id={"action-system": key(system)}, checked=False, **{"aria-label": f"Choose {system}"})


def _acted(action: Action, asked: Asked) -> Component:
    return dcc.Link(f"{action.number}: {action.state}", href=_address(asked, str(action.number)))


def opening_errors(fields: Mapping[str, Any], systems: Sequence[str], today: date) -> dict[str, str]:
    """What is wrong with the fields of an opening, by field; "systems" where none is chosen."""
    told = opening_faults(str(fields["owner"] or ""), str(fields["due"] or ""))
    if "due" not in told and date.fromisoformat(fields["due"]) < today:
        told["due"] = "That day is past; it would be overdue from the start."
    if not systems:
        told["systems"] = "Choose a system at least."
    return told | step_errors(fields)


def step_errors(fields: Mapping[str, Any]) -> dict[str, str]:
    """What is wrong with who decides and why, by field."""
    told = {"who": NOBODY, "why": NO_REASON}
    return {name: text for name, text in told.items() if not str(fields[name] or "").strip()}


def opened(context: Context, con: Connection, systems: Sequence[str], check: str, fields: Mapping[str, Any]) -> str:
    """Open an action on each of some systems; what was done, in a sentence."""
    _takes_decisions(context)
    words_of = {name: str(fields[name]).strip() for name in OPENING}
    done = open_actions(context.store, con, systems, check, **words_of)
    numbers = ", ".join(str(one.id) for one in done)
    count = components.counted(len(done), "action")
    return f"{count} opened: {numbers}. Owner {words_of['owner']}, due {words_of['due']}."


def stepped(context: Context, action: str, step: str, fields: Mapping[str, Any]) -> str:
    """Move an action on by one step, or take its last step back; what was done, in a sentence."""
    _takes_decisions(context)
    held = {str(one.number): one for one in actions_of(in_force(all_decisions(context.store)))}
    if action not in held:
        raise AuditorError(f"There is no corrective action {action} any more.")
    who, why = (str(fields[name]).strip() for name in ("who", "why"))
    if step == UNDO:
        append(context.store, "undo", {}, why, who, undoes=held[action].history[-1].id)
        return f"The last step of action {action} was taken back."
    subject = {"action": action} | ({"run": ""} if step == "action-reopen" else {})
    append(context.store, step, subject, why, who)
    return f"Action {action} is {STEPS[step][1]}."


def _takes_decisions(context: Context) -> None:
    if not context.upload:
        raise AuditorError("This dashboard takes no decisions. Use the command line: auditor action")

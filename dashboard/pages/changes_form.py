"""The what-if of the page of changes: one figure as it might be, on all systems or a part, kept or discarded."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from auditor import jobs
from auditor.compare.altering import KINDS, POLICY, Figure, Setting, altered, figures, names
from auditor.compare.rules import Rules, rules_of
from auditor.errors import AuditorError
from auditor.store.snapshot import discard_recheck, recheck_numbers
from dashboard import components, what_if
from dashboard.changes_address import Asked
from dashboard.context import Context
from dashboard.filters import parse
from dashboard.pages import running
from dashboard.pages.imports_lists import cell
from dashboard.pages.parts import in_words, key, value_of
from dashboard.queries import changes as queries

WORDS = {"inverter": "inverter", "trunk": "trunk cable", "module": "module", "grid_profile": "grid profile",
         POLICY: "policy"}  # fmt: skip
#: What the form opens with: the figure that an audit rests on most.
FIRST = (POLICY, "rise.target_pct")


def rules(context: Context) -> Rules:
    """The rules of the run that is shown."""
    with context.snapshots.cursor() as con:
        return rules_of(con)


def entries(held: Rules, kind: str) -> list[dict[str, str]]:
    """The entries of a kind as a field offers them."""
    return [{"value": key(name), "label": cell(name)} for name in names(held, kind)]


def offered(held: Rules, kind: str, name: str) -> list[dict[str, str]]:
    """The figures of an entry as a field offers them."""
    return [{"value": key(one.path), "label": f"{one.path}{': ' if one.about else ''}{one.about}"}
            for one in figures(held, kind, name)]  # fmt: skip


def figure_of(held: Rules, kind: str, name: str, path: str) -> Figure | None:
    """One figure of an entry."""
    return next((one for one in figures(held, kind, name) if one.path == path), None)


def now(figure: Figure | None) -> str:
    """What a figure is now, in words."""
    if figure is None:
        return ""
    return f"now {figure.value}" if figure.value is not None else "now none"


def part_of(context: Context, asked: Asked) -> tuple[str, list[str] | None]:
    """The systems that a what-if is for, in words, and their ids; "" and None for all. AuditorError where none is."""
    if not asked.part:
        return "", None
    view, _ = parse(asked.part)
    if not view.filters.any:
        return "", None
    with context.snapshots.cursor() as con:
        ids = queries.systems(con, view.filters)
        words = in_words(con, view)
    if not ids:
        raise AuditorError(f"No system of the run that is shown fits: {words}.")
    return words, ids


def form(context: Context, asked: Asked) -> Component:
    """The fields: what is changed, to what, on which systems."""
    held = rules(context)
    kind, path = FIRST
    kinds = [{"value": one, "label": WORDS[one]} for one in KINDS if names(held, one)]
    name = names(held, kind)[0]
    field = {"allowDeselect": False, "withCheckIcon": False, "searchable": True, "className": "field"}
    return html.Div(
        [
            html.Div(
                [
                    dmc.Select(id="what-kind", label="Of what", data=kinds, value=kind, **field),
                    dmc.Select(id="what-entry", label="Which", data=entries(held, kind), value=key(name), **field),
                    dmc.Select(id="what-figure", label="Which figure", data=offered(held, kind, name), value=key(path),
                               **field),
                    dmc.TextInput(id="what-value", label="What if it were", className="field", debounce=False,
                                  description=now(figure_of(held, kind, name, path)),
                                  inputProps={"maxLength": 60, "autoComplete": "off"},
                                  inputWrapperOrder=["label", "input", "description", "error"]),
                ],
                className="fields what-fields",
            ),
            html.Div(systems(context, asked), id="what-part"),
            html.Div(html.Button("Judge again", id="what-run", className="button button-strong"), className="buttons"),
            html.P("A run of its own beside those that are published: the store's catalog and policy stay as they are.",
                   className="note"),
        ]
    )  # fmt: skip


def systems(context: Context, asked: Asked) -> list[Any]:
    """On which systems a what-if is judged, and how to choose others."""
    choose = dcc.Link("choose a part on the portfolio page", href="/" + asked.part)
    try:
        words, ids = part_of(context, asked)
    except AuditorError as error:
        return [components.note(str(error), "warning"), html.P(choose)]
    if ids is None:
        return [html.P(["On the whole portfolio; ", choose, "."])]
    whole = dcc.Link("take the whole portfolio", href=asked.but(part="").href)
    return [html.P([f"On {components.counted(len(ids), 'system')} ({words}); ", whole, " or ", choose, "."])]


def judge(context: Context, asked: Asked, kind: str, name: str, path: str, value: str) -> None:
    """Start the what-if; AuditorError says what is wrong with the figure or the systems."""
    if not context.upload:
        raise AuditorError("This dashboard starts no commands. Use the command: auditor recheck --set")
    if not value.strip():
        raise AuditorError("Write a figure.")
    setting = Setting(kind, name, path, value.strip())
    held = rules(context)
    other = altered(held, [setting])
    if other == held:
        raise AuditorError("That is what it is now.")
    words, ids = part_of(context, asked)
    what_if.start(context.store, context.snapshots.number(), ["--set", setting.words], setting.words, words, ids)


def by_design_date(context: Context) -> None:
    """Start the re-check by the specs of each design date."""
    if not context.upload:
        raise AuditorError("This dashboard starts no commands. Use the command: auditor recheck --as-of design-date")
    base = context.snapshots.number()
    what_if.start(context.store, base, ["--as-of", "design-date"], "the specs of each design date", then=True)


def status(context: Context, wanted: tuple[int, int] | None) -> tuple[list[Component], list[Any]]:
    """What runs, failed or waits for a decision, and a value that is another whenever it must be drawn anew."""
    last = jobs.latest(context.store)
    if last is not None and last.open:
        stop = _button(f"stop {last.number}", "Stop")
        return [running.progress(last, stop)], ["running", last.number, last.phase, last.done, last.total]
    found: list[Component] = []
    asked = what_if.waiting(context.store)
    job = jobs.read(context.store, asked.job) if asked else None
    run = asked.run(context.store) if asked else None
    if asked is not None and run is not None and run in recheck_numbers(context.store):
        found.append(_decision(asked, run, wanted))
    elif asked is not None and job is not None and job.state in ("failed", "stopped"):
        found.append(components.note([html.P(f"The what-if {asked.words} was not judged."), html.Pre(job.refusal)],
                                     "warning"))  # fmt: skip
    if last is not None and last.state in ("failed", "stopped") and wanted == compared_by(last):
        found.append(components.note([html.Pre(last.refusal), _button("compare", "Compare them again")], "warning"))
    return found, ["still", last and last.number, last and last.state, asked and asked.token, run, list(wanted or ())]


def compared_by(job: jobs.Job) -> tuple[int, int] | None:
    """The runs that a job compares; None where it does something else."""
    return (int(job.args[1]), int(job.args[2])) if job.args[0] == "compare" else None


def pair_of(asked: what_if.WhatIf, run: int) -> tuple[int, int]:
    """The runs to compare after a what-if, the earlier first."""
    return (run, asked.base) if asked.then else (asked.base, run)


def _decision(asked: what_if.WhatIf, run: int, wanted: tuple[int, int] | None) -> Component:
    before, after = pair_of(asked, run)
    part = f", on a part ({asked.part})" if asked.part else ""
    shown = wanted == (before, after)
    see = None if shown else dcc.Link("See what changed", href=Asked(before=before, after=after).href)
    return components.note(
        [
            html.P([f"Run {run} is a what-if: {asked.words}{part}. ", see]),
            html.Div([_button(f"keep {run}", f"Keep run {run}"), _button(f"discard {run}", f"Discard run {run}")],
                     className="buttons"),
        ]
    )  # fmt: skip


def _button(action: str, words: str) -> Component:
    return html.Button(words, id={"changes-do": action}, className="button")


def decide(context: Context, action: str) -> None:
    """Keep or discard the run of a what-if."""
    if not context.upload:
        raise AuditorError("This dashboard removes no runs. Use the command: auditor runs --discard")
    verb, _, number = action.partition(" ")
    asked = what_if.waiting(context.store)
    if verb == "discard" and number.isdecimal():
        discard_recheck(context.store, int(number))
    if asked is not None and str(asked.run(context.store)) == number:
        what_if.settle(context.store, asked)


def value_text(value: str | None) -> str:
    """The text that a field's hexadecimal value stands for."""
    return str(value_of("text", value) or "") if value else ""

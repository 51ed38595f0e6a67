"""The page of changes: two runs compared, with what changed, why, whom to tell, and a what-if."""

from __future__ import annotations

import time
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from auditor import jobs
from auditor.compare.comparison import held as comparison
from auditor.errors import AuditorError
from auditor.reports.cases import sides
from dashboard import components, what_if
from dashboard.changes_address import LEVELS, PATH, Asked, asked_of
from dashboard.context import Context, Page
from dashboard.pages import changes_form as forms
from dashboard.pages import changes_parts as parts
from dashboard.pages.parts import value_of
from dashboard.queries import changes as queries

#: How often a running command is asked how far it is [ms].
POLL_MS = 700
LABEL_CHARACTERS = 110


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of a query string."""
    context.snapshots.number()  # Without a published run there is nothing to change.
    asked, notes = settled(context, search)
    still = not _busy(context)
    drawn, shown = forms.status(context, asked.pair)
    return html.Div(
        [
            components.note([html.P(text) for text in notes], "warning") if notes else None,
            html.Section(_choice(context, asked), id="changes-runs", className="controls"),
            html.Div(drawn, id="changes-status", role="status"),
            html.Div(_body(context, asked), id="changes-body", className="changes-body"),
            html.Section([html.H2("What if"), forms.form(context, asked)], id="what-if", className="what-if")
            if context.upload
            else html.P(["To judge again with another figure: ", html.Code("auditor recheck --set")]),
            components.cautions(),
            dcc.Store(id="changes-drawn", data=shown),
            dcc.Store(id="changes-listed", data=_listed(context, asked)),
            dcc.Store(id="changes-moved"),
            dcc.Store(id="changes-judged"),
            dcc.Interval(id="changes-poll", interval=POLL_MS, disabled=still and not _start(context, asked)),
        ],
        className="changes-page",
    )


def _contents(context: Context) -> Component:
    """Where the parts of the page are; the what-if stands below what may be a long list."""
    places = {"changes-rows": "changes one by one", "changes-told": "whom to tell"}
    places |= {"what-if": "what if a figure were another"} if context.upload else {}
    links = [html.Li(html.A(words, href=f"#{place}")) for place, words in places.items()]
    return html.Nav(html.Ul(links, className="contents"), **{"aria-label": "On this page"})


def settled(context: Context, search: str | None) -> tuple[Asked, list[str]]:
    """What an address asks for, with two runs where it names none: the newest re-check or audit and what it follows."""
    asked, notes = asked_of(search)
    told = list(notes)
    known = {run.number: run for run in queries.runs(context.store)}
    for name in ("before", "after"):
        number = getattr(asked, name)
        if number is not None and number not in known:
            told.append(f"There is no run {number}; it is left out.")
            asked = asked.but(**{name: None})
    if asked.before is not None and asked.before == asked.after:
        told.append("The two runs are the same one; choose another.")
        asked = asked.but(after=None)
    if asked.before is None and asked.after is None:
        asked = asked.but(**_newest(known))
    return asked, told


def _newest(known: dict[int, queries.Run]) -> dict[str, int]:
    for run in sorted(known.values(), key=lambda run: -run.number):
        base = run.base or max((n for n, one in known.items() if n < run.number and not one.base), default=None)
        if base in known:
            return {"before": int(base), "after": run.number}
    return {}


def _busy(context: Context) -> bool:
    """Whether a command runs. Asked before the page is drawn: one that ends in between is then asked for again."""
    last = jobs.latest(context.store)
    return last is not None and last.open


def _listed(context: Context, asked: Asked) -> list[Any]:
    """What the body follows: the address, the runs there are, and whether they are compared."""
    numbers = [run.number for run in queries.runs(context.store)]
    return [asked.but(part="").address, numbers, _is_compared(context, asked)]


def _is_compared(context: Context, asked: Asked) -> bool:
    con = comparison(context.store, *asked.pair) if asked.pair else None
    if con is None:
        return False
    con.close()
    return True


def _choice(context: Context, asked: Asked) -> list[Component | None]:
    """The two runs, and the way to the rules of each design date beside today's."""
    runs = [{"value": str(run.number), "label": _label(run)} for run in reversed(queries.runs(context.store))]
    fields = [
        html.Div(
            components.choice(
                {"changes-pick": name},
                runs,
                str(getattr(asked, name) or "") or None,
                label=label,
                placeholder="choose a run",
                searchable=True,
            ),
            className="field",
        )
        for name, label in (("before", "from run"), ("after", "to run"))
    ]
    return [html.H2("Runs", className="sr"), html.Div(fields, className="fields"), _then(context)]


def _then(context: Context) -> Component | None:
    """The run by the specs of each design date and that by one day's, side by side, or how to come by them."""
    both = sides(context.store, context.snapshots.number())
    words = "By the rules of each design date, and by today's: "
    if both.then is not None and both.now is not None:
        return html.P([words, dcc.Link("side by side", href=Asked(both.then, both.now).href)], className="note")
    if both.then is not None:
        return None  # The run that is shown judges by design dates itself.
    if not context.upload:
        return html.P([words, html.Code("auditor recheck --as-of design-date")], className="note")
    button = html.Button("judge by design dates, too", id={"changes-do": "then"}, className="button")
    return html.P([words, button], className="note")


def _label(run: queries.Run) -> str:
    kind = f"re-check of run {run.base}" if run.base else "published"
    part = f", a part: {run.part}" if run.part else ""
    rules = f", {run.about['other_rules']}" if run.about["other_rules"] else ""
    text = f"run {run.number}, as of {run.about['as_of']}, {kind}{part}{rules}"
    return text if len(text) <= LABEL_CHARACTERS else text[: LABEL_CHARACTERS - 1] + "…"


def _body(context: Context, asked: Asked) -> list[Component | None]:
    if asked.pair is None:
        several = len(queries.runs(context.store)) > 1
        told = "Choose two runs" if several else "There is one run only, so nothing to compare it with"
        return [html.H1(told), html.P("A what-if makes another one, and so does the next audit.")]
    con = comparison(context.store, *asked.pair)
    if con is None:
        before, after = asked.pair
        told = f"Runs {before} and {after} are not compared yet"
        command = f"auditor compare {before} {after} --store {context.store.root}"
        return [html.H1(told), None if context.upload else html.Pre(html.Code(command))]
    with con, context.snapshots.cursor() as shown:
        titles, (told, worse) = queries.titles(shown), queries.notices(con, asked)
        return [
            parts.answer(con, asked, worse),
            _contents(context),
            parts.differs(con),
            parts.filters(con, asked, titles),
            parts.flow(con, asked),
            parts.rows(con, asked, titles),
            parts.notices(told, worse, asked),
        ]


def _start(context: Context, asked: Asked, again: bool = False) -> bool:
    """Start to compare the two runs where that was not done yet, and nothing else runs; whether it was started."""
    if not context.upload or asked.pair is None or _busy(context) or _is_compared(context, asked):
        return False
    last = jobs.latest(context.store)
    if not again and last is not None and last.state != "done" and forms.compared_by(last) == asked.pair:
        return False  # It failed, and says why.
    before, after = map(str, asked.pair)
    args = ["compare", before, after, "--store", str(context.store.root)]
    jobs.start(context.store, args, f"the comparison of runs {before} and {after}")
    return True


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""

    @app.callback(
        output={
            "runs": Output("changes-runs", "children"),
            "status": Output("changes-status", "children"),
            "drawn": Output("changes-drawn", "data"),
            "body": Output("changes-body", "children"),
            "listed": Output("changes-listed", "data"),
            "still": Output("changes-poll", "disabled"),
            "judged": Output("changes-judged", "data"),
        },
        inputs={
            "search": Input("url", "search"),
            "moved": Input("changes-moved", "data"),
            "ticks": Input("changes-poll", "n_intervals"),
        },
        state={
            "path": State("url", "pathname"),
            "drawn": State("changes-drawn", "data"),
            "listed": State("changes-listed", "data"),
        },
        prevent_initial_call=True,
    )
    def _follow(
        search: str | None, moved: Any, ticks: Any, path: str | None, drawn: Any, listed: Any
    ) -> dict[str, Any]:
        """The address changed, something was started, or time has passed: the page follows."""
        stay = dict.fromkeys(("runs", "status", "drawn", "body", "listed", "still", "judged"), no_update)
        return stay if path != PATH else stay | followed(context, search, drawn, listed)

    @app.callback(
        Output("url", "search", allow_duplicate=True), Input("changes-judged", "data"), prevent_initial_call=True
    )
    def _judged(search: str | None) -> Any:
        """A what-if has been judged: the page shows what it changes."""
        return search or no_update

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        Input({"changes-pick": ALL}, "value"), State({"changes-pick": ALL}, "id"), State("url", "search"),
        State("url", "pathname"), State("changes-listed", "data"), prevent_initial_call=True,
    )  # fmt: skip
    def _chosen(values: list[Any], ids: list[Any], search: str | None, path: str | None, listed: Any) -> Any:
        """A run or a filter was chosen: the address follows it, unless the fields still show another one."""
        asked, _ = settled(context, search)
        if path != PATH or not listed or asked.but(part="").address != listed[0]:
            return no_update
        fields = {field["changes-pick"]: value for field, value in zip(ids, values, strict=True)}
        to = chosen(asked, fields)
        return no_update if to == asked else to.address

    _register_what_if(app, context)


def _register_what_if(app: Dash, context: Context) -> None:
    @app.callback(
        Output("what-entry", "data"), Output("what-entry", "value"), Output("what-figure", "data"),
        Output("what-figure", "value"), Output("what-value", "description"),
        Output("what-value", "error", allow_duplicate=True),
        Input("what-kind", "value"), Input("what-entry", "value"), Input("what-figure", "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def _fields(kind: str, entry: str | None, figure: str | None) -> Any:
        """What is chosen in one field decides what the next ones offer."""
        held = forms.rules(context)
        entries = forms.entries(held, kind)
        entry = entry if entry in [one["value"] for one in entries] else entries[0]["value"]
        name = forms.value_text(entry)
        figures = forms.offered(held, kind, name)
        figure = figure if figure in [one["value"] for one in figures] else figures[0]["value"]
        now = forms.now(forms.figure_of(held, kind, name, forms.value_text(figure)))
        return entries, entry, figures, figure, now, ""

    @app.callback(
        Output("what-part", "children"), Input("url", "search"), State("url", "pathname"), prevent_initial_call=True
    )
    def _part(search: str | None, path: str | None) -> Any:
        """The address says on which systems."""
        return no_update if path != PATH else forms.systems(context, asked_of(search)[0])

    @app.callback(
        Output("what-value", "error"), Output("changes-moved", "data"),
        Input("what-run", "n_clicks"), State("what-kind", "value"), State("what-entry", "value"),
        State("what-figure", "value"), State("what-value", "value"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _judge(clicks: Any, kind: str, entry: str, figure: str, value: str | None, search: str | None) -> Any:
        """Judge again; what is wrong with the figure is said at its field."""
        if not clicks:
            return no_update, no_update
        name, path = forms.value_text(entry), forms.value_text(figure)
        try:
            forms.judge(context, asked_of(search)[0], kind, name, path, value or "")
        except AuditorError as error:
            return str(error), no_update
        return "", time.time()

    @app.callback(
        Output("changes-moved", "data", allow_duplicate=True),
        Input({"changes-do": ALL}, "n_clicks"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _do(clicks: list[Any], search: str | None) -> Any:
        """A button beside what runs, or waits for a decision, was pressed."""
        if not any(press["value"] for press in ctx.triggered) or ctx.triggered_id is None:
            return no_update
        done(context, ctx.triggered_id["changes-do"], settled(context, search)[0])
        return time.time()


def done(context: Context, action: str, asked: Asked) -> None:
    """Do what a button says; AuditorError where it cannot be done."""
    verb, _, number = action.partition(" ")
    if verb == "stop" and number.isdecimal() and context.upload:
        jobs.stop(context.store, int(number))
    elif verb == "then":
        forms.by_design_date(context)
    elif verb == "compare":
        _start(context, asked, again=True)
    elif verb in ("keep", "discard"):
        forms.decide(context, action)


def chosen(asked: Asked, fields: dict[str, Any]) -> Asked:
    """The address after a choice; other runs or another level begin without the filters of these."""
    pair = {name: int(fields[name]) for name in ("before", "after") if str(fields.get(name) or "").isdecimal()}
    if any(getattr(asked, name) != number for name, number in pair.items()):
        return Asked(**{"before": asked.before, "after": asked.after} | pair, part=asked.part)
    level = fields.get("level") if fields.get("level") in LEVELS else asked.level
    if level != asked.level:
        return Asked(asked.before, asked.after, level, part=asked.part)
    texts = {name: _text(fields[name]) for name in parts.FILTERS if name != "level" and fields.get(name)}
    changed = {name: value for name, value in texts.items() if value != getattr(asked, name)}
    return asked.but(**changed) if changed else asked


def _text(value: str) -> str | None:
    """A filter's text: None for all, "" for what is not stated."""
    return None if value == "all" else str(value_of("text", value) or "")


def followed(context: Context, search: str | None, drawn: Any, listed: Any) -> dict[str, Any]:
    """What changes on the page; a part that shows what it should is left alone, with what is typed in it."""
    asked, _ = settled(context, search)
    upper, now = forms.status(context, asked.pair)
    if drawn and drawn[0] == "running" and now[0] != "running" and (judged := _arrived(context, search)):
        return {"status": upper, "drawn": now, "judged": judged, "still": False}
    changed: dict[str, Any] = {"still": not _start(context, asked) and now[0] != "running"}
    if now != drawn:
        changed |= {"status": upper, "drawn": now}
    if _listed(context, asked) != listed:
        changed |= {"body": _body(context, asked), "listed": _listed(context, asked), "runs": _choice(context, asked)}
    return changed


def _arrived(context: Context, search: str | None) -> str:
    """The address of the what-if that has just been judged, "" where it is shown already."""
    waiting, (asked, _) = what_if.waiting(context.store), asked_of(search)
    run = waiting.run(context.store) if waiting else None
    if waiting is None or run is None or asked.pair == forms.pair_of(waiting, run):
        return ""
    before, after = forms.pair_of(waiting, run)
    return Asked(before=before, after=after, part=asked.part).address


PAGE = Page("changes", PATH, "Changes", layout, register, nav="Changes")

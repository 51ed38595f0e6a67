"""The quality page: who fails more often than chance and case mix explain, since when, by what, and what is done."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.development.base_component import Component

from auditor.quality import words
from auditor.reports.cases import UNITS, outcomes, regions
from auditor.reports.quality import spelt_alike
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot
from dashboard import components
from dashboard.context import Context, Page
from dashboard.pages import quality_actions as actions
from dashboard.pages import quality_parts as parts
from dashboard.pages import quality_rules as rules
from dashboard.pages import quality_visits as visits
from dashboard.pages.parts import key, value_of
from dashboard.pages.quality_address import Asked, asked_of
from dashboard.queries import quality as queries

LABELS = {
    "by": "compare", "outcome": "by how often they fail", "region": "in", "rules": "judged by",
}  # fmt: skip
ALL_REGIONS = "all regions"
#: How often a running command is asked how far it is [ms].
POLL_MS = 700


def layout(context: Context, rest: str, search: str) -> Component:
    """The page of a query string."""
    with context.snapshots.cursor() as con:
        named, places = outcomes(con), regions(con)
        both = queries.sides_of(queries.run_of(con, context.store))
    asked, _ = asked_of(search, named, places)
    data = {
        "by": [{"value": by, "label": plural} for by, plural in UNITS.items()],
        "outcome": [{"value": name, "label": title} for name, title in named.items()],
        # A value is hexadecimal, since a region is imported text.
        "region": [{"value": key(None), "label": ALL_REGIONS}, *({"value": key(p), "label": p} for p in places)],
    }
    held = {"by": asked.by, "outcome": asked.outcome, "region": key(asked.region or None)}
    choices = {
        name: components.choice(f"quality-{name}", data[name], held[name], searchable=name != "by") for name in data
    } | {"rules": rules.choice(both, asked)}
    fields = [
        html.Div([html.Label(LABELS[name], htmlFor=f"quality-{name}"), chosen], className="field")
        for name, chosen in choices.items()
    ]
    job = rules.running(context)
    return html.Div(
        [
            html.Section(
                [html.H2("Compare", className="sr"), html.Div(fields, className="fields")], className="controls"
            ),
            html.Div(rules.told_of(job, both), id="quality-progress", role="status"),
            html.Div(shown(context, search), id="quality"),
            html.Div(corrective(context, search), id="quality-actions"),
            html.Div(to_visit(context, search), id="quality-sample"),
            dcc.Store(id="quality-shown", data=asked.compared.address),
            rules.poll(POLL_MS, job),
            components.cautions(),
        ],
        className="quality",
    )


def shown(context: Context, search: str | None) -> list[Component | None]:
    """Everything that follows the address, but for the corrective actions."""
    with context.snapshots.cursor() as con:
        asked, notes = asked_of(search, outcomes(con), regions(con))
        run = queries.run_of(con, context.store)
    both = queries.sides_of(run)
    first, second = (None if n is None else queries.run_numbered(context.store, n) for n in rules.chosen(both, asked))
    assert first is not None
    found, about = queries.comparison(first, asked.by, asked.outcome, asked.region), queries.about(first)
    other = None if second is None else queries.comparison(second, asked.by, asked.outcome, asked.region)
    counts = queries.fault_counts(first, asked.by, asked.region)
    return [
        components.note([html.P(text) for text in notes], "warning") if notes else None,
        html.Section(
            [
                html.H1(words.answer(found, UNITS[asked.by])),
                html.P([
                    html.Strong(f"By {rules.name(both, asked)}: "),
                    f"{found.failed:,} of {found.judged:,} fail; {found.unknown:,} more are unknown and do not count. ",
                    html.Span(about.judged_by, className="note"),
                ]),
                rules.beside(other, queries.about(second).judged_by if second else "", asked),
                rules.offer(context, both, about.undated),
                parts.spelt(spelt_alike(found)),
                html.P(words.method(found), className="note"),
            ],
            id="quality-answer", **{"aria-live": "polite"},
        ),
        parts.funnel(found, [key(value) for value in found.units["value"]]),
        parts.units(found, other, asked),
        parts.course(found, asked),
        parts.causes(counts, asked),
        parts.repeats(counts, asked),
        parts.fit(found),
    ]  # fmt: skip


def corrective(context: Context, search: str | None, told: str = "") -> Component:
    """The corrective actions of the store."""
    with context.snapshots.cursor() as con, ExitStack() as stack:
        asked, _ = asked_of(search, outcomes(con), regions(con))
        return actions.section(context, con, asked, _then(context, con, stack), told)


def to_visit(context: Context, search: str | None) -> Component:
    """The field sample of the run that is shown."""
    with context.snapshots.cursor() as con:
        return visits.section(con, asked_of(search, outcomes(con), regions(con))[0])


def _then(context: Context, con: Connection, stack: ExitStack) -> Connection | None:
    """The run by the specs of each design date, open; None where the run that is shown has no such re-check."""
    run = queries.run_of(con, context.store)
    then = queries.sides_of(run).then
    return None if then in (None, run.number) else stack.enter_context(open_snapshot(context.store, then))


def register(app: Dash, context: Context) -> None:
    """Add the page's callbacks."""
    _register_address(app, context)
    _register_rules(app, context)
    _register_visits(app, context)
    _register_opening(app, context)
    _register_steps(app, context)


def _register_address(app: Dash, context: Context) -> None:
    @app.callback(
        output={
            "body": Output("quality", "children"),
            "actions": Output("quality-actions", "children"),
            "sample": Output("quality-sample", "children"),
            "shown": Output("quality-shown", "data"),
            **{name: Output(f"quality-{name}", "value") for name in LABELS},
        },
        inputs={"search": Input("url", "search")},
        state={"path": State("url", "pathname"), "was": State("quality-shown", "data")},
        prevent_initial_call=True,
    )
    def _follow(search: str | None, path: str | None, was: str | None) -> dict[str, Any]:
        """The address changed: everything follows it; what shows it already is left alone."""
        stay = dict.fromkeys(("body", "actions", "sample", "shown", *LABELS), no_update)
        if path != PAGE.prefix:
            return stay
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
            both = queries.sides_of(queries.run_of(con, context.store))
        held = {
            "by": asked.by, "outcome": asked.outcome, "region": key(asked.region or None),
            "rules": rules.side(both, asked), "shown": asked.compared.address,
            "actions": corrective(context, search), "sample": to_visit(context, search),
        }  # fmt: skip
        return stay | held | ({"body": shown(context, search)} if asked.compared.address != was else {})

    @app.callback(
        Output("url", "search", allow_duplicate=True),
        *(Input(f"quality-{name}", "value") for name in LABELS),
        Input("quality-funnel", "clickData"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _chosen(
        by: str | None, outcome: str | None, region: str | None, side: str | None, click: Any, search: str | None
    ) -> Any:
        """A control changed, or a dot was clicked: the address follows it."""
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
            both = queries.sides_of(queries.run_of(con, context.store))
        wanted = asked.rules if side == rules.side(both, asked) else "now" if side == "now" else ""
        return after(asked, by, outcome, region, wanted, click if ctx.triggered_id == "quality-funnel" else None)


def after(asked: Asked, by: str | None, outcome: str | None, region: str | None, side: str, click: Any) -> Any:
    """The address after a choice; who was picked is dropped where others are compared."""
    if click and click["points"][0].get("customdata"):
        now = asked.of(value_of("unit", click["points"][0]["customdata"][0]))  # type: ignore[arg-type]
    else:
        unit = asked.unit if by == asked.by else None
        where = asked.region if region is None else str(value_of("region", region) or "")
        now = replace(asked, by=by or asked.by, outcome=outcome or asked.outcome, region=where, unit=unit, rules=side)
    return no_update if now == asked else now.address


def _register_rules(app: Dash, context: Context) -> None:
    @app.callback(
        Output("quality-progress", "children"), Output("quality-poll", "disabled"),
        Input({"quality-do": ALL}, "n_clicks"), prevent_initial_call=True,
    )  # fmt: skip
    def _recheck(clicks: list[Any]) -> Any:
        """The records are to be judged by the specs of each design date."""
        if not any(press["value"] for press in ctx.triggered) or not context.upload:
            return no_update, no_update
        with context.snapshots.cursor() as con:
            run = queries.run_of(con, context.store).number
        return components.progress(rules.start(context, run)), False

    @app.callback(
        Output("quality-progress", "children", allow_duplicate=True),
        Output("quality-poll", "disabled", allow_duplicate=True), Output("page", "children", allow_duplicate=True),
        Input("quality-poll", "n_intervals"), State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _progress(ticks: int | None, search: str | None) -> tuple[Any, Any, Any]:
        """How far the job is; the page is made anew when it has ended well."""
        job = rules.running(context)
        if job is not None and job.state == "done":
            return no_update, no_update, layout(context, "", search or "")
        return components.progress(job), job is None or not job.open, no_update


def _register_visits(app: Dash, context: Context) -> None:
    @app.callback(
        Output("url", "search", allow_duplicate=True), Output("quality-visits", "error"),
        Output("quality-seed", "error"), Input("quality-visits", "value"), Input("quality-seed", "value"),
        State("url", "search"), prevent_initial_call=True,
    )  # fmt: skip
    def _sample(count: Any, seed: Any, search: str | None) -> tuple[Any, Any, Any]:
        """Another number of visits, or another seed: the address follows."""
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
        now, wrong = visits.asked_of_fields(count, seed, asked)
        if now == asked and not any(wrong.values()):
            return no_update, no_update, no_update
        return no_update if now == asked else now.address, wrong["visits"], wrong["seed"]


def _register_opening(app: Dash, context: Context) -> None:
    opening = list(actions.OPENING)

    @app.callback(
        output={
            "section": Output("quality-actions", "children", allow_duplicate=True),
            "systems": Output("open-systems", "children"),
            **{name: Output({"action-form": "open", "field": name}, "error") for name in opening},
        },
        inputs={"clicks": Input("open-go", "n_clicks")},
        state={
            "fields": {name: State({"action-form": "open", "field": name}, "value") for name in opening},
            "boxes": State({"action-system": ALL}, "checked"),
            "ids": State({"action-system": ALL}, "id"),
            "search": State("url", "search"),
        },
        prevent_initial_call=True,
    )
    def _open(clicks: int | None, fields: dict[str, Any], boxes: list[Any], ids: list[Any], search: str | None) -> Any:
        """Actions are opened on the systems that are chosen, or each field says what is wrong with it."""
        clean: dict[str, Any] = dict.fromkeys(("section", "systems", *opening), no_update)
        if not clicks:
            return clean
        systems = [str(value_of("", one["action-system"])) for one, on in zip(ids, boxes, strict=True) if on]
        wrong = actions.opening_errors(fields, systems, datetime.now(UTC).date())
        if wrong:
            return clean | dict.fromkeys(("systems", *opening), "") | wrong
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
            told = actions.opened(context, con, systems, asked.outcome, fields)
        return clean | {"section": corrective(context, search, told)}

    @app.callback(
        Output({"action-system": ALL}, "checked"), Input("open-every", "checked"),
        State({"action-system": ALL}, "checked"), prevent_initial_call=True,
    )  # fmt: skip
    def _every(on: bool | None, boxes: list[Any]) -> list[bool]:
        """All that are listed, or none."""
        return [bool(on)] * len(boxes)


def _register_steps(app: Dash, context: Context) -> None:
    step = list(actions.STEP)

    @app.callback(
        output={
            "section": Output("quality-actions", "children", allow_duplicate=True),
            **{name: Output({"action-form": "step", "field": name}, "error") for name in step},
        },
        inputs={"clicks": Input({"action-step": ALL}, "n_clicks")},
        state={
            "fields": {name: State({"action-form": "step", "field": name}, "value") for name in step},
            "search": State("url", "search"),
        },
        prevent_initial_call=True,
    )
    def _step(clicks: list[Any], fields: dict[str, Any], search: str | None) -> Any:
        """An action moves on by the step that was pressed, or each field says what is wrong with it."""
        clean: dict[str, Any] = dict.fromkeys(("section", *step), no_update)
        if not any(press["value"] for press in ctx.triggered) or ctx.triggered_id is None:
            return clean
        wrong = actions.step_errors(fields)
        if wrong:
            return clean | dict.fromkeys(step, "") | wrong
        with context.snapshots.cursor() as con:
            asked, _ = asked_of(search, outcomes(con), regions(con))
        told = actions.stepped(context, asked.action, ctx.triggered_id["action-step"], fields)
        return clean | {"section": corrective(context, search, told)}


PAGE = Page("quality", "/quality", "Quality", layout, register, nav="Quality")

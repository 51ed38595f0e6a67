"""By which rules the quality page judges: the specs of each design date where that was done, today's beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from auditor import jobs
from auditor.quality import words
from auditor.quality.compare import Comparison
from auditor.reports.cases import UNITS, Sides
from dashboard import components
from dashboard.context import Context
from dashboard.pages.quality_address import Asked

#: What the job that judges by design dates is called while it runs.
JOB = "judging by the specs of each design date"
#: What each side is called.
THEN, NOW = "the specs of each design date", "today's specs"


def name(both: Sides, asked: Asked) -> str:
    """What the side is called that is shown."""
    return NOW if side(both, asked) == "now" else THEN


def chosen(both: Sides, asked: Asked) -> tuple[int | None, int | None]:
    """The run to compare by and the one to put beside it, None where there is none."""
    return (both.now, both.then) if side(both, asked) == "now" else (both.then, both.now)


def choice(both: Sides, asked: Asked) -> Component:
    """The field that chooses the side; without a second one there is nothing to choose."""
    data = [{"value": "then", "label": THEN}, {"value": "now", "label": NOW}]
    one = both.then is None or both.now is None
    return components.choice("quality-rules", data, side(both, asked), disabled=one)


def side(both: Sides, asked: Asked) -> str:
    """Which side is shown: "then" or "now"."""
    return "now" if both.then is None or (both.now is not None and asked.rules == "now") else "then"


def beside(other: Comparison | None, judged_by: str, asked: Asked) -> Component | None:
    """The answer by the other side's rules, in a paragraph."""
    if other is None:
        return None
    told = (
        f"{other.failed:,} of {other.judged:,} fail, {other.unknown:,} unknown. {words.answer(other, UNITS[other.by])} "
    )
    strong = html.Strong(f"Beside it, by {beside_of(asked)}: ")
    return html.P([strong, told, html.Span(judged_by, className="note")], className="quality-beside")


def beside_of(asked: Asked) -> str:
    """What the side is called that stands beside the one that is shown."""
    return THEN if asked.rules == "now" else NOW


def own_words(unit: Mapping[str, Any], other: Mapping[str | None, Mapping[str, Any]], side: str) -> str:
    """How one unit does by the other side's rules; nothing where that side does not know it."""
    row = other.get(unit["value"])
    if row is None:
        return ""
    told = f"{row['failed']:,} of {row['judged']:,} fail, {row['expected']:.1f} expected: {row['evidence']}"
    changed = f", changed in {row['changed']}" if row["changed"] else ""
    return f"By {side}: {told}{changed}."


def offer(context: Context, both: Sides, undated: int) -> Component | None:
    """What to say where the run was judged by one day's specs alone, with the way to judge by design dates."""
    if both.then is None:
        asks = [
            html.Strong("This page judges by today's specs. "),
            "Past work is judged fairly by the specs of its design date, and nobody has judged this run by those yet. ",
        ]
        if context.upload:
            inside: list[Any] = [*asks, html.Button("Judge it by design dates", id={"quality-do": "recheck"},
                                                    className="button", n_clicks=0)]  # fmt: skip
        else:
            command = f"auditor recheck --as-of design-date --run {both.now} --store {context.store.root}"
            inside = [*asks, "The command: ", html.Code(command)]
        return html.Div(components.note(html.P(inside), "warning"), id="quality-offer")
    told = [
        f"{components.counted(undated, 'system has', 'systems have')} no design date: what rests on specs is unknown"
        " of them by the specs of each design date. " if undated else "",
        "The run itself judges by design dates; there is no run by one day's specs to put beside it."
        if both.now is None else "",
    ]  # fmt: skip
    return html.P(told, className="note") if any(told) else None


def running(context: Context) -> jobs.Job | None:
    """The job that judges by design dates, if that was started last."""
    job = jobs.latest(context.store)
    return job if job is not None and job.note == JOB else None


def told_of(job: jobs.Job | None, both: Sides) -> Component | None:
    """How far the job is, or why it failed where the run was not judged by design dates since."""
    return components.progress(job) if job is not None and (job.open or both.then is None) else None


def start(context: Context, run: int) -> jobs.Job:
    """Judge a run by the specs of each design date, as a job; StoreBusyError where another job runs."""
    command = ["recheck", "--as-of", "design-date", "--run", str(run), "--store", str(context.store.root)]
    return jobs.start(context.store, command, JOB)


def poll(ms: int, job: jobs.Job | None) -> Component:
    """What asks how far the job is, as long as it runs."""
    return dcc.Interval(id="quality-poll", interval=ms, disabled=job is None or not job.open)

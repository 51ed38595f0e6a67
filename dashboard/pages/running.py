"""A command that runs as a job, on the page that started it."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from auditor import jobs
from dashboard.pages.imports_lists import cell


def progress(job: jobs.Job, stop: Component) -> Component:
    """How far a running command is, with a button that stops it."""
    words = job.phase or "Starting"
    known = {"value": str(job.done), "max": str(job.total)} if job.total else {}
    count = f"{job.done:,} of {job.total:,}" if job.total else f"{job.done:,}" if job.done else ""
    return html.Div(
        [
            html.P([html.Strong(cell(job.note[:1].upper() + job.note[1:])), " is running."]),
            html.Progress(**known, **{"aria-label": f"{words} {count}"}),
            html.P([f"{words} ", html.Span(count, className="count")], className="note"),
            html.Div(stop, className="buttons"),
        ],
        className="running",
    )

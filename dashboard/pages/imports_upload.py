"""The import page's upper part: a file is brought in, looked at, and imported; what runs shows how far it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html
from dash.development.base_component import Component

from auditor import jobs
from dashboard import components, incoming
from dashboard.context import Context
from dashboard.incoming import Upload
from dashboard.pages import running
from dashboard.pages.imports_lists import cell, listing, sentence
from dashboard.pages.imports_mapping import editor, proposal

#: Rejects and disagreements that a preview shows one by one.
SHOWN = 10
MOST_NAMES = 14


def button(action: str, words: str, strong: bool = False, **more: Any) -> Component:
    """A button that starts something."""
    return html.Button(
        words, id={"import-do": action}, className="button button-strong" if strong else "button", **more
    )


def panel(context: Context, sha256: str) -> tuple[Component, Any]:
    """What the upper part shows, and a value that is another whenever it must be drawn anew."""
    if not context.upload:
        return _closed_off(context), "off"
    upload = incoming.load(context.store, sha256) if sha256 else None
    last = jobs.latest(context.store)
    if upload is None:
        gone = "That upload is not here any more: it was imported, discarded or too old." if sha256 else ""
        busy = last if last is not None and last.open else None
        waiting = incoming.waiting(context.store)
        behind = 0 if busy else context.snapshots.behind()
        drawn = [gone, [u.sha256 for u in waiting], busy and (busy.number, busy.phase, busy.done), behind]
        return _choose(gone, waiting, busy, behind), drawn
    job = incoming.job_of(context.store, upload)
    drawn = [sha256, upload.last, job and (job.number, job.state, job.phase, job.done, job.total), upload.mapping]
    return html.Div([_head(upload), *_step(context, upload, job)], className="waiting-file"), drawn


def _closed_off(context: Context) -> Component:
    return html.Div(
        [
            html.P("This dashboard takes no files. Import them with the command:"),
            html.Pre(html.Code(f"auditor import FILE --store {context.store.root}")),
        ],
        className="bring-in",
    )


def _choose(told: str, waiting: Sequence[Upload], busy: jobs.Job | None, behind: int) -> Component:
    most = f"{incoming.UPLOAD_BYTES / 1e9:g} GB"
    lines = [
        html.Li(
            [
                dcc.Link(u.name, href=f"/import?upload={u.sha256}", className="file-name"),
                html.Span(f" {size(u.size)}", className="quiet"),
            ]
        )
        for u in waiting
    ]
    return html.Div(
        [
            components.note(told, "warning") if told else None,
            _progress(busy) if busy else None,
            html.P(
                [
                    f"{components.counted(behind, 'import is', 'imports are')} not audited yet. ",
                    button("audit", "Audit now"),
                ]
            )
            if behind
            else None,
            html.Div(
                [
                    html.P("Drop a file here, or choose one. You see what would become of it before anything is kept."),
                    html.Button("Choose a file…", id="upload-choose", className="button button-strong"),
                    html.P(f"CSV, XLSX, JSON, JSON Lines or Parquet, {most} at most.", className="note"),
                    html.Div(id="upload-progress", role="status", className="upload-progress"),
                ],
                className="drop-zone",
            ),
            html.Div([html.H3("Waiting to be imported"), html.Ul(lines)], className="waiting") if lines else None,
        ],
        className="bring-in",
    )


def _head(upload: Upload) -> Component:
    return html.Div(
        [
            html.H2(["Bring in ", html.Span(upload.name, className="file-name"),
                     html.Span(f" {size(upload.size)}", className="quiet")]),
            dcc.Link("another file", href="/import"),
        ],
        className="part-head",
    )  # fmt: skip


def _step(context: Context, upload: Upload, job: jobs.Job | None) -> list[Component | None]:
    """What comes next for a file, by the last command that ran on it."""
    if job is None:
        return [
            html.P("The file is here and was not looked at yet."),
            _buttons(button("preview", "Look at it", strong=True), button("discard", "Discard the file")),
        ]
    if job.open:
        return [_progress(job)]
    if upload.last == "import" and job.state == "done":
        return _imported(context, upload)
    if upload.last == "map" and job.state == "done":
        return [*proposal(context, upload), _buttons(button("discard", "Discard the file"))]
    if upload.last == "preview" and job.state == "done":
        return _previewed(context, upload)
    return _refused(context, upload, job)


def _progress(job: jobs.Job) -> Component:
    return running.progress(job, html.Button("Stop", id={"import-do": f"stop {job.number}"}, className="button"))


def _refused(context: Context, upload: Upload, job: jobs.Job) -> list[Component | None]:
    text = incoming.refusal(context.store, upload, job)
    sheets = incoming.told(context.store, upload, "proposal.json").get("sheets", []) if upload.last == "map" else []
    map_it = upload.suffix in incoming.MAPPABLE
    return [
        components.note(html.Pre(text), "warning"),
        _buttons(
            button("preview", "Look at it again", strong=not sheets),
            button("older", "Take the older values") if "--older" in text else None,
            button("propose", "Propose a mapping") if map_it and not sheets else None,
            button("discard", "Discard the file"),
        ),
        *(proposal(context, upload) if sheets else []),
        editor(context, upload) if map_it or upload.mapping else None,
    ]


def _previewed(context: Context, upload: Upload) -> list[Component | None]:
    found = incoming.found(context.store, upload, "preview.json")
    if not found:
        return [components.note("The preview left nothing to show. Look at it again.", "warning"),
                _buttons(button("preview", "Look at it again", strong=True))]  # fmt: skip
    nothing, map_it = found["accepted"] == 0, upload.suffix in incoming.MAPPABLE and bool(found["unmapped"])
    return [
        _counts(found, "would be "),
        _seen(found),
        _buttons(
            button("commit", "Import" if not nothing else "Import all the same", strong=not nothing),
            button("propose", "Propose a mapping") if map_it else None,
            button("discard", "Discard the file"),
        ),
        _replace(upload, found),
        *_details(found),
        editor(context, upload),
    ]


def _replace(upload: Upload, found: dict[str, Any]) -> Component | None:
    """Whether circuits that the file does not list are gone: another import, so it is looked at anew."""
    if not found["systems"] or found["mends"]:
        return None
    gone = upload.replace_circuits
    told = (
        f"Circuits of its systems that the file does not list {'are taken as gone' if gone else 'stay as they are'}. "
    )
    return html.P([told, button("keep" if gone else "replace", "Keep them" if gone else "Take them as gone")])


def _seen(found: dict[str, Any]) -> Component | None:
    if not found["seen_in"]:
        return None
    again = "what later imports changed would be as in it again" if found["accepted"] else "nothing has changed since"
    return components.note(f"This very file is import {found['seen_in']}: {again}.")


def _counts(found: dict[str, Any], would: str) -> Component:
    """Rows in, and what becomes of them."""
    parts = [
        ("rows in", found["rows_in"], ""),
        ("accepted", found["accepted"], "pass"),
        ("rejected", found["rejected"], "fail" if found["rejected"] > found.get("totals", 0) else ""),
        ("repeated, or held already", found["duplicate"], ""),
    ]
    figures = [
        html.Div([html.Dd(f"{count:,}", className=f"verdict-{kind}" if kind else ""), html.Dt(word)])
        for word, count, kind in parts
    ]
    held = f"{components.counted(found['systems'], 'system')} and {components.counted(found['circuits'], 'circuit')}"
    revised = f"{components.counted(found['replaced'], 'circuit')} {would}revised" if found["replaced"] else ""
    return html.Div(
        [html.Dl(figures, className="counts"), html.P(f"{held} in the file{'; ' if revised else ''}{revised}.")]
    )


def _details(found: dict[str, Any]) -> list[Component | None]:
    unmapped, lacking = found["unmapped"], found["lacking"]
    mapped = f"Read by the mapping {found['mapping']}." if found["mapping"] else ""
    one, many = "circuit stands in for a refused row", "circuits stand in for refused rows"
    places = components.counted(found["places"], one, many)
    lines = [
        mapped,
        f"{places}: unknown until mended." if found["places"] else "",
        _settled(found["closed"]) if found["closed"] else "",
        f"It would return {found['taken_back']}." if found.get("taken_back") else "",
        _totals(found.get("totals", 0)) if found.get("totals", 0) else "",
        f"Columns that nothing reads: {_names(unmapped)}." if unmapped else "",
        *found["notes"],
        f"The file does not state: {_names([name.replace('_', ' ') for name in lacking])}. Verdicts that need them are"
        " unknown or assumed." if lacking else "",
    ]  # fmt: skip
    shown = [html.Li(sentence(line)) for line in lines if line]
    return [
        html.Ul(shown, className="remarks") if shown else None,
        _rejects(found),
        _conflicts(found),
        _revisions(found),
    ]


def _settled(closed: int) -> str:
    return f"{components.counted(closed, 'reject of earlier imports closes', 'rejects of earlier imports close')}."


def _totals(totals: int) -> str:
    sums = components.counted(totals, "rejected row sums", "rejected rows sum")
    return f"{sums} up other rows: no record, and nothing to mend."


def _rejects(found: dict[str, Any]) -> Component | None:
    if not found["reject_count"]:
        return None
    several = any(row["sheet"] for row in found["rejects"])
    rows = [
        [
            *([cell(row["sheet"])] * several),
            f"{row['row_number']:,}",
            cell(row["column"] or "whole row"),
            html.Code(cell(row["raw"])) if row["raw"] else components.NOTHING,
            sentence(row["sentence"]),
        ]
        for row in found["rejects"][:SHOWN]
    ]
    kinds = [f"{kind['count']:,} {kind['column']}: {kind['code'].replace('-', ' ')}" for kind in found["reject_kinds"]]
    more = found["reject_count"] - len(rows)
    heads = [*(["sheet"] * several), "row", "column", "in the file", "why"]
    return html.Div(
        [
            html.H3(f"Rejected: {found['reject_count']:,}"),
            html.P("; ".join(map(cell, kinds[:MOST_NAMES])) + ".", className="note") if more > 0 else None,
            listing(heads, rows, "Rows that would be rejected", ("row",)),
            html.P(f"and {more:,} more", className="note") if more > 0 else None,
        ]
    )


def _conflicts(found: dict[str, Any]) -> Component | None:
    if not found["conflict_count"]:
        return None
    rows = [
        [
            cell(row["system_id"]),
            cell(row["column"]),
            "; ".join(
                f"{cell(value)} in {place}"
                for value, place in zip(row["values"], components.places_of(row), strict=True)
            ),
        ]
        for row in found["conflicts"][:SHOWN]
    ]
    more = found["conflict_count"] - len(rows)
    return html.Div(
        [
            html.H3(f"Rows that disagree: {found['conflict_count']:,}"),
            html.P("The fact is then taken as missing.", className="note"),
            listing(("system", "column", "values"), rows, "Facts on which rows disagree"),
            html.P(f"and {more:,} more", className="note") if more > 0 else None,
        ]
    )


def _revisions(found: dict[str, Any]) -> Component | None:
    """What earlier imports stated otherwise."""
    count = found.get("revision_count", 0)
    if not count:
        return None
    rows = [
        [
            cell(row["system_id"]),
            cell(row["circuit_id"] or None),
            cell(row["column"]),
            f"{cell(row['was'])} in row {row['was_row']:,} of {cell(row['was_file'])} (import {row['was_import']})",
            f"{cell(row['now'])} in row {row['now_row']:,}",
        ]
        for row in found["revisions"][:SHOWN]
    ]
    more = count - len(rows)
    heads = ("system", "circuit", "column", "held", "this file")
    return html.Div(
        [
            html.H3(f"Otherwise than earlier imports: {count:,}"),
            html.P("What this file says then counts.", className="note"),
            listing(heads, rows, "Facts that earlier imports state otherwise"),
            html.P(f"and {more:,} more", className="note") if more > 0 else None,
        ]
    )


def _imported(context: Context, upload: Upload) -> list[Component | None]:
    found = incoming.found(context.store, upload, "outcome.json")
    if not found:
        return [html.P("The import has ended.")]
    again = f"Already imported as import {found['seen_in']}: nothing has changed."
    return [
        components.note(f"Imported as import {found['import_id']}, and audited." if found["import_id"] else again),
        _counts(found, ""),
        html.P(dcc.Link("To the portfolio", href="/")),
    ]


def _buttons(*buttons: Component | None) -> Component:
    return html.Div([b for b in buttons if b is not None], className="buttons")


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(map(cell, names[:MOST_NAMES])) + more


def size(count: int) -> str:
    """A file's size as people read it."""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= scale:
            return f"{count / scale:.1f}\u202f{unit}"
    return f"{count}\u202fbytes"

"""The import page's mapping: what is proposed for each column, how sure it is, and its text to mend."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import html
from dash.development.base_component import Component

from dashboard import components, incoming
from dashboard.context import Context
from dashboard.incoming import Upload
from dashboard.pages.imports_lists import cell, listing

#: A mark beside the word, so that sureness is told without colour.
SURENESS = {"sure": "●", "likely": "◐", "unsure": "○"}
LENGTHS = ("one-way", "round-trip")
MOST_MISSING = 12


def proposal(context: Context, upload: Upload) -> list[Component | None]:
    """The proposal, what a person must say, and the text to mend."""
    told = incoming.told(context.store, upload, "proposal.json")
    if not told.get("columns"):
        return [_sheets(told, upload)]
    mapped = [c for c in told["columns"] if c["canonical"]]
    left = [c for c in told["columns"] if not c["canonical"] and c["header"].strip()]
    rows = [
        [
            html.Code(cell(c["header"])),
            html.Span([c["canonical"], html.Span(_how(c), className="quiet")]),
            html.Span([html.Span(SURENESS[c["sureness"]], className="mark", **{"aria-hidden": "true"}), c["sureness"]],
                      className=f"sureness sureness-{c['sureness']}"),
            cell("; ".join(c["reasons"])),
            html.Code(cell(", ".join(c["cells"][:3]))),
        ]
        for level in SURENESS for c in mapped if c["sureness"] == level
    ]  # fmt: skip
    return [
        html.P(
            "The columns have names of their own. This is what they seem to be; look at each line, mend what is"
            " wrong in the text below, and read the file by it."
        ),
        *_questions(told, upload),
        listing(("column in the file", "read as", "how sure", "why", "cells"), rows, "Proposed columns"),
        html.P(["Left alone: ", ", ".join(cell(c["header"]) for c in left), "."], className="note") if left else None,
        editor(context, upload, open_now=True),
    ]


def _how(column: dict[str, Any]) -> str:
    said = [column["unit"], column["lengths"] if column["lengths"] == "round-trip" else None]
    said += [f"{code} = {value}" for code, value in list(column["values"].items())[:4]]
    return f" ({cell(', '.join(text for text in said if text))})" if any(said) else ""


def _questions(told: dict[str, Any], upload: Upload) -> list[Component | None]:
    """What the file does not say, and a person must."""
    parts: list[Component | None] = []
    if told["keys_lacking"]:
        lacking = " or ".join(told["keys_lacking"])
        parts.append(components.note(f"No column gives {lacking}, which every row needs: name it below.", "warning"))
    if told["lengths_unsaid"] or upload.lengths:
        parts.append(_field("lengths", "Lengths in the file are", LENGTHS, upload.lengths))
    if len(told.get("sheets", [])) > 1:
        parts.append(_field("sheet", "Sheet", told["sheets"], told.get("sheet") or upload.sheet))
    if told["date_reason"] and not told["date_order"]:
        parts.append(components.note(f"Dates: {told['date_reason']}. Write date_order below.", "warning"))
    if told["facts_lacking"]:
        names = [name.replace("_", " ") for name in told["facts_lacking"]]
        more = f" and {len(names) - MOST_MISSING} more" if len(names) > MOST_MISSING else ""
        parts.append(html.P(f"No column gives {', '.join(names[:MOST_MISSING])}{more}.", className="note"))
    return parts


def _sheets(told: dict[str, Any], upload: Upload) -> Component:
    """Which sheet of a workbook is meant."""
    return html.Div(_field("sheet", "Which sheet holds the circuits?", told.get("sheets", []), upload.sheet))


def _field(name: str, label: str, options: Any, value: str) -> Component:
    choice = components.choice(
        {"import-field": name}, list(options), value or None, className="narrow", placeholder="choose",
        **{"aria-label": label},
    )  # fmt: skip
    again = html.Button("Propose again", id={"import-do": f"propose {name}"}, className="button")
    return html.Div([html.Span(label), choice, again], className="question")


def editor(context: Context, upload: Upload, open_now: bool = False) -> Component:
    """The mapping's text, to be mended, saved as a file or brought from one."""
    own = incoming.path_of(context.store, upload, "mapping.toml")
    proposed = incoming.path_of(context.store, upload, "proposed.toml")
    name = "mapping" if upload.mapping else "proposed" if proposed.exists() else ""
    text = (own if upload.mapping else proposed).read_text("utf-8", "replace") if name else ""
    save = html.A("Save as a file", href=f"/upload/{upload.sha256}/{name}.toml", className="button", download="")
    return html.Details(
        [
            html.Summary("Mapping"),
            dmc.Textarea(
                id={"import-field": "mapping"}, label="How the file's columns map (TOML)", value=text,
                className="mapping-text", autosize=True, minRows=8, maxRows=26,
            ),
            html.Div(
                [
                    html.Button(
                        "Look at the file by this mapping", id={"import-do": "use-mapping"},
                        className="button button-strong" if open_now else "button",
                    ),
                    html.Button("Read it from a file…", id="mapping-choose", className="button"),
                    save if name else None,
                ],
                className="buttons",
            ),
        ],
        className="as-table mapping",
        open=open_now or bool(upload.mapping),
    )  # fmt: skip

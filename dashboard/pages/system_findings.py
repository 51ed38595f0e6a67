"""The system page's heading with its answer, and the findings with their workings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.checks.base import VERDICTS
from auditor.one_system import Case
from auditor.one_system.order import natural
from auditor.one_system.sums import Worked
from dashboard import components

Finding = dict[str, Any]
Workings = Mapping[tuple[str, str | None], Worked]

#: What a finding's severity is called where it leads the answer.
SEVERITY = {"safety": "safety", "performance": "performance", "advice": "advice"}
#: Circuits named one by one in a sentence.
NAMED = 6


def _listed(circuits: Sequence[str | None]) -> str:
    """Circuits as a phrase: "on circuits 1, 2 and 5"."""
    names = [c for c in circuits if c is not None]
    if not names:
        return ""
    if len(names) > NAMED:
        return f" on {len(names)} circuits"
    head = ", ".join(names[:-1])
    return f" on circuit {names[0]}" if len(names) == 1 else f" on circuits {head} and {names[-1]}"


def _by_check(found: pl.DataFrame) -> list[list[Finding]]:
    """The findings of each check, the checks in the order of their worst finding."""
    groups: dict[str, list[Finding]] = {}
    for row in found.iter_rows(named=True):
        groups.setdefault(row["check"], []).append(row)
    for group in groups.values():
        group.sort(key=lambda row: (VERDICTS.index(row["verdict"]), natural(row["circuit_id"])))
    return list(groups.values())


def answer(found: pl.DataFrame) -> list[tuple[str, str]]:
    """The answer as (verdict, sentence) lines: safety faults first, then the others, then what is not known."""
    lines = []
    groups = _by_check(found)
    for severity in SEVERITY:
        failing = [[f for f in group if f["verdict"] == "fail"] for group in groups if group[0]["severity"] == severity]
        phrases = [
            f"{group[0]['title'].lower()}{_listed([f['circuit_id'] for f in group])}" for group in failing if group
        ]
        if phrases:
            kind = {"safety": "Suspected safety fault", "performance": "Performance", "advice": "Advice"}[severity]
            kind += "s" if severity == "safety" and len(phrases) > 1 else ""
            lines.append(("fail", f"{kind}: {'; '.join(phrases)}."))
    open_ = found.filter(pl.col("verdict") == "unknown")
    if open_.height:
        missing = [name for text in open_["missing"] for name in (text or "").split(", ") if name]
        wanted = sorted(set(missing), key=lambda name: (-missing.count(name), name))[:4]
        verdicts = components.counted(open_.height, "verdict")
        lines.append(("unknown", f"{verdicts} not known, mostly for want of: {', '.join(wanted) or 'a fact'}."))
    if not lines:
        lines.append(("pass", "Passes every check that applies, as far as its records go."))
    return lines


def heading(case: Case, found: pl.DataFrame, run: tuple[int, str]) -> Component:
    """Id, label, verdict and the answer."""
    system = case.records.system.row(0, named=True)
    result = case.results.system.row(0, named=True)
    about = [
        ("region", system["region"]), ("utility", system["utility"]), ("service", system["service"]),
        ("grid profile", system["grid_profile"]), ("designer", system["designer"]), ("office", system["office"]),
        ("crew", system["crew"]), ("designed", system["design_date"]), ("permitted", system["permit_date"]),
        ("energized", system["energized_date"]),
        ("circuits", result["circuits"]), ("inverters", result["units"] or None),
    ]  # fmt: skip
    terms = [
        html.Div([html.Dt(label), html.Dd(str(value))]) for label, value in about if value is not None and str(value)
    ]
    label = system["site_label"]
    return html.Header(
        [
            html.Div(
                [
                    html.H1([html.Span("System ", className="quiet"), html.Span(case.system_id)]),
                    html.Span(label, className="site-label") if label else None,
                    components.verdict_mark(str(result["verdict"])),
                ],
                className="system-title",
            ),
            html.Ul(
                [html.Li([components.verdict_mark(verdict, ""), html.Span(text)]) for verdict, text in answer(found)],
                className="system-answer",
            ),
            html.Dl(terms, className="about"),
            html.P(f"Run {run[0]}, as of {run[1]}. A recomputed record, not an inspection.", className="note"),
        ],
        className="system-heading",
    )


def _margin(row: Finding) -> str:
    """The distance to the limit in percent of it; below zero where the check fails, whichever side that is."""
    value = row["margin_pct"]
    if value is None:
        return components.NOTHING
    value = -abs(value) if row["verdict"] == "fail" else value
    return f"{value:+.0f}\u202f%".replace("-", "−")


def _source(row: Finding) -> Any:
    if not row["source_file"]:
        return components.NOTHING
    place = f", row {row['source_row']}" if row["source_row"] is not None else ""
    return html.A(f"{row['source_file']}{place}", href="#records")


def _numbers(row: Finding) -> list[Component]:
    unit = row["unit"]
    return [
        html.Span(components.number(row["value"], unit), className="right", **{"data-head": "value"}),
        html.Span(components.number(row["limit"], unit), className="right", **{"data-head": "limit"}),
        html.Span(_margin(row), className="right", **{"data-head": "margin"}),
    ]


def _finding(row: Finding, done: Worked | None, shown: bool) -> Component:
    """One circuit's finding (or the system's own): its figures in a line, its working and source behind it."""
    where = f"circuit {row['circuit_id']}" if row["circuit_id"] is not None else "system"
    summary = html.Summary(
        [components.verdict_mark(row["verdict"]), html.Span(where), *_numbers(row), html.Span(row["confidence"] or "")],
        className="finding-line",
    )
    lines = [html.Li(line) for line in done.lines] if done else []
    inside = [
        html.P(row["sentence"]) if row["sentence"] else None,
        html.Ol(lines, className="working"),
        html.P(["Recorded in ", _source(row)], className="note"),
    ]
    kind = f"finding finding-{components.CLASSES[row['verdict']]}"
    return html.Details([summary, html.Div(inside, className="finding-inside")], className=kind, open=shown)


def _circuits_of(group: list[Finding]) -> str:
    """Which circuits have the worst verdict, in few words."""
    if group[0]["circuit_id"] is None:
        return ""
    worst = [f["circuit_id"] for f in group if f["verdict"] == group[0]["verdict"]]
    if len(worst) == len(group):
        return "all circuits" if len(group) > 1 else f"circuit {worst[0]}"
    return _listed(worst).removeprefix(" on ")


def _worst(group: list[Finding]) -> Finding:
    """The finding with the worst verdict and the smallest margin."""
    same = [f for f in group if f["verdict"] == group[0]["verdict"]]
    return min(same, key=lambda f: f["margin_pct"] if f["margin_pct"] is not None else float("inf"))


def _check(group: list[Finding], workings: Workings, first: bool) -> Component:
    worst = _worst(group)
    summary = html.Summary(
        [
            components.verdict_mark(worst["verdict"]),
            html.Span([html.B(worst["title"]), html.Span(_circuits_of(group), className="quiet circuits-of")]),
            *_numbers(worst),
            html.Span(worst["confidence"] or "", **{"data-head": "confidence"}),
        ],
        className="finding-line check-line",
    )
    documentation = html.Details(
        [html.Summary("What this check asks, its formula and its source"), html.Pre(worst["documentation"])],
        className="documentation",
    )
    inside = [_finding(row, workings.get((row["check"], row["circuit_id"])), row is worst) for row in group]
    return html.Details(
        [summary, html.Div([*inside, documentation], className="check-inside")],
        className=f"check check-{components.CLASSES[worst['verdict']]}",
        open=first,
    )


def section(found: pl.DataFrame, workings: Workings) -> Component:
    """The findings, check by check, the worst first."""
    groups = _by_check(found)
    head = html.Div(
        [html.Span(h, className="right" if h in ("value", "limit", "margin") else "")
         for h in ("verdict", "check", "value", "limit", "margin", "confidence")],
        className="finding-line finding-head", **{"aria-hidden": "true"},
    )  # fmt: skip
    applied = [g for g in groups if g[0]["verdict"] != "not applicable"]
    others = [g for g in groups if g[0]["verdict"] == "not applicable"]
    quiet = html.Details(
        [
            html.Summary(f"{components.counted(len(others), 'check')} not applicable here"),
            html.Div([_check(g, workings, False) for g in others]),
        ],
        className="not-applicable",
    )
    body = [_check(g, workings, n == 0 and g[0]["verdict"] == "fail") for n, g in enumerate(applied)]
    return html.Section(
        [
            html.H2("Findings", id="findings"),
            html.P(
                "Each line is a check at its worst circuit; open it for every circuit and the arithmetic.",
                className="note",
            ),
            html.Div([head, *body, quiet if others else None], className="finding-list"),
        ],
        className="findings",
    )  # fmt: skip

"""The quality page's pieces: what one comparison looks like, each with a sentence that says how to read it."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import polars as pl
from dash import dcc, html
from dash.development.base_component import Component

from auditor.quality import patterns, timeline, words
from auditor.quality.compare import NONE, Comparison
from auditor.quality.over_time import LEAST_EXPECTED, false_signals
from auditor.reports.cases import UNITS
from dashboard import components, figures_quality
from dashboard.pages.parts import NOT_STATED
from dashboard.pages.quality_address import Asked
from dashboard.pages.quality_rules import beside_of, own_words

PATH = "/quality"
#: Rows of the table of units beside those of whom there is evidence; the command writes them all.
MOST_UNITS = 200
MOST_CAUSES, MOST_REPEATS, MOST_ALIKE = 14, 60, 40
#: Marks of the evidence, as in the funnel.
MARKS = {NONE: "●", "more than expected": "▲", "fewer than expected": "◆"}


def named(value: str | None) -> str:
    """What a unit is called."""
    return value or NOT_STATED


def funnel(found: Comparison, keys: Sequence[str]) -> Component:
    """The funnel with its table behind it."""
    shown = pl.col("value").fill_null(NOT_STATED).alias(found.by)
    frame = _kept(found).select(
        shown, "judged", "failed", pl.col("expected").round(1),
        (pl.col("failed") / pl.col("expected")).round(2).alias("ratio"), pl.col("ratio_low").round(2).alias("from"),
        pl.col("ratio_high").round(2).alias("to"), pl.col("shrunken").round(2),
        (pl.col("chance_above") * 100).round(0).alias("chance above 1 [%]"), "evidence",
    )  # fmt: skip
    return components.chart_with_table(
        figures_quality.funnel(found, keys), frame, "Failing against expected", "quality-funnel",
        note=words.READ["funnel"], level=2,
        label=f"{UNITS[found.by].capitalize()} by failures expected and how many times as many fail, within limits",
    )  # fmt: skip


def _kept(found: Comparison) -> pl.DataFrame:
    """All of whom there is evidence, and the largest, in the order of size."""
    return found.units.filter(pl.col("evidence").ne(NONE) | (pl.int_range(pl.len()) < MOST_UNITS))


def units(found: Comparison, other: Comparison | None, asked: Asked) -> Component:
    """What is said of each, in the order of size; `other` is the comparison by the other side's rules."""
    kept = _kept(found)
    beside = {} if other is None else {row["value"]: row for row in other.units.iter_rows(named=True)}
    rows = [_unit(row, found, asked, own_words(row, beside, beside_of(asked))) for row in kept.iter_rows(named=True)]
    head = [(found.by, ""), ("judged", "right"), ("fail", "right"), ("expected", "right"), ("unknown", "right"),
            ("what is said", "")]  # fmt: skip
    more = found.units.height - kept.height
    return html.Section(
        [
            html.H2("One by one"),
            html.P(words.READ["table"], className="note"),
            plain_table(head, rows, "What is said of each"),
            html.P(f"and {more:,} smaller ones, without evidence that they differ", className="note") if more else None,
            html.P(["All of them: ", html.Code(_command(asked, "units"))], className="note"),
        ],
        className="quality-units",
    )


def _command(asked: Asked, part: str) -> str:
    """The command that writes a part of what the page shows, to a file."""
    given = {"by": asked.by, "outcome": asked.outcome, "region": asked.region, "rules": asked.rules, "part": part}
    told = " ".join(f"--{name} {shlex.quote(value)}" for name, value in given.items() if value)
    return f"auditor quality {told} -o {part}.xlsx"


def spelt(pairs: Sequence[str]) -> Component | None:
    """Pairs of names that may be one."""
    if not pairs:
        return None
    more = len(pairs) - MOST_ALIKE
    items = [*pairs[:MOST_ALIKE], *([f"and {more:,} more pairs"] if more > 0 else [])]
    title = html.Summary(components.counted(len(pairs), "pair of names", "pairs of names") + " may be one")
    return html.Details(
        [title, html.P(words.READ["alike"], className="note"), html.Ul([html.Li(text) for text in items])],
        className="as-table", open=len(pairs) <= 3,
    )  # fmt: skip


def _unit(row: dict[str, Any], found: Comparison, asked: Asked, beside: str) -> Component:
    chosen = asked.unit is not None and asked.unit == (row["value"] or "")
    name = dcc.Link(named(row["value"]), href=PATH + asked.of(row["value"]).address,
                    className="pick-chosen" if chosen else "")  # fmt: skip
    mark = html.Span(MARKS[row["evidence"]], className="mark", **{"aria-hidden": "true"})
    said = html.Span([mark, words.said_of(row, found)], className=_tone(row["evidence"]))
    counts = [f"{row['judged']:,}", f"{row['failed']:,}", f"{row['expected']:.1f}", f"{row['unknown']:,}"]
    told = [said, html.Div(beside, className="note")] if beside else [said]
    return html.Tr([html.Td(name), *(html.Td(text, className="right") for text in counts), html.Td(told)])


def _tone(evidence: str) -> str:
    return {"more than expected": "verdict-fail", "fewer than expected": "verdict-pass"}.get(evidence, "")


def plain_table(head: Sequence[tuple[str, str]], rows: Sequence[Component], label: str) -> Component:
    """A table that scrolls by itself, with a name for who cannot see it."""
    heading = html.Tr([html.Th(text, scope="col", className=kind) for text, kind in head])
    return html.Div(
        html.Table([html.Thead(heading), html.Tbody(list(rows))], className="plain"),
        className="table-scroll", tabIndex="0", role="region", **{"aria-label": label},
    )  # fmt: skip


def course(found: Comparison, asked: Asked) -> Component:
    """How the one that is picked, or all together, did over time."""
    of_unit = pl.lit(True) if asked.unit is None else pl.col("value").fill_null("") == asked.unit
    who = "all together" if asked.unit is None else named(asked.unit)
    years = timeline.by_year(timeline.together(found.years.filter(of_unit)), found.spread)
    if not years.height:
        return html.Section(
            [html.H2(f"Over time: {who}"), html.P("No judged case of a known date.")], className="chart"
        )
    frame = years.select(
        pl.col("year").cast(pl.String), "judged", "failed", pl.col("expected").round(1),
        *((100 * pl.col(name)).round(1).alias(f"{shown} [%]") for name, shown in
          (("share", "fail"), ("centre", "expected"), ("low", "lower limit"), ("high", "upper limit"))), "signal",
    )  # fmt: skip
    signals = years.filter(pl.col("signal") != "")
    told = "No year signals." if not signals.height else "Signals: " + "; ".join(
        f"{row['year']} ({row['signal']})" for row in signals.iter_rows(named=True)) + "."  # fmt: skip
    told += f" Chance alone sets one off in {100 * false_signals(years.height):.0f} of 100 such charts."
    back = [" ", dcc.Link("Show all together", href=PATH + replace(asked, unit=None).address)]
    parts: list[Any] = [
        components.chart_with_table(
            figures_quality.shares(years), frame, f"Over time: {who}", "quality-years", level=2,
            note=[words.READ["time"], " ", told, *(back if asked.unit is not None else []),
                  " Every signal of everyone: ", html.Code(_command(asked, "signals"))],
            label=f"Share that fails by design year, {who}",
        )
    ]  # fmt: skip
    if asked.unit is not None and years["expected"].mean() < LEAST_EXPECTED:  # type: ignore[operator]
        parts.append(_gaps(found, of_unit, who))
    return html.Div(parts, className="quality-course")


def _gaps(found: Comparison, of_unit: pl.Expr, who: str) -> Component | None:
    frame = timeline.between_failures(timeline.together(found.cases.filter(of_unit)))
    if not frame.height:
        return None
    limit = frame["limit"][0]
    table = frame.select(pl.col("number").cast(pl.String), pl.col("day").cast(pl.String), "gap", "signal")
    signals = frame.filter(pl.col("signal") != "")
    told = f"Limit {limit:.1f}. " + ("No signal." if not signals.height else "Signals at failures " + ", ".join(
        str(number) for number in signals["number"]) + ".")  # fmt: skip
    told += (
        f" Chance alone sets one off in {100 * false_signals(frame.height, frame['beyond'][0]):.0f} of 100 such charts."
    )
    return components.chart_with_table(
        figures_quality.gaps(frame, limit), table, f"Between failures: {who}", "quality-gaps", level=2,
        note=[words.READ["gaps"], " ", told], label=f"Cases that passed before each failure, {who}",
    )  # fmt: skip


def causes(counts: pl.DataFrame, asked: Asked) -> Component:
    """What fails most, of the one that is picked or of all."""
    of_unit = counts if asked.unit is None else counts.filter(pl.col("value").fill_null("") == asked.unit)
    who = "all together" if asked.unit is None else named(asked.unit)
    found = patterns.pareto(of_unit)
    if not found.height:
        return html.Section([html.H2(f"Causes: {who}"), html.P("No system fails a check.")], className="chart")
    percent = [(100 * pl.col(name)).round(1).alias(f"{name} [%]") for name in ("share", "cumulative")]
    return components.chart_with_table(
        figures_quality.causes(found.head(MOST_CAUSES)), found.select("cause", "failed", *percent), f"Causes: {who}",
        "quality-causes", note=words.READ["causes"], level=2, label=f"Systems that fail each check, {who}",
    )  # fmt: skip


def repeats(counts: pl.DataFrame, asked: Asked) -> Component:
    """The faults that repeat."""
    found = patterns.repeats(counts)
    inside: list[Any] = [html.H2("Repeated faults"), html.P(words.READ["repeats"], className="note")]
    if not found.height:
        inside.append(html.P("No evidence of a repeated fault."))
        return html.Section(inside, className="chart")
    frame = found.head(MOST_REPEATS).select(
        pl.col("value").fill_null(NOT_STATED).alias(asked.by), pl.col("year").cast(pl.String), "cause", "judged",
        "failed", pl.col("expected").round(1),
    )  # fmt: skip
    return html.Section([*inside, components.table(frame)], className="chart")


def fit(found: Comparison) -> Component:
    """The case-mix model: its calibration as a chart, its terms as a table."""
    if found.fit is None:
        return html.Section([html.H2("Case mix"), html.P(words.method(found))], className="chart")
    terms = found.fit.terms.select(
        "term", pl.col("odds_ratio").round(2).alias("odds ratio"), pl.col("low").round(2).alias("from"),
        pl.col("high").round(2).alias("to"),
    )  # fmt: skip
    chart = components.chart_with_table(
        figures_quality.calibration(found.fit.calibration),
        found.fit.calibration.with_columns(pl.col("tenth").cast(pl.String), pl.col("expected").round(1)),
        "Case mix: how well expectation fits", "quality-fit", level=2,
        note=[words.READ["fit"], f" Area under the ROC curve: {found.fit.auc:.2f}."],
        label="Share expected to fail against the share that fails, in tenths of the cases",
    )  # fmt: skip
    return html.Div(
        [chart, html.Details([html.Summary("the model's terms"), components.table(terms)], className="as-table")]
    )

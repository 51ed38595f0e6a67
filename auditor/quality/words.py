"""What a comparison found, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt
from typing import Any

import polars as pl

from auditor.quality.case_mix import adjusted_for
from auditor.quality.compare import FEWER, MORE, NONE, Comparison
from auditor.quality.over_time import IN_A_ROW

#: Deviates from what is expected within which its case mix explains what a unit shows.
UNREMARKABLE = 1.96
#: How to read each part.
READ = {
    "funnel": "Each dot is one of them: how many of its cases fail against how many its case mix lets expect. Chance"
    " alone keeps 95 in 100 dots within the inner lines and 998 in 1,000 within the outer ones, which are drawn for the"
    " average case mix. A dot has evidence only where it also stands out among so many: of those told, at most 5 in 100"
    " are false alarms.",
    "table": "In the order of size (years in their own), not of rate: no rank is meant. “Expected” is what the same"
    " cases would fail at by the case-mix model. The shrunken ratio is the one to act on: few cases are drawn towards"
    " all.",
    "fit": "What is expected rests on this model. An odds ratio above 1 means more failures where the term is larger;"
    " where cases in tenths by expectation fail as often as expected, the model is calibrated.",
    "time": "The share that fails by design year, within limits at three standard deviations around what the case mix"
    f" lets expect. Signals are a point beyond the limits, or {IN_A_ROW} in a row on one side of its median.",
    "alike": "May be one under two spellings. They are compared as two, which may hide that one stands apart; a mapping"
    " with `values` for the column makes them one.",
    "visits": "A random sample that tells most of the share of deficient systems for so many visits: of each desk"
    " verdict it takes as many as its size and doubt call for, an assumption that steers the visits and not the"
    " estimate. Each system's chance of being drawn is stated, and the same seed draws the same systems.",
    "gaps": "Few failures are expected a year here, so gaps tell more than shares: each point counts the cases that"
    " passed before a failure since the one before."
    f" Signals are a point above the limit (fewer failures), or {IN_A_ROW} in a row on one side of the median. Gaps are"
    " not adjusted for case mix; the shares by year are.",
    "causes": "Circuits or systems that fail each check, the most frequent first; mending the first bars mends most.",
    "actions": "An action is answered by its owner, its evidence accepted by a reviewer, and verified only by a later"
    " audit in which the check passes; one that fails again comes back by itself.",
    "repeats": "The same fault by the same one in the same year in three systems or more, more than chance explains.",
}


def said_of(unit: Mapping[str, Any], found: Comparison) -> str:
    """What is said of one unit, a row of `found.units`."""
    count = f"{unit['failed']:,} of {unit['judged']:,} fail, {unit['expected']:.1f} expected"
    if not unit["judged"]:
        return "Nothing is known: every verdict is unknown."
    if unit["value"] is None:
        return f"The records name none for these, so they tell nobody apart: {count}."
    if unit["evidence"] == NONE:
        sentence = f"No evidence that it differs: {count}."
        if abs(unit["score"]) * sqrt(found.spread / found.alike) > UNREMARKABLE:
            sentence += " Its case mix does not explain that, but so far apart are some of so many."
        elif unit["unadjusted"] == MORE:
            sentence = (
                f"Looks worse ({unit['share']:.0%} against {found.share:.0%}), and its case mix explains it: {count}."
            )
        elif unit["unadjusted"] == FEWER:
            sentence = (
                f"Looks better ({unit['share']:.0%} against {found.share:.0%}), and its case mix explains it: {count}."
            )
        elif found.fit is not None and not unit["enough"]:
            sentence = f"Too few cases to tell, whatever they show: {count}."
    else:
        word = "More" if unit["evidence"] == MORE else "Fewer"
        sentence = (
            f"{word} fail than its case mix explains: {count}, {unit['failed'] / unit['expected']:.1f} times as many"
            f" ({unit['ratio_low']:.1f} to {unit['ratio_high']:.1f}); drawn towards all, {unit['shrunken']:.1f} times"
            f" ({unit['shrunken_low']:.1f} to {unit['shrunken_high']:.1f})."
        )
    return sentence + _change(unit)


def _change(unit: Mapping[str, Any]) -> str:
    if unit["changed"] is None:
        return ""
    word = "Better" if unit["after"] < unit["before"] else "Worse"
    return (
        f" {word} since {unit['changed']}: {unit['after']:.1f} times what was expected, {unit['before']:.1f} times"
        " before."
    )


def answer(found: Comparison, plural: str) -> str:
    """Whether the units differ, in a sentence."""
    if not found.judged:
        return f"No case has a verdict: nothing can be said of {plural}."
    if found.judged == 1:
        return f"One case alone has a verdict: no evidence that {plural} differ."
    if found.fit is None:
        return f"{'All' if found.failed else 'None'} of {found.judged:,} fail: no evidence that {plural} differ."
    if found.comparable < 2:
        whose = f"One of the {plural} alone is" if found.comparable else f"None of the {plural} is"
        return f"{whose} named in cases with a verdict: there is nothing to compare."
    told, named = found.told_apart, found.comparable
    if not told.height and found.spread > found.alike:
        varies = "all of them vary more than chance and case mix explain"
        return f"None of {named:,} {plural} stands apart: {varies}."
    if not told.height:
        few = (
            named - found.units.filter(pl.col("value").is_not_null() & (pl.col("judged") > 0) & pl.col("enough")).height
        )
        have = "has" if few == 1 else "have"
        hidden = f" {few:,} {have} too few cases to stand apart even if all failed." if few else ""
        return f"No evidence that {plural} differ: chance and case mix explain what {named:,} of them show.{hidden}"
    more, stand = (told["evidence"] == MORE).sum(), "stands" if told.height == 1 else "stand"
    return (
        f"{told.height:,} of {named:,} {plural} {stand} apart from what chance and case mix explain:"
        f" {more:,} by failing more often, {told.height - more:,} by failing less often."
    )


def method(found: Comparison) -> str:
    """How the comparison was made, for whoever must defend it."""
    if found.fit is None:
        return "Nothing to adjust: no case fails, or all do."
    adjusted = ", ".join(adjusted_for((found.by, *found.judged_itself)))
    kept = [name for name in adjusted_for() if name not in adjusted_for(found.judged_itself)]
    itself = f" Not adjusted for {', '.join(kept)}, which is what is judged." if kept else ""
    together = f"cases of one system tend to fail together (design effect {found.alike:.1f})"
    between = found.spread / found.alike
    more = (
        f"; units vary {between:.1f} times as much as chance beyond that, which widens the limits"
        if between > 1
        else ""
    )
    return (
        f"Adjusted for {adjusted} ({found.fit.cases:,} cases, area under the ROC curve {found.fit.auc:.2f}); {together}"
        f"{more}; at most 5 in 100 of those told are false alarms.{itself}"
    )

"""Voltage rise of single parts against limits of their own.

What
    Compares the rise in trunk cable, home run and feeder with the limit the policy sets for each. Does not apply where
    the policy sets none, which is the default.

Why
    Some designers and network rules budget the rise by part, so that nobody spends it all on one. A total within its
    target can hide a home run that is out of proportion.

Formula
    Rise of the part in percent of nominal, as in voltage-rise, at the unit with the worst total. Value and limit are
    those of the part with the highest utilisation. One part over its limit fails the circuit whatever the others are.

Reference
    Common practice, such as 1 % in the trunk and 1 % in the home run. The Service and Installation Rules of New South
    Wales, 8.6.13, budget 1 % a segment.

Causes
    As in voltage-rise.

What mends it
    As in voltage-rise, for the part named by its limit.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import number, over
from auditor.policy import Policy


def judge(policy: Policy) -> Judgement:
    """The worst part against its limit."""
    limits = {
        "trunk": policy.rise.trunk_pct,
        "home_run": policy.rise.home_run_pct,
        "feeder": policy.rise.feeder_pct,
    }
    named = {part: limit for part, limit in limits.items() if limit is not None}
    if not named:
        nothing = pl.lit(None, pl.Float64)
        return Judgement(value=nothing, limit=nothing, applies=pl.lit(False), needs=bits())
    nothing = pl.lit(None, pl.Float64)
    shares = {part: number(f"{part}_rise_pct") / limit for part, limit in named.items()}
    fails = pl.any_horizontal(over(share, pl.lit(1.0)) for share in shares.values())
    complete = pl.all_horizontal(known(share) for share in shares.values())
    highest = pl.max_horizontal(*shares.values())
    value, worst = nothing, nothing
    for part, limit in named.items():
        here = (fails | complete) & (shares[part] == highest)
        value = pl.when(here).then(number(f"{part}_rise_pct")).otherwise(value)
        worst = pl.when(here).then(pl.lit(limit)).otherwise(worst)
    needs = bits()
    for part in named:
        needs |= pl.col(f"{part}_rise_needs")
    return Judgement(value=value, limit=worst, applies=pl.lit(True), needs=needs, surely_fails=fails)


CHECK = Check(
    name="part-rise",
    version=1,
    title="Voltage rise of single parts",
    level="circuit",
    severity="performance",
    unit="%",
    passes="The worst part of the wiring raises the voltage by {value} %; it may by {limit} %.",
    fails="One part of the wiring raises the voltage by {value} %, more than its {limit} %.",
    unknown="The rise of the parts is not known; missing: {missing}.",
    judge=judge,
)

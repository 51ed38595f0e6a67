"""Module power against what suits the inverter.

What
    Compares the module's rated power with the range stated in the inverter's spec, or, where it states none, with the
    policy's share of the inverter's own power.

Why
    Too small a module wastes the inverter; too large a one is cut off at noon on most days. Neither is dangerous.

Formula
    low <= module power <= high [W]. Each end is the spec's where it states one, else the policy's ratio (1.0 and 1.5)
    times the inverter's power over the modules per inverter. The limit shown is the end that fails, or the high end.

Reference
    The maker's range; the ratios are common practice, with no standard behind them: 60-cell modules of about 300 W suit
    an inverter of 240 to 250 W.

Causes
    A module swapped for what was on the truck; modules grown since the inverter's spec was written.

What mends it
    Nothing, for the most part: know it when reading yields. Where the maker's range is left, ask the maker.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import needed, number, over
from auditor.policy import Policy


def judge(policy: Policy) -> Judgement:
    """The module's power against the two ends of its range."""
    power, stated_low, stated_high = number("module_power_w"), number("module_min_w"), number("module_max_w")
    modules_each = number("module_count") / number("inverter_count")
    one_ratio = number("unit_power_w") / modules_each
    low = pl.coalesce(stated_low, policy.ratio.low * one_ratio)
    high = pl.coalesce(stated_high, policy.ratio.high * one_ratio)
    too_low, too_high = over(low, power), over(power, high)
    by_ratio = (known(stated_low) & known(stated_high)).not_()
    return Judgement(
        value=power,
        limit=pl.when(too_low).then(low).when(too_high | known(low)).then(high),
        applies=pl.lit(True),
        needs=bits("module_model", "module_spec", "inverter_model", "inverter_spec")
        | needed(by_ratio, "module_count", "inverter_count"),
        surely_fails=too_low | too_high,
    )


CHECK = Check(
    name="power-ratio",
    version=1,
    title="Module power for the inverter",
    level="circuit",
    severity="advice",
    unit="W",
    passes="The module is rated {value} W; up to {limit} W suits the inverter.",
    fails="The module is rated {value} W; what suits the inverter ends at {limit} W.",
    unknown="Whether the module's power suits the inverter is not known; missing: {missing}.",
    judge=judge,
)

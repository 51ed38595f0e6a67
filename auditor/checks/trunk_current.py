"""Current in the trunk cable against its listed current.

What
    Compares the worst line current in the most loaded arm of the trunk cable with the current the cable is listed for.

Why
    The trunk cable is a factory assembly: its conductors, connectors and drops are listed together for one current.
    Beyond it, connectors age and heat under the modules, where nobody sees them.

Formula
    I (most loaded arm, first section) <= listed current, allowing for the rounding of the printed inverter current.
    A centre feed halves the current in the cable; the home run carries both arms and has checks of its own. Where the
    feed is not known, a circuit whose whole current fits in one arm passes all the same.
    Neither the 125 % rule nor conductor tables are laid over a listed assembly.

Reference
    NEC 110.3(B); IEC 60364-5-51 clause 512 (equipment is used within its maker's rating; clause from memory).

Causes
    Too many inverters on one arm; arms of a centre feed far from equal; a larger inverter on an older cable.

What mends it
    Feed the cable at its centre, even out the arms, or move inverters to another circuit.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import NONE, at_most, current_facts, needed, number, within_rounding
from auditor.policy import Policy


def judge(policy: Policy) -> Judgement:
    """The most loaded arm's current against the listed current."""
    rated, arm, circuit = number("trunk_rated_a"), number("trunk_largest_arm_a"), number("line_current_a")
    slack = number("line_current_tolerance_a")
    whole = within_rounding(circuit, slack, rated)
    fits_in_one_arm = at_most(whole, rated)
    # An arm carries its share of the circuit's current, and so of the rounding.
    of_arm = within_rounding(arm, slack * arm / circuit, rated)
    value = pl.when(known(arm)).then(of_arm).when(fits_in_one_arm).then(whole)
    feed = pl.when(fits_in_one_arm).then(NONE).otherwise(bits("feed") | needed(known(arm).not_(), "arm_counts"))
    trunk = needed(known(rated).not_(), "trunk_model", "trunk_spec", "trunk_rating")
    return Judgement(
        value=value,
        limit=rated,
        applies=pl.lit(True),
        needs=current_facts(value) | trunk | feed,
    )


CHECK = Check(
    name="trunk-current",
    version=1,
    title="Current in the trunk cable",
    level="circuit",
    severity="safety",
    unit="A",
    passes="The trunk cable carries {value} A; it is listed for {limit} A.",
    fails="The trunk cable carries {value} A, but is listed for {limit} A.",
    unknown="Whether the trunk cable is overloaded is not known; missing: {missing}.",
    judge=judge,
)

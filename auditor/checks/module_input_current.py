"""Module short-circuit current against the inverter's input limit.

What
    Compares the module's short-circuit current at standard conditions with the short-circuit current the inverter's
    input may be connected to.

Why
    Above that limit the maker no longer vouches for the input's protection.

Formula
    Isc <= maximum input short-circuit current, one module on an input.
    The factor 1.25 of NEC 690.8(A)(1) is not applied: it sizes conductors and devices for bright hours, while makers
    state this limit for the module's rating at standard conditions. An operating-current limit is no limit here either:
    an inverter takes only the current it needs.

Reference
    NEC 110.3(B); the maker's limit. Reading it against the rating at standard conditions is common practice.

Causes
    Large-cell modules on an inverter of an earlier generation; two modules in parallel on one input.

What mends it
    A module or an inverter that suit each other.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import needed, number
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The short-circuit current against the limit; the policy has no say in it."""
    limit = number("max_input_a")
    return Judgement(
        value=number("module_isc_a"),
        limit=limit,
        applies=pl.lit(True),
        needs=bits("module_model", "module_spec", "inverter_model", "inverter_spec")
        | needed(known(limit).not_(), "inverter_input"),
    )


CHECK = Check(
    name="module-input-current",
    version=1,
    title="Module current into the inverter",
    level="circuit",
    severity="safety",
    unit="A",
    passes="The module's short-circuit current is {value} A; the inverter takes {limit} A.",
    fails="The module's short-circuit current is {value} A, more than the {limit} A the inverter takes.",
    unknown="Whether the module's current suits the inverter is not known; missing: {missing}.",
    judge=judge,
)

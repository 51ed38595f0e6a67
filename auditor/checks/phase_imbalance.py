"""Apparent power on the fullest phase against the emptiest.

What
    On a three-phase service, the difference between the phases in apparent power of all circuits, compared with a limit
    where the policy names one for the installation code.

Why
    Single-phase circuits on one phase raise that phase's voltage and the neutral's current, and the inverters there
    trip while the others run.

Formula
    Largest less smallest sum of apparent power over phases [kVA]; a unit between two phases counts half on each.
    Does not apply on single-phase services, nor where the policy names no limit for the code.

Reference
    AS/NZS 4777.1: at most 5 kVA of single-phase capacity above balance (from memory). Limits of other codes and
    utilities go into the policy with their source.

Causes
    Circuits added one by one on the same phase; a three-phase array of single-phase circuits with uneven counts.

What mends it
    Move a circuit to the emptiest phase, or even out the counts.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement
from auditor.checks.facts import bits
from auditor.checks.terms import IEC_SERVICES, US_SERVICES, current_facts, number
from auditor.policy import Policy


def judge(policy: Policy) -> Judgement:
    """The difference against the code's limit."""
    limit = pl.lit(None, pl.Float64)
    for entry in policy.imbalance:
        named = pl.col("installation_code") == entry.installation_code
        limit = pl.when(named).then(pl.lit(entry.limit_kva)).otherwise(limit)
    code_known = pl.col("installation_code").is_not_null()
    # Without any limit in the policy no code can have one.
    has_limit = pl.when(code_known).then(limit.is_not_null()) if policy.imbalance else pl.lit(False)
    value = number("phase_kva_max") - number("phase_kva_min")
    three_phase = pl.when(pl.col("service").is_in([*US_SERVICES, *IEC_SERVICES])).then(pl.col("three_phase_service"))
    return Judgement(
        value=value,
        limit=limit,
        applies=three_phase & has_limit,
        needs=current_facts(value) | bits("installation_code", "circuit_phases"),
    )


CHECK = Check(
    name="phase-imbalance",
    version=1,
    title="Balance between the phases",
    level="system",
    severity="performance",
    unit="kVA",
    passes="The fullest phase has {value} kVA more than the emptiest; {limit} kVA is allowed.",
    fails="The fullest phase has {value} kVA more than the emptiest, beyond the {limit} kVA allowed.",
    unknown="The balance between the phases is not known; missing: {missing}.",
    judge=judge,
)

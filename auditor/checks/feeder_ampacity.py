"""The feeder's conductors against the current of all the circuits they carry.

What
    Holds the ampacity of the feeder between combiner and main panel, in its column of the table and after its factors,
    against the worst line current of its circuits together.

Why
    The feeder carries every circuit's current at the same hour of the same clear days.

Formula
    1.25 I <= ampacity before factors, at the lowest rating of terminals and insulation;
    I <= ampacity after ambient and fill factors, from the insulation's own column, never more than the former.
    I is the phasor sum over phases of the circuits it carries. Value and limit are those of the condition with the
    higher utilisation. Terminal ratings that are not recorded count as the policy says (60 °C; 75 °C above 100 A); a
    missing insulation rating is bounded by 60 and 90 °C. The feeder's breaker is not in the records, so its match with
    the conductor is not judged.
    Under the IEC family: I <= the feeder's current rating as installed, stated by the designer, factors included.

Reference
    NEC 215.2(A)(1), 690.8(B), 705.28 (125 % before factors, 100 % after; clauses from memory but 690.8(B)); Table
    310.16; 110.14(C)(1). The rule and the table are the same in the editions of 2011 to 2023. IEC 60364-4-43, 433.1.

Causes
    Circuits added to a combiner after the feeder was pulled; aluminium where copper was counted on.

What mends it
    A larger feeder or a second one, or fewer circuits on the combiner.

Versions
    1: first version.
"""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from auditor.checks.ampacity import judge_run
from auditor.checks.base import Check, Judgement
from auditor.checks.facts import bits
from auditor.checks.terms import current_facts, number
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The feeder's ampacity conditions by the family of its code; the policy has no say in them."""
    current = number("feeder_line_current_a")
    carried = current_facts(current) | bits("combiner_id")
    nec = judge_run("feeder", current, pl.lit(0.0), None, carried)
    iec = (pl.col("code_family") == "IEC").fill_null(False)
    no_wire = (number("feeder_length_m") == 0).fill_null(False)
    return replace(
        nec,
        value=pl.when(iec).then(current).otherwise(nec.value),
        limit=pl.when(iec).then(number("feeder_rated_a")).otherwise(nec.limit),
        applies=pl.when(iec).then(no_wire.not_()).otherwise(nec.applies),
        needs=pl.when(iec).then(carried | bits("feeder_rated_a")).otherwise(nec.needs),
        fails_at=pl.when(iec.not_()).then(nec.fails_at),
    )


CHECK = Check(
    name="feeder-ampacity",
    version=1,
    title="Ampacity of the feeder",
    level="feeder",
    severity="safety",
    unit="A",
    passes="The feeder must suit {value} A and is good for {limit} A.",
    fails="The feeder must suit {value} A, but is good for only {limit} A.",
    unknown="Whether the feeder is large enough is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="ambient_c",
    beyond="It fails beyond an ambient of {fails_at} °C at the latest.",
)

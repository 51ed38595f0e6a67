"""The branch breaker against the sizes that fit the circuit.

What
    The breaker has a standard size, is at least 125 % of the circuit's current, and is no larger than the trunk cable's
    listing and the small-conductor rule for the home run allow.

Why
    A breaker too large does not protect the cable on the roof. One too small trips on bright days. A size that is not
    made is a slip in the record, and whatever else rests on it is in doubt.

Formula
    I / 0.8 <= breaker <= smaller of (trunk cable's maximum breaker, 240.4(D) maximum of the home run's conductor), and
    breaker among the standard sizes. I is the worst line current; 0.8 is the policy's share for continuous current, and
    the rounding of the printed current is allowed for. The limit shown is the largest size that fits, or, where the
    breaker fails, the size that the broken rule asks for.
    One cause, one finding. A circuit over its unit limit is reported by branch-unit-limit and not again here as a small
    breaker. A breaker too large for the conductor's ampacity, 240.4(B), belongs to home-run-ampacity, which knows
    temperature and fill. Under the IEC family, current-coordination judges the breaker.

Reference
    NEC 240.6(A) (standard sizes, fuses included); 210.20(A), 690.9(B), 705.30 (125 %; clauses from memory); 240.4(D)
    (14 AWG copper 15 A, 12 AWG 20 A, 10 AWG 30 A; aluminium 12 AWG 15 A, 10 AWG 25 A); 110.3(B) for the trunk cable's
    listing. Example: 7.6 kW at 240 V is 31.7 A, times 1.25 is 39.6 A: a 40 A device, for which 10 AWG may not be used,
    240.4(D)(7) (IAEI News, September 2020).

Causes
    A breaker changed after trips; a spare of the wrong size; a home run of smaller wire than drawn.

What mends it
    The size shown, where the conductor suits it; otherwise fewer inverters on the circuit or a larger conductor. To end
    nuisance trips a breaker is never enlarged.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks import branch_unit_limit
from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import (
    code_facts,
    current_facts,
    is_nec,
    needed,
    number,
    over,
    smaller,
    standard_at_or_above,
    within_rounding,
)
from auditor.electrical.ampacity import BREAKER_SIZES_A, FUSE_SIZES_A
from auditor.policy import Policy


def _steps(policy: Policy) -> tuple[dict[str, pl.Expr], ...]:
    """What the circuit calls for, and what is wrong with its breaker."""
    col, fraction = pl.col, policy.branch.continuous_fraction
    breaker, current, trunk = number("breaker_a"), number("line_current_a"), number("trunk_max_breaker_a")
    # A null small-conductor maximum means that the rule does not reach this size, if there is a size.
    small = pl.col("home_run_small_conductor_breaker_a")
    sized = pl.col("home_run_size").is_not_null() & pl.col("home_run_material").is_not_null()
    no_wire = (number("home_run_length_m") == 0).fill_null(False)
    given = {
        "_breaker": breaker,
        "_current": current,
        "_trunk": trunk,
        "_largest": pl.when(small.is_null() & (sized | no_wire)).then(trunk).otherwise(smaller(trunk, small)),
        "_too_large_for": pl.min_horizontal(trunk, number("home_run_small_conductor_breaker_a")),
        "_wanted": within_rounding(current / fraction, number("line_current_tolerance_a") / fraction, breaker),
        "_standard": standard_at_or_above(current / fraction),
    }
    wrong = {
        "_too_small": over(col("_wanted"), col("_breaker")) & branch_unit_limit.exceeded().not_(),
        "_too_large": over(col("_breaker"), col("_too_large_for")),
        "_odd": known(col("_breaker")) & col("_breaker").is_in([*BREAKER_SIZES_A, *FUSE_SIZES_A]).not_(),
    }
    return *branch_unit_limit.limit_steps(policy), given, wrong


def judge(policy: Policy) -> Judgement:
    """The breaker against the smallest and the largest that fit, and the standard sizes."""
    col = pl.col
    limit = (
        pl.when("_too_large")
        .then("_too_large_for")
        .when(col("_too_small") & over(col("_standard"), col("_too_large_for")))
        .then(None)
        .when("_too_small")
        .then("_standard")
        .when("_odd")
        .then(standard_at_or_above(col("_breaker")))
        .when(known(col("_current")))
        .then("_largest")
    )
    wires = bits("breaker_a", "home_run_size", "home_run_material")
    cable = needed(known(col("_trunk")).not_(), "trunk_model", "trunk_spec", "trunk_max_breaker")
    return Judgement(
        value=col("_breaker"),
        limit=limit,
        applies=is_nec(),
        needs=current_facts(col("_current")) | code_facts() | wires | cable,
        steps=_steps(policy),
        surely_fails=is_nec() & (col("_too_large") | col("_too_small") | col("_odd")),
        fails_at=pl.when(col("breaker_a").is_null()).then("_largest"),
    )


CHECK = Check(
    name="breaker-size",
    version=1,
    title="Size of the branch breaker",
    level="circuit",
    severity="safety",
    unit="A",
    passes="The breaker is {value} A; up to {limit} A may protect this cable and conductor.",
    fails="The breaker is {value} A; this circuit's current, cable and conductor call for {limit} A.",
    fails_bare="The breaker is {value} A, and the current needs a larger one than cable and conductor may have.",
    unknown="Whether the breaker fits is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="breaker_a",
    beyond="It fails beyond {fails_at} A.",
)

"""Inverters on one branch circuit against the most it may have.

What
    Compares the number of inverters on a branch circuit with the limit for this inverter, service and breaker.

Why
    Inverters feed the branch breaker continuously for hours. Too many of them heat the breaker and the trunk cable,
    the breaker trips on sunny days, and the equipment is used outside its listing.

Formula
    The limit stated in the inverter's spec for this service, wiring and breaker governs. Where the spec states none for
    this breaker (even if it states some for others), the limit is the largest count whose worst line current is at most
    the policy's share (0.8) of the breaker rating, or of the largest breaker that trunk cable and small conductors may
    have (240.4(D)) where that is less; it is exceeded only beyond half the last printed digit of the inverter's
    current. On three phases the line current is the phasor sum over the actual counts per pair, not a
    third of the count.
    Where a circuit mixes models, no stated limit covers it: its current alone is judged, and the limit shown is the
    number of inverters of this circuit's average current that the breaker carries.
    The stated limit holds under every code. The computed one is the NEC's: it does not apply under the IEC family, and
    is unknown where the installation code is.

Reference
    NEC 110.3(B) (listed equipment is used as its instructions say); NEC 210.20(A), 690.9(B), 705.30 (devices rated at
    125 % of continuous current, the same as 80 % of the device). Clause numbers from memory. Continuous loads of 16, 24
    and 20 A need 20, 30 and 25 A (public training text).

Causes
    One module more squeezed onto a string; a design for 240 V built at 208 V, where each inverter carries more current;
    an inverter swapped for a larger model; a breaker smaller than designed.

What mends it
    Move inverters to another circuit. Never a larger breaker.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import NONE, code_facts, current_facts, is_nec, needed, number, over, within_rounding
from auditor.policy import Policy


def _mixed() -> pl.Expr:
    return pl.col("mixed_units")


def _stated_governs() -> pl.Expr:
    """True where the spec's own limit covers the circuit; never null."""
    return (_mixed().not_() & pl.col("stated_unit_limit").is_not_null()).fill_null(False)


def device_a() -> pl.Expr:
    """The branch device [A] that counts: never more than trunk cable and small conductors may have."""
    breaker = number("breaker_a")
    smallest = pl.min_horizontal(breaker, number("trunk_max_breaker_a"), number("home_run_small_conductor_breaker_a"))
    return pl.when(known(breaker)).then(smallest)


def limit_steps(policy: Policy) -> tuple[dict[str, pl.Expr], ...]:
    """Add `_unit_limit`, the most inverters the circuit may have."""
    allowed = pl.col("_allowed_a")
    current = within_rounding(number("line_current_a"), number("line_current_tolerance_a"), allowed)
    fitting = (number("inverter_count") * allowed / current * (1 + 1e-9)).floor()
    governing = pl.when(_stated_governs()).then(number("stated_unit_limit")).otherwise(number("computed_unit_limit"))
    limit = pl.when(_mixed()).then(fitting).when(_mixed().not_()).then(governing)
    return {"_allowed_a": policy.branch.continuous_fraction * device_a()}, {"_unit_limit": limit}


def _applies() -> pl.Expr:
    identified = (pl.col("missing_bits") & bits("inverter_model", "inverter_spec")) == 0
    # Under the IEC family only a stated limit counts, and which one depends on all of these.
    none_stated = identified & known(number("breaker_a")) & pl.col("wiring").is_not_null() & _mixed().is_not_null()
    return (
        pl.when(_stated_governs() | is_nec())
        .then(pl.lit(True))
        .when((pl.col("code_family") == "IEC") & none_stated)
        .then(pl.lit(False))
        .otherwise(pl.lit(None, pl.Boolean))
    )


def exceeded() -> pl.Expr:
    """True where this check fails a circuit; never null. Needs `limit_steps`."""
    return _applies().fill_null(False) & over(number("inverter_count"), pl.col("_unit_limit"))


def judge(policy: Policy) -> Judgement:
    """The count against the governing limit."""
    always = bits("service", "inverter_model", "inverter_spec", "inverter_count", "breaker_a")
    unwired = needed(pl.col("wiring").is_null(), "inverter_connection", "circuit_phases")
    computed = bits("inverter_current") | code_facts()
    mixed = pl.when(_mixed()).then(current_facts(number("line_current_a"))).otherwise(NONE)
    return Judgement(
        value=number("inverter_count"),
        limit=pl.col("_unit_limit"),
        applies=_applies(),
        needs=always | unwired | mixed | pl.when(_stated_governs()).then(NONE).otherwise(computed),
        steps=limit_steps(policy),
        fails_at=pl.when(pl.col("inverter_count").is_null()).then("_unit_limit"),
    )


CHECK = Check(
    name="branch-unit-limit",
    version=1,
    title="Inverters on the branch circuit",
    level="circuit",
    severity="safety",
    unit="inverters",
    passes="{value} inverters on the circuit; it may have {limit}.",
    fails="{value} inverters on the circuit, but it may have only {limit}.",
    unknown="Whether the circuit has too many inverters is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="inverter_count",
    beyond="It fails beyond {fails_at} inverters.",
)

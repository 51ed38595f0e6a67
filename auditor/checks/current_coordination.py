"""Design current, protective device and conductor in order, on the services of the IEC family.

What
    On 230 V and 400Y/230 services: the design current is at most the device's rating, and the device's rating at most
    what the conductors behind it may carry.

Why
    Out of that order the device either trips in normal use or lets the cable overheat before it acts.

Formula
    I_B <= I_n <= I_z. I_B is the circuit's worst line current, allowing for the rounding of the printed current; I_n
    the branch breaker; I_z the smaller of the home run's current rating as installed (stated by the designer, factors
    included) and the largest device the trunk cable is listed for.
    The NEC's 125 % has no place here. Value and limit are those of I_B <= I_n, or of I_n <= I_z where only that fails.
    A home run of zero length has no conductor to judge.

Reference
    IEC 60364-4-43, clause 433.1, condition (1); the same in BS 7671 regulation 433.1.1 and AS/NZS 3000 clause 2.5.3.1
    (clause numbers from memory). Condition (2), I_2 <= 1.45 I_z, is met by breakers to IEC 60898 wherever
    condition (1) is (from memory).

Causes
    A breaker enlarged after trips; a cable chosen in free air and laid in insulation; more inverters than planned.

What mends it
    Fewer inverters on the circuit, the device the cable allows, or a larger cable. A breaker is not enlarged.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import (
    IEC_SERVICES,
    US_SERVICES,
    current_facts,
    needed,
    number,
    over,
    within_rounding,
)
from auditor.policy import Policy


def _applies() -> pl.Expr:
    family, service = pl.col("code_family"), pl.col("service")
    return (
        pl.when(family.is_not_null())
        .then(family == "IEC")
        .when(service.is_in(IEC_SERVICES))
        .then(pl.lit(True))
        .when(service.is_in(US_SERVICES))
        # The missing code is already reported by the NEC's checks.
        .then(pl.lit(False))
        .otherwise(pl.lit(None, pl.Boolean))
    )


def _steps() -> tuple[dict[str, pl.Expr], ...]:
    """The ratings in order, and what is out of order."""
    col = pl.col
    device, trunk = number("breaker_a"), number("trunk_max_breaker_a")
    no_wire = (number("home_run_length_m") == 0).fill_null(False)
    given = {
        "_device": device,
        "_trunk": trunk,
        "_design": within_rounding(number("line_current_a"), number("line_current_tolerance_a"), device),
        "_wired": no_wire.not_(),
        "_rated": pl.when(no_wire).then(trunk).otherwise(number("home_run_rated_a")),
    }
    # One rating too small is enough to fail, whatever the other is.
    compared = {
        "_smallest": pl.min_horizontal("_rated", "_trunk"),
        "_overloaded": over(col("_design"), col("_device")),
        "_complete": known(col("_design")) & known(col("_device")) & known(col("_rated")) & known(col("_trunk")),
    }
    return given, compared, {"_unprotected": over(col("_device"), col("_smallest"))}


def judge(_policy: Policy) -> Judgement:
    """Current against device, device against conductor; the policy has no say in it."""
    col = pl.col
    by_conductor = col("_unprotected") & col("_overloaded").not_()
    surely = _applies().fill_null(False) & (col("_overloaded") | col("_unprotected"))
    shown = pl.when((surely | col("_complete")).not_()).then(None).when(by_conductor)
    return Judgement(
        value=shown.then("_device").otherwise("_design"),
        limit=shown.then("_smallest").otherwise("_device"),
        applies=_applies(),
        needs=current_facts(number("line_current_a"))
        | bits("breaker_a")
        | needed(col("_wired"), "home_run_rated_a")
        | needed(known(col("_trunk")).not_(), "trunk_model", "trunk_spec", "trunk_max_breaker"),
        steps=_steps(),
        surely_fails=surely,
    )


CHECK = Check(
    name="current-coordination",
    version=1,
    title="Current, device and conductor in order",
    level="circuit",
    severity="safety",
    unit="A",
    passes="Current, device and conductor are in order: {value} A on {limit} A, with the rest at or above.",
    fails="Current, device and conductor are out of order: {value} A on something good for {limit} A.",
    unknown="Whether current, device and conductor are in order is not known; missing: {missing}.",
    judge=judge,
)

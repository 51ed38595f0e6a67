"""Expressions that several checks share. Missing is null; a NaN counts as missing and never decides anything."""

from __future__ import annotations

import math

import polars as pl

from auditor.checks.base import TOLERANCE, known
from auditor.checks.facts import bits
from auditor.electrical.ampacity import BREAKER_SIZES_A

IEC_SERVICES = ("230", "400Y/230")
US_SERVICES = ("120/240", "208Y/120", "480Y/277")

NONE = bits()


def number(column: str) -> pl.Expr:
    """The column as a float, NaN as null."""
    value = pl.col(column).cast(pl.Float64)
    return pl.when(value.is_not_nan()).then(value)


def over(value: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """True where both are known and the value exceeds the limit, which is not negative; never null."""
    # NaN counts as larger than every number, also than infinity: bounded from above, it is never over.
    return value.is_between(limit * (1 + TOLERANCE), math.inf, closed="right").fill_null(False)


def at_most(value: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """True where both are known and the value does not exceed the limit, which is not negative; never null."""
    return (limit * (1 + TOLERANCE)).is_between(value, math.inf, closed="both").fill_null(False)


def smaller(one: pl.Expr, other: pl.Expr) -> pl.Expr:
    """The smaller value where both are known, else null."""
    return pl.when(known(one) & known(other)).then(pl.min_horizontal(one, other))


def within_rounding(value: pl.Expr, slack: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """The value, or the limit where the value exceeds it by no more than the rounding of a printed current."""
    return pl.when(at_most(value - slack, limit)).then(pl.min_horizontal(value, limit)).otherwise(value)


def standard_at_or_above(current: pl.Expr) -> pl.Expr:
    """The smallest standard breaker not below a current, null beyond the largest; NEC 240.6(A)."""
    sizes, ends = pl.Series([*BREAKER_SIZES_A, None]), pl.Series(BREAKER_SIZES_A) * (1 + TOLERANCE)
    found = pl.lit(sizes).gather(pl.lit(ends).search_sorted(current, side="left"))
    return pl.when(current.is_not_null()).then(found)  # a search puts null before the first size


def is_nec() -> pl.Expr:
    """True under the NEC, false under the IEC family, null where the code is not known."""
    return pl.col("code_family") == "NEC"


def needed(condition: pl.Expr, *facts: str) -> pl.Expr:
    """The bits of these facts where the condition holds (null does not), else none."""
    return pl.when(condition).then(bits(*facts)).otherwise(NONE)


def code_facts() -> pl.Expr:
    """The installation code, where it matters: on the services of the IEC family the service says enough."""
    return needed((pl.col("code_family") == "IEC").fill_null(False).not_(), "installation_code")


def current_facts(current: pl.Expr) -> pl.Expr:
    """What a circuit's current rests on; phases and arms are named only where the current is not known."""
    always = bits("service", "inverter_model", "inverter_spec", "inverter_current", "inverter_count")
    extra = ("inverter_connection", "circuit_phases", "feed", "arm_counts", "power_factor")
    return always | needed(known(current).not_(), *extra)

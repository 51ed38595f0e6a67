"""Expressions that several checks share. Missing is null; a NaN counts as missing and never decides anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.checks.base import TOLERANCE, known
from auditor.checks.facts import FACTS, bits
from auditor.electrical.ampacity import BREAKER_SIZES_A, NEXT_SIZE_UP_TO_A

Pair = tuple[pl.Expr, pl.Expr]

IEC_SERVICES = ("230", "400Y/230")
US_SERVICES = ("120/240", "208Y/120", "480Y/277")

NONE = pl.lit(0, pl.UInt64)


def number(column: str) -> pl.Expr:
    """The column as a float, NaN as null."""
    return pl.col(column).cast(pl.Float64).fill_nan(None)


def over(value: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """True where both are known and the value exceeds the limit; never null."""
    return (known(value) & known(limit) & (value - limit > TOLERANCE * limit.abs())).fill_null(False)


def at_most(value: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """True where both are known and the value does not exceed the limit; never null."""
    return (known(value) & known(limit) & (value - limit <= TOLERANCE * limit.abs())).fill_null(False)


def smaller(*values: pl.Expr) -> pl.Expr:
    """The smallest value where every one is known, else null."""
    return pl.when(pl.all_horizontal(known(v) for v in values)).then(pl.min_horizontal(*values))


def within_rounding(value: pl.Expr, slack: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """The value, or the limit where the value exceeds it by no more than the rounding of a printed current."""
    return pl.when(over(value, limit) & at_most(value - slack, limit)).then(limit).otherwise(value)


@dataclass(frozen=True)
class Governing:
    """The pair that governs a row, whether any known pair fails, and whether every pair is known and met."""

    value: pl.Expr
    limit: pl.Expr
    fails: pl.Expr
    passes: pl.Expr


def governing(shown: Sequence[Pair], if_failing: Sequence[Pair] = ()) -> Governing:
    """Choose, per row, the (value, limit) pair of the highest utilisation value/limit.

    The pairs of `if_failing` are chosen only where they fail: such as a breaker, which fits its conductor exactly in
    most good circuits and would hide the margin of the others. Where a pair is unknown and none fails, value and limit
    are null.
    """
    pairs = [*shown, *if_failing]
    fails = pl.any_horizontal(over(v, limit) for v, limit in pairs)
    passes = pl.all_horizontal(at_most(v, limit) for v, limit in pairs)
    ratios = [pl.when(known(v / limit)).then(v / limit) for v, limit in shown]
    ratios += [pl.when(over(v, limit)).then(v / limit) for v, limit in if_failing]
    highest = pl.max_horizontal(*ratios)
    decided = fails | passes
    here = [(decided & (ratio == highest)).fill_null(False) for ratio in ratios]
    value = pl.coalesce(*(pl.when(h).then(v) for h, (v, _) in zip(here, pairs, strict=True)))
    limit = pl.coalesce(*(pl.when(h).then(limit) for h, (_, limit) in zip(here, pairs, strict=True)))
    return Governing(value, limit, fails, passes)


def standard_at_or_above(current: pl.Expr) -> pl.Expr:
    """The smallest standard breaker not below a current, null beyond the largest; NEC 240.6(A)."""
    chosen = pl.lit(None, pl.Float64)
    for size in reversed(BREAKER_SIZES_A):
        chosen = pl.when(at_most(current, pl.lit(size))).then(pl.lit(size)).otherwise(chosen)
    return chosen


def largest_device(ampacity: pl.Expr) -> pl.Expr:
    """The largest device that may protect a conductor: NEC 240.4(B), from 800 A up 240.4(C)."""
    size = standard_at_or_above(ampacity)
    return pl.when(size <= NEXT_SIZE_UP_TO_A).then(size).otherwise(ampacity)


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


def part_needs(column: str) -> pl.Expr:
    """A column of needed facts; where it is null, everything is needed."""
    return pl.col(column).fill_null(bits(*FACTS))

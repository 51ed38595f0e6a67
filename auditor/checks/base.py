"""What a check is: expressions over the audit's columns, and the one rule that turns them into a verdict."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import polars as pl

from auditor.policy import Policy

#: Worst first; a system's verdict is the first of these that any of its findings has.
VERDICTS = ("fail", "unknown", "pass", "not applicable")
VERDICT = pl.Enum(VERDICTS)

#: Relative tolerance with which a computed value meets its limit.
TOLERANCE = 1e-9

Level = Literal["circuit", "feeder", "system"]
Severity = Literal["safety", "performance", "advice"]


@dataclass(frozen=True)
class Judgement:
    """One check's expressions over a frame of circuits, feeders or systems.

    `applies` is false where the check does not apply and null where that cannot be told. `needs` holds the facts the
    verdict rests on, as bits (see `facts.bits`). `surely_fails` marks rows that fail whatever the missing facts are.
    `fails_at` is the value of the fact `fails_at_fact` beyond which a row with that fact missing would fail.
    """

    value: pl.Expr
    limit: pl.Expr
    applies: pl.Expr
    needs: pl.Expr
    at_least: bool = False
    surely_fails: pl.Expr | None = None
    fails_at: pl.Expr | None = None


@dataclass(frozen=True)
class Check:
    """A check; its module's docstring is its documentation.

    `passes`, `fails` and `unknown` are sentence templates that may hold `{value}`, `{limit}`, `{missing}` and
    `{fails_at}`. `beyond` is a sentence to add to `unknown` where `fails_at` is known, so that no sentence has a gap.
    """

    name: str
    version: int
    title: str
    level: Level
    severity: Severity
    unit: str
    passes: str
    fails: str
    unknown: str
    judge: Callable[[Policy], Judgement]
    fails_at_fact: str = ""
    beyond: str = ""

    @property
    def column(self) -> str:
        """The check's name as a column prefix."""
        return self.name.replace("-", "_")

    @property
    def documentation(self) -> str:
        """The docstring of the check's module."""
        return (sys.modules[self.judge.__module__].__doc__ or "").strip()


def known(expr: pl.Expr) -> pl.Expr:
    """True where a number is neither null nor NaN."""
    return expr.is_not_null() & expr.is_nan().not_().fill_null(False)


def result_columns(check: Check, policy: Policy) -> list[pl.Expr]:
    """Return the check's verdict, value, limit, missing and assumed columns; null or NaN never passes."""
    judgement = check.judge(policy)
    value, limit = judgement.value.cast(pl.Float64), judgement.limit.cast(pl.Float64)
    needs = judgement.needs.cast(pl.UInt64)
    missing, assumed = pl.col("missing_bits") & needs, pl.col("assumed_bits") & needs
    over = (limit - value if judgement.at_least else value - limit) > TOLERANCE * limit.abs()
    undecided = judgement.applies.is_null() | (missing != 0).fill_null(True) | known(value).not_() | known(limit).not_()
    surely = pl.lit(False) if judgement.surely_fails is None else judgement.surely_fails.fill_null(False)
    verdict = (
        pl.when(judgement.applies.not_())
        .then(pl.lit("not applicable"))
        .when(surely)
        .then(pl.lit("fail"))
        .when(undecided)
        .then(pl.lit("unknown"))
        .when(over)
        .then(pl.lit("fail"))
        .otherwise(pl.lit("pass"))
        .cast(VERDICT)
    )
    applies = judgement.applies.fill_null(True)
    columns = {
        "verdict": verdict,
        "value": pl.when(applies & known(value)).then(value),
        "limit": pl.when(applies & known(limit)).then(limit),
        "missing": pl.when(applies).then(missing).otherwise(pl.lit(0, pl.UInt64)),
        "assumed": pl.when(applies).then(assumed).otherwise(pl.lit(0, pl.UInt64)),
    }
    if judgement.fails_at is not None:
        columns["fails_at"] = pl.when(applies & known(judgement.fails_at)).then(judgement.fails_at)
    return [expr.alias(f"{check.column}_{part}") for part, expr in columns.items()]

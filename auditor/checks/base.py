"""What a check is: expressions over the audit's columns, and the one rule that turns them into a verdict."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import polars as pl

from auditor.checks.facts import MASK
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
    `steps` are columns to add first, one set after the other: what an expression uses more than once is named there,
    since a nested expression doubles with every repeated use.
    `wide` says that `needs` may hold facts beyond the first 64; a check that is not wide and needs one raises an error.
    `fails_at` is the value of the fact `fails_at_fact` beyond which a row with that fact missing would fail.
    """

    value: pl.Expr
    limit: pl.Expr
    applies: pl.Expr
    needs: pl.Expr
    steps: tuple[dict[str, pl.Expr], ...] = ()
    at_least: bool = False
    wide: bool = False
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
    fails_bare: str = ""

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
    return expr.is_not_nan().fill_null(False)


def _inputs(judgement: Judgement) -> dict[str, pl.Expr]:
    """The judgement's expressions as columns, each evaluated once."""
    surely = pl.lit(False) if judgement.surely_fails is None else judgement.surely_fails.fill_null(False)
    fails_at = pl.lit(None) if judgement.fails_at is None else judgement.fails_at
    return {
        "_value": judgement.value.cast(pl.Float64),
        "_limit": judgement.limit.cast(pl.Float64),
        "_applies": judgement.applies,
        "_needs": judgement.needs,
        "_surely": surely,
        "_fails_at": fails_at.cast(pl.Float64),
    }


def judge_frame(frame: pl.DataFrame, checks: Sequence[Check], policy: Policy) -> pl.DataFrame:
    """Return the frame with every check's verdict, value, limit, missing, assumed and (where it has one) fails_at."""
    work = _many_rows(frame)
    results = [_judged(work, check, policy).head(frame.height) for check in checks]
    return pl.concat([frame, *results], how="horizontal")


def _many_rows(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with two rows at least, each column in one piece.

    Polars divides one value by a literal, but multiplies many by its reciprocal; a chunk of one row counts as one
    value, and so does a column that a join filled from one row. With many values alone, a figure is the same to the
    last bit in any batch. For the same reason a judgement is not evaluated lazily: that cuts a frame by threads.
    """
    rows = pl.concat([frame, frame]) if frame.height == 1 else frame
    return pl.DataFrame(rows.rechunk().get_columns())


def _judged(work: pl.DataFrame, check: Check, policy: Policy) -> pl.DataFrame:
    judgement = check.judge(policy)
    for step in judgement.steps:
        work = work.with_columns(**step)
    return work.select("missing_bits", "assumed_bits", **_inputs(judgement)).select(_verdict_columns(check, judgement))


def _verdict_columns(check: Check, judgement: Judgement) -> list[pl.Expr]:
    """The verdict from evaluated inputs; null or NaN never passes."""
    value, limit, applies = pl.col("_value"), pl.col("_limit"), pl.col("_applies")
    missing, assumed = pl.col("missing_bits") & pl.col("_needs"), pl.col("assumed_bits") & pl.col("_needs")
    over = (limit - value if judgement.at_least else value - limit) > TOLERANCE * limit.abs()
    verdict = (
        pl.when(applies.not_())
        .then(pl.lit("not applicable"))
        .when(pl.col("_surely"))
        .then(pl.lit("fail"))
        .when(applies.is_null() | (missing != 0).fill_null(True) | known(value).not_() | known(limit).not_())
        .then(pl.lit("unknown"))
        .when(over)
        .then(pl.lit("fail"))
        .otherwise(pl.lit("pass"))
        .cast(VERDICT)
    )
    applies = applies.fill_null(True)
    kind = MASK if judgement.wide else pl.UInt64
    columns = {
        "verdict": verdict,
        "value": pl.when(applies & known(value)).then(value),
        "limit": pl.when(applies & known(limit)).then(limit),
        "missing": pl.when(applies).then(missing).otherwise(0).cast(kind),
        "assumed": pl.when(applies).then(assumed).otherwise(0).cast(kind),
    }
    if judgement.fails_at is not None:
        columns["fails_at"] = pl.when(applies & known(pl.col("_fails_at"))).then(pl.col("_fails_at"))
    return [expr.alias(f"{check.column}_{part}") for part, expr in columns.items()]

"""What a rule of suspicion sees and returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import polars as pl

from auditor.policy import Policy
from auditor.prepare import Prepared, Records

#: A warning: whose value it is (circuit_id null where it is the system's; both null where it is a whole file's), the
#: rule's code, the column, the value as it is recorded, and why it can hardly be meant.
SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "circuit_id": pl.String(),
    "code": pl.String(),
    "column": pl.String(),
    "value": pl.String(),
    "sentence": pl.String(),
}
ORDER = list(SCHEMA)
FEET_IN_A_METRE = 1 / 0.3048


@dataclass(frozen=True)
class Batch:
    """Whole systems: their records, the figures that the audit has worked out from them, and what it rests on."""

    records: Records
    prepared: Prepared
    policy: Policy
    as_of: date


@dataclass(frozen=True)
class Rule:
    """A rule that looks at each system by itself; `find` returns frames of warnings."""

    code: str
    find: Callable[[Batch], list[pl.DataFrame]]


def figure(value: pl.Expr, digits: int = 2) -> pl.Expr:
    """A figure as a sentence shows it: rounded, without zeros at its end."""
    text = value.cast(pl.Float64).round(digits).cast(pl.String)
    return text.str.replace(r"\.0$", "")


def warn(odd: pl.DataFrame, code: str, column: str, value: pl.Expr, sentence: pl.Expr) -> pl.DataFrame:
    """Return one warning for each row of `odd`, which has system_id and, for circuits, circuit_id."""
    circuit = pl.col("circuit_id") if "circuit_id" in odd.columns else pl.lit(None, pl.String)
    return odd.select(
        "system_id",
        circuit.alias("circuit_id"),
        pl.lit(code).alias("code"),
        pl.lit(column).alias("column"),
        value.cast(pl.String).alias("value"),
        sentence.alias("sentence"),
    ).cast(pl.Schema(SCHEMA))


def in_order(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """Return warnings as one frame, sorted."""
    return pl.concat([pl.DataFrame(schema=SCHEMA), *frames]).sort(ORDER)

"""Row-level bits: which facts of a row are missing and which were filled from the policy."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from auditor.checks.facts import FACTS, MASK, bits

ZERO = bits()


def flags(conditions: Mapping[str, pl.Expr]) -> pl.Expr:
    """Return the bits of those facts whose condition holds; null counts as not holding."""
    none = pl.lit(0, pl.UInt64)
    words = {0: none}
    for fact, condition in conditions.items():
        word, bit = divmod(FACTS.index(fact), 64)
        words[word] = words.get(word, none) | pl.when(condition).then(pl.lit(1 << bit, pl.UInt64)).otherwise(none)
    # Words of 64 bits are added up in half the time that masks take.
    total = words.pop(0).cast(MASK)
    for word, part in words.items():
        total = total | part.cast(MASK) * pl.lit(1 << 64 * word, MASK)
    return total


def add_bits(frame: pl.DataFrame, missing: Mapping[str, pl.Expr], assumed: Mapping[str, pl.Expr]) -> pl.DataFrame:
    """Return the frame with these facts added to its `missing_bits` and `assumed_bits`."""
    return frame.with_columns(
        (pl.col("missing_bits") | flags(missing)).alias("missing_bits"),
        (pl.col("assumed_bits") | flags(assumed)).alias("assumed_bits"),
    )


def fill(
    frame: pl.DataFrame, defaults: Mapping[str, object | None], facts: Mapping[str, str] | None = None
) -> pl.DataFrame:
    """Fill missing facts with the policy's defaults; a filled fact is assumed, a fact without default is missing.

    `defaults` gives a value for each column, None for none. `facts` names the fact of a column where it differs.
    """
    name = dict(facts or {})
    null = {name.get(column, column): pl.col(column).is_null() for column in defaults}
    filled = {name.get(c, c) for c, value in defaults.items() if value is not None}
    frame = add_bits(
        frame,
        {fact: expr for fact, expr in null.items() if fact not in filled},
        {fact: expr for fact, expr in null.items() if fact in filled},
    )
    values = {column: value for column, value in defaults.items() if value is not None}
    return frame.with_columns(
        pl.col(column).fill_null(pl.lit(value).cast(frame.schema[column])) for column, value in values.items()
    )

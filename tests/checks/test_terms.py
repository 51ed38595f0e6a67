"""Expressions that checks share."""

from __future__ import annotations

import math

import polars as pl
import pytest

from auditor.checks.terms import standard_at_or_above


# NEC 240.6(A): ... 15, 20, 25, ... 45, 50, 60, ... 110, 125, ... 800, 1000, ... 5000, 6000.
@pytest.mark.parametrize(
    ("current", "size"),
    [
        (0.0, 15.0),
        (15.0, 15.0),
        (15.0 * (1 + 1e-10), 15.0),
        (15.0 * (1 + 1e-8), 20.0),
        (50.1, 60.0),
        (110.5, 125.0),
        (801.0, 1000.0),
        (6000.0, 6000.0),
        (6000.1, None),
        (math.inf, None),
        (math.nan, None),
        (None, None),
    ],
)
def test_standard_size_at_or_above(current: float | None, size: float | None) -> None:
    frame = pl.DataFrame({"a": [current]}, schema={"a": pl.Float64})
    assert frame.select(standard_at_or_above(pl.col("a"))).item() == size

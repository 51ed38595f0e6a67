"""**What.** A breaker that one unit alone would trip, or a busbar far smaller than the main breaker ahead of it.

**Why.** Such a device cannot be in service. The figure is another device's, has lost a digit, or is in the wrong
column.

**Rule.** The branch breaker is below the rated current of one unit; the busbar is below half the main breaker.

**Source.** Common practice.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, figure, warn

CODE = "device-sizes"


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the circuits with such a breaker and the systems with such a busbar."""
    breaker, unit = pl.col("breaker_a"), pl.col("unit_current_a")
    bus, main = pl.col("busbar_a"), pl.col("main_breaker_a")
    small = batch.prepared.circuit.filter(breaker < unit)
    thin = batch.records.system.filter(bus < main * 0.5)
    below = pl.format("a breaker of {} A is below the {} A of a single unit", figure(breaker), figure(unit))
    half = pl.format("a busbar of {} A is below half its main breaker of {} A", figure(bus), figure(main))
    return [
        warn(small, CODE, "breaker_a", figure(breaker), below),
        warn(thin, CODE, "busbar_a", figure(bus), half),
    ]


RULE = Rule(CODE, find)

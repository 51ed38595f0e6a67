"""**What.** A circuit's count of units is beyond any circuit, or is not what its arms or its listed units add up to.

**Why.** The audit takes such a count as missing, and says only that it is. Here is what is wrong with it: the count of
the whole system in a circuit's row, or a count from before units were added.

**Rule.** The count is above the policy's ceiling; or the arms, or the listed units, add up to another count; or the
circuit is said to be fed at its end and has several arms.

**Source.** The policy's `units_ceiling`; plain addition.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, warn

CODE = "unit-count"


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the circuits whose units do not add up."""
    circuit, ceiling = batch.records.circuit, batch.policy.units_ceiling
    count = pl.col("inverter_count")
    beyond = circuit.filter(count > ceiling)
    arms = circuit.filter(pl.col("arm_counts").is_not_null()).with_columns(
        pl.col("arm_counts").str.split("+").list.eval(pl.element().str.strip_chars().cast(pl.Int64, strict=False))
        .alias("arms")
    )  # fmt: skip
    unequal = arms.filter(pl.col("arms").list.sum() != count)
    end_fed = arms.filter((pl.col("feed") == "end") & (pl.col("arms").list.len() > 1))
    listed = batch.records.unit.group_by("system_id", "circuit_id").agg(
        pl.col("inverter_count").sum().alias("listed"), pl.col("inverter_count").is_null().any().alias("open")
    )
    other = circuit.join(listed, on=["system_id", "circuit_id"]).filter(
        pl.col("open").not_() & (pl.col("listed") != count)
    )
    told = pl.format(f"{{}} units on one circuit are more than the policy's ceiling of {ceiling}", count)
    adding = pl.format("the arms {} hold {} units and not {}", "arm_counts", pl.col("arms").list.sum(), count)
    return [
        warn(beyond, CODE, "inverter_count", count, told),
        warn(unequal, CODE, "arm_counts", pl.col("arm_counts"), adding),
        warn(end_fed, CODE, "arm_counts", pl.col("arm_counts"),
             pl.format("fed at its end, a circuit has one arm and not {}", "arm_counts")),
        warn(other, CODE, "inverter_count", count, pl.format("the listed units are {} and not {}", "listed", count)),
    ]  # fmt: skip


RULE = Rule(CODE, find)

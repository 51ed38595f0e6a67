"""Move the solar breaker to the other end of the busbar.

What
    Where the busbar fails and the breaker is not there yet: the solar breaker at the end of the busbar opposite the
    main.

Formula
    At the opposite end the sources and the main may add up to 120 % of the busbar's rating in place of 100 %.

Reference
    NEC 705.12(B)(3)(2) (2020 and 2023; 705.12(B)(2)(3)(b) in 2017), with the warning label that it asks for.

What to verify first
    The labels on busbar and main; that no other source or feed-through lug sits at that end. The label beside the
    breaker: do not relocate this overcurrent device.

What cannot be checked
    What else is connected to the busbar, and whether its two ends are where the record has them.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, altered, proposal


def busbar_fails(situation: Situation) -> pl.DataFrame:
    """The systems whose busbar fails: `system_id`, `connection_side` and `backfeed_position`."""
    fails = situation.system.filter((pl.col("busbar_verdict") == "fail").fill_null(False))
    return fails.select("system_id", "connection_side", "backfeed_position")


def propose(situation: Situation) -> Proposal:
    """The opposite end where the breaker is not there yet."""
    change = (
        busbar_fails(situation)
        .filter(pl.col("backfeed_position").is_in(["main end", "elsewhere"]).fill_null(False))
        .select(
            "system_id",
            pl.lit("opposite end").alias("variant"),
            pl.lit("opposite end").alias("new_position"),
            pl.lit("the solar breaker moved to the end of the busbar opposite the main, and labelled").alias("done"),
            pl.lit(0).alias("circuits"),
        )
    )
    return proposal(change, change.select("system_id", "variant", "new_position"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the breaker at its new place."""
    system = altered(records.system, change, ["system_id"], {"backfeed_position": "new_position"})
    return Records(system, records.circuit, records.unit, records.run)


REMEDY = Remedy(
    name="panel-connection",
    title="Move the solar breaker to the opposite end of the busbar",
    effort="panel work",
    verify="The labels on busbar and main, and what else is connected at that end; the 120 % rule asks for a label"
    ' beside the breaker: "do not relocate this overcurrent device" (NEC 705.12).',
    unchecked="What else is connected to the busbar.",
    propose=propose,
    apply=apply,
)

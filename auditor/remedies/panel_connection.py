"""Connect the system elsewhere at the panel.

What
    Where the busbar fails: the solar breaker at the end of the busbar opposite the main, or the connection on the
    supply side of the main.

Formula
    At the opposite end the sources and the main may add up to 120 % of the busbar's rating in place of 100 %. A
    supply-side connection does not load the busbar, and the busbar check does not apply to it.

Reference
    NEC 705.12 (load side), 705.11 (supply side).

What to verify first
    The labels on busbar and main; that no other source or feed-through lug sits at the end that is meant; for the
    supply side, that the utility and the authority allow it.

What cannot be checked
    705.11 is not judged: size and length of the supply-side conductors, the overcurrent device and the fault current. A
    supply-side connection stays live when the main is off.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, altered, proposal


def propose(situation: Situation) -> Proposal:
    """The opposite end where the breaker is not there yet, and the supply side."""
    fails = situation.system.filter((pl.col("busbar_verdict") == "fail").fill_null(False)).select(
        "system_id", "connection_side", "backfeed_position"
    )
    far = fails.filter(pl.col("backfeed_position").is_in(["main end", "elsewhere"]).fill_null(False))
    change = pl.concat(
        [
            far.select(
                "system_id", "connection_side",
                pl.lit("opposite end").alias("variant"),
                pl.lit("opposite end").alias("new_position"),
                pl.col("connection_side").alias("new_side"),
                pl.lit("the solar breaker moved to the end of the busbar opposite the main").alias("done"),
            ),
            fails.select(
                "system_id", "connection_side",
                pl.lit("supply side").alias("variant"),
                pl.col("backfeed_position").alias("new_position"),
                pl.lit("supply").alias("new_side"),
                pl.lit("the system connected on the supply side of the main").alias("done"),
            ),
        ]
    ).with_columns(pl.lit(0).alias("circuits"))  # fmt: skip
    return proposal(change, change.select("system_id", "variant", "new_position", "new_side"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the new connection."""
    columns = {"backfeed_position": "new_position", "connection_side": "new_side"}
    return Records(altered(records.system, change, ["system_id"], columns), records.circuit, records.unit, records.run)


REMEDY = Remedy(
    name="panel-connection",
    title="Connect elsewhere at the panel",
    effort="panel work",
    verify="The labels on busbar and main, and what else is connected at the place that is meant.",
    unchecked="What 705.11 asks of a supply-side connection, which stays live when the main is off.",
    propose=propose,
    apply=apply,
)

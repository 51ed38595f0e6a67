"""Connect the system on the supply side of the main.

What
    Where the busbar fails: the system connected between the meter and the main, through a disconnect of its own.

Formula
    A supply-side connection does not load the busbar, and the busbar check does not apply to it.

Reference
    NEC 705.11; 230.82(6) (what may be connected there); 230.66 (rated as service equipment).

What to verify first
    That the utility and the authority allow it, and when the utility switches the service off for it; room for a fused
    disconnect that is rated as service equipment, of an interrupting rating above the fault current there.

What cannot be checked
    705.11 is not judged: size and length of the supply-side conductors, the overcurrent device and the fault current.
    The connection stays live when the main is off.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, altered, proposal
from auditor.remedies.panel_connection import busbar_fails


def propose(situation: Situation) -> Proposal:
    """The supply side, for every system whose busbar fails."""
    change = busbar_fails(situation).select(
        "system_id",
        pl.lit("supply side").alias("variant"),
        pl.lit("supply").alias("new_side"),
        pl.lit("the system connected on the supply side of the main through a fused disconnect").alias("done"),
        pl.lit(0).alias("circuits"),
    )
    return proposal(change, change.select("system_id", "variant", "new_side"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the new connection."""
    system = altered(records.system, change, ["system_id"], {"connection_side": "new_side"})
    return Records(system, records.circuit, records.unit, records.run)


REMEDY = Remedy(
    name="supply-side-connection",
    title="Connect on the supply side of the main",
    effort="service work",
    verify="That the utility and the authority allow it, and the outage that the utility gives for it; room for a fused"
    " disconnect rated as service equipment, above the fault current there.",
    unchecked="What 705.11 asks of a supply-side connection, which stays live when the main is off.",
    propose=propose,
    apply=apply,
)

"""A request to the utility about its supply.

What
    Where a system is likely to trip and its supply has the largest share of that, larger than its service's and its own
    wiring's: ask the utility to look at the voltage at the service point.

Formula
    The shares are those of the trip-days by Shapley values over supply, service and wiring. After a log that the model
    hardly allows (a chance below 0.01 of so many trip-days) they are not known, and nothing is asked.

Reference
    ANSI C84.1 Range A for US services, EN 50160 and AS 61000.3.100 elsewhere: the utility answers for the voltage at
    the service point.

What to verify first
    That the own wiring meets its target and neutral and connections are sound; some days of recorded voltage at the
    service point with the output beside it. The supply is an assumption of the policy until readings replace it.

What cannot be checked
    What the utility finds and does: no audit judges it, and no trips are promised away.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.terms import number
from auditor.remedies.base import LOG_UNEXPLAINED, Proposal, Remedy, Situation, proposal


def propose(situation: Situation) -> Proposal:
    """One candidate for each system that the supply makes trip most."""
    supply = number("supply_share")
    most = (supply > number("service_share")) & (supply > number("wiring_share"))
    change = situation.system.filter(pl.col("likely") & LOG_UNEXPLAINED.not_() & most.fill_null(False)).select(
        "system_id",
        pl.lit("supply").alias("variant"),
        pl.format(
            "the utility asked to look at its supply, which has {} % of the expected trip-days",
            (supply * 100).round().cast(pl.Int64),
        ).alias("done"),
        pl.lit(0).alias("circuits"),
    )
    return proposal(change, change.select("system_id", "variant"))


REMEDY = Remedy(
    name="supply-request",
    title="Ask the utility about its supply",
    effort="letter",
    verify="The own wiring, neutral and connections; some days of recorded voltage at the service point.",
    unchecked="What the utility finds and does.",
    propose=propose,
    apply=None,
)

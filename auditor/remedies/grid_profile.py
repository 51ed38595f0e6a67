"""One grid profile in all units of a system.

What
    Where some units are set to another grid profile than the system's: those units set to the system's. A unit that was
    swapped later often keeps the settings it came with.

Formula
    The system trips with the unit whose first threshold is lowest.

Reference
    The utility's interconnection agreement says which profile holds; no record does.

What to verify first
    Neutral and connections, before any setting is changed: the trip may be their only symptom. Then what each unit
    reports as its profile, and which one the utility asks for.

What cannot be checked
    Whether the system's recorded profile is the one that the utility asks for.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, proposal


def propose(situation: Situation) -> Proposal:
    """One candidate for each system that fails or is likely to trip and has units of another profile."""
    own = situation.system.select(
        "system_id", "grid_profile", pl.any_horizontal("likely", pl.col("verdict") == "fail").alias("_asked")
    )
    units = situation.records.unit.filter(pl.col("grid_profile").is_not_null()).rename({"grid_profile": "_of_unit"})
    odd = units.join(own, on="system_id").filter(pl.col("_asked") & (pl.col("_of_unit") != pl.col("grid_profile")))
    rows = odd.group_by("system_id", maintain_order=True).agg(
        pl.col("grid_profile").first(), pl.col("circuit_id").n_unique().cast(pl.Int64).alias("circuits")
    )
    change = rows.with_columns(
        pl.lit("one profile").alias("variant"),
        pl.format("the units that are set otherwise set to {}", "grid_profile").alias("done"),
    )
    return proposal(change, change.select("system_id", "variant"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records without profiles of single units."""
    ids = change["system_id"].implode()
    here = pl.col("system_id").is_in(ids)
    unit = records.unit.with_columns(pl.when(here.not_()).then("grid_profile").alias("grid_profile"))
    return Records(records.system, records.circuit, unit, records.run)


REMEDY = Remedy(
    name="grid-profile",
    title="One grid profile in all units",
    effort="settings",
    verify="Neutral and connections first; then what each unit reports, and which profile the utility asks for.",
    unchecked="Whether the recorded profile is the one that the utility asks for.",
    propose=propose,
    apply=apply,
    settings=True,
)

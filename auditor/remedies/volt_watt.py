"""Volt-watt turned on, with the utility's consent.

What
    Turns the volt-watt line of the system's own grid profile on, where the profile has one that is delivered off and
    the system is likely to trip: output falls as the voltage rises, in place of a trip.

Formula
    p = min(f, 1 - (1 - P2)(V - V1)/(V2 - V1)), solved with the rise that p itself makes. Trips become curtailed energy,
    which is told beside them.

Reference
    The profile's standard; IEEE 1547-2018 clause 5.4.2 allows it by mutual agreement (clause from memory).

What to verify first
    Neutral and connections, before any setting is changed: the trip may be their only symptom. The utility's consent in
    writing.

What cannot be checked
    Whether the utility consents, and whether the units' firmware has the function.
"""

from __future__ import annotations

import polars as pl

from auditor.catalog import alias_key
from auditor.prepare import Frames, Records
from auditor.remedies.base import Proposal, Remedy, Situation, altered, proposal

SUFFIX = " with volt-watt on"


def _idle(catalog: Frames) -> pl.DataFrame:
    """The profiles whose volt-watt line is known and delivered off."""
    line = pl.col("volt_watt_v1_pu").is_not_null() & pl.col("volt_watt_on_by_default").not_()
    return catalog["grid_profile"].filter(line.fill_null(False))


def with_volt_watt(catalog: Frames) -> Frames:
    """The catalog's tables with a second profile for each whose volt-watt line is delivered off: with it on."""
    idle = _idle(catalog)
    on = idle.with_columns(pl.col("name") + SUFFIX, pl.lit(True).alias("volt_watt_on_by_default"))
    thresholds = catalog["grid_profile_threshold"]
    theirs = thresholds.filter(pl.col("profile").is_in(idle["name"].implode())).with_columns(pl.col("profile") + SUFFIX)
    names = on["name"].to_list()
    alias = pl.DataFrame(
        {"alias_key": [alias_key(name) for name in names], "profile": names},
        schema=catalog["grid_profile_alias"].schema,
    )
    return catalog | {
        "grid_profile": pl.concat([catalog["grid_profile"], on]),
        "grid_profile_threshold": pl.concat([thresholds, theirs]),
        "grid_profile_alias": pl.concat([catalog["grid_profile_alias"], alias]),
    }


def propose(situation: Situation) -> Proposal:
    """One candidate for each system that is likely to trip and whose profile has a line that is off."""
    known = dict(
        situation.catalog["grid_profile_alias"]
        .join(_idle(situation.catalog).select(profile="name"), on="profile")
        .select("alias_key", "profile")
        .iter_rows()
    )
    texts = situation.system["grid_profile"].drop_nulls().unique().sort().to_list()
    meant = {text: known[alias_key(text)] for text in texts if alias_key(text) in known}
    profile = pl.col("grid_profile").replace_strict(meant, default=None, return_dtype=pl.String)
    change = (
        situation.system.filter("likely")
        .select("system_id", profile.alias("_profile"))
        .drop_nulls()
        .with_columns(
            pl.lit("volt-watt").alias("variant"),
            (pl.col("_profile") + SUFFIX).alias("new_profile"),
            pl.format("the volt-watt line of {} turned on", "_profile").alias("done"),
            pl.lit(0).alias("circuits"),
        )
    )
    return proposal(change, change.select("system_id", "variant", "new_profile"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the profile whose line is on."""
    system = altered(records.system, change, ["system_id"], {"grid_profile": "new_profile"})
    return Records(system, records.circuit, records.unit, records.run)


REMEDY = Remedy(
    name="volt-watt",
    title="Volt-watt with the utility's consent",
    effort="settings",
    verify="Neutral and connections first; then the utility's consent in writing.",
    unchecked="Whether the utility consents, and whether the units' firmware has the function.",
    propose=propose,
    apply=apply,
    settings=True,
    catalog=with_volt_watt,
)

"""The correct grid profile in all units of a system.

What
    Where the policy names the profile that the utility requires and the system or some of its units are set to another
    one: all units set to the required one. Where it names none, and some units are set to another profile than the
    system's: those set to the system's. A unit that was swapped later often keeps the settings it came with.

Formula
    The system trips with the unit whose first threshold is lowest. Two names of one profile are one profile.

Reference
    The utility's interconnection agreement says which profile holds. No record does; the policy may, for each utility
    (`triage.required_profile`). Without it nobody knows whether the recorded profile is the correct one.

What to verify first
    Neutral and connections, before any setting is changed: the trip may be their only symptom. Then what each unit
    reports as its profile, and which one the utility asks for in writing.

What cannot be checked
    Whether the units are set as the records say.
"""

from __future__ import annotations

import polars as pl

from auditor.catalog import alias_key
from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, altered, proposal


def _meant(texts: pl.Series, situation: Situation) -> pl.Series:
    """The profiles that texts mean; a text that the catalog does not know means itself."""
    known = dict(situation.catalog["grid_profile_alias"].select("alias_key", "profile").iter_rows())
    names = {text: known.get(alias_key(text), text) for text in texts.drop_nulls().unique().sort().to_list()}
    return texts.replace_strict(names, default=None, return_dtype=pl.String)


def _keys(texts: pl.Series) -> pl.Series:
    """Texts less case, spaces and marks: what two spellings of one name have in common."""
    keys = {text: alias_key(text) for text in texts.drop_nulls().unique().sort().to_list()}
    return texts.replace_strict(keys, default=None, return_dtype=pl.String)


def _required(utilities: pl.Series, situation: Situation) -> pl.Series:
    """The profile that each utility requires; null where the policy names none, or one that the catalog lacks."""
    rules, known = situation.policy.triage, situation.catalog["grid_profile"]["name"].to_list()
    named = {utility: rules.required(utility) for utility in utilities.drop_nulls().unique().sort().to_list()}
    found = _meant(utilities.replace_strict(named, default=None, return_dtype=pl.String), situation)
    return pl.select(pl.when(found.is_in(known)).then(found)).to_series()


def propose(situation: Situation) -> Proposal:
    """One candidate for each system that fails or is likely to trip and has units of another profile than it should."""
    asked = situation.system.filter(pl.col("likely") | (pl.col("verdict") == "fail").fill_null(False))
    own = asked.select(
        "system_id", "utility",
        _meant(asked["grid_profile"], situation).alias("_set"),
        _required(asked["utility"], situation).alias("_required"),
    ).with_columns(pl.coalesce("_required", "_set").alias("new_profile"))  # fmt: skip
    own = own.with_columns(_keys(own["new_profile"]).alias("_asked"))
    units = situation.records.unit.filter(pl.col("grid_profile").is_not_null())
    units = units.select("system_id", "circuit_id", _keys(_meant(units["grid_profile"], situation)).alias("_unit"))
    odd = units.join(own, on="system_id").filter(pl.col("_unit") != pl.col("_asked"))
    odd = odd.group_by("system_id").agg(pl.col("circuit_id").n_unique().cast(pl.Int64).alias("_odd"))
    counts = situation.records.circuit.group_by("system_id").agg(pl.len().cast(pl.Int64).alias("_all"))
    rows = own.join(odd, on="system_id", how="left", maintain_order="left")
    rows = rows.join(counts, on="system_id", how="left", maintain_order="left")
    whole = (pl.col("_set") != pl.col("_required")).fill_null(False)
    required = pl.format("{}, which {} requires", "new_profile", "utility")
    change = rows.filter(whole | pl.col("_odd").is_not_null()).with_columns(
        pl.when(pl.col("_required").is_null()).then(pl.lit("one profile")).otherwise(pl.lit("required profile"))
        .alias("variant"),
        pl.when(whole).then(pl.format("all units set to {}, in place of {}", required, "_set"))
        .otherwise(pl.format("the units that are set otherwise set to {}", pl.coalesce(required, "new_profile")))
        .alias("done"),
        pl.when(whole).then("_all").otherwise("_odd").alias("circuits"),
    )  # fmt: skip
    return proposal(change, change.select("system_id", "variant", "new_profile"))


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with the new profile, and without profiles of single units."""
    system = altered(records.system, change, ["system_id"], {"grid_profile": "new_profile"})
    here = pl.col("system_id").is_in(change["system_id"].implode())
    unit = records.unit.with_columns(pl.when(here.not_()).then("grid_profile").alias("grid_profile"))
    return Records(system, records.circuit, unit, records.run)


REMEDY = Remedy(
    name="grid-profile",
    title="The correct grid profile in all units",
    effort="settings",
    verify="Neutral and connections first; then what each unit reports, and which profile the utility asks for.",
    unchecked="Whether the units are set as recorded, and whether the utility asks for this profile today.",
    propose=propose,
    apply=apply,
    settings=True,
)

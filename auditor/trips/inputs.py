"""What the likelihood takes of each system: its path, its supply, its units and its plane; what is assumed and missing.

All voltages are in percent of the nominal voltage across a unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from auditor.checks.facts import names
from auditor.electrical.arrays import total_by
from auditor.likelihood.inputs import MONTHS
from auditor.policy import Policy
from auditor.prepare import Prepared
from auditor.prepare.layout import column
from auditor.prepare.specs import Frames
from auditor.prepare.trip_path import is_known
from auditor.trips.evidence import Evidence
from auditor.trips.profiles import Settings, settings_by_spelling
from auditor.trips.supply import Character, with_beta, with_readings, with_supply

#: Words of what the policy supplies of the supply: all of it, or what readings leave open.
SUPPLY, MONTHS_LEFT, NOISE, PEAKS = (
    "supply voltage", "supply in months not read", "noise of the supply", "peaks of the supply",
)  # fmt: skip


@dataclass(frozen=True)
class Inputs:
    """One row per system, and what its `supply` and `settings` numbers stand for.

    `assumed` and `missing` list facts in words, joined by "; ".
    """

    frame: pl.DataFrame
    supplies: tuple[Character, ...]
    settings: tuple[Settings, ...]


def inputs(prepared: Prepared, catalog: Frames, policy: Policy, evidence: Evidence | None = None) -> Inputs:
    """The inputs of every system of a batch, in the order of its system frame."""
    evidence = evidence or Evidence()
    frame = prepared.system.join(_units(prepared.circuit), on="system_row", how="left", maintain_order="left")
    frame = _with_power(frame, prepared.circuit)
    frame, assumed = with_supply(frame, policy)
    frame, supplies = with_readings(with_beta(frame), assumed, evidence.supplies)
    frame = _plane(_path(frame, policy), policy)
    settings = settings_by_spelling(frame["trip_profile"].drop_nulls().unique().sort().to_list(), catalog, policy)
    spellings = list(settings)
    number = pl.col("trip_profile").replace_strict(
        {s: n for n, s in enumerate(spellings)}, default=None, return_dtype=pl.Int64
    )
    frame = frame.with_columns(number.alias("settings"))
    found = tuple(settings[spelling] for spelling in spellings)
    frame = _named(frame, found).join(_unsolved(prepared.circuit), on="system_row", how="left", maintain_order="left")
    return Inputs(_missing(frame, found), supplies, found)


def _units(circuit: pl.DataFrame) -> pl.DataFrame:
    """Of each system: stated sensing error, design rise from the panel to the worst unit, the entrance's [%], and the
    voltage across its units [V].

    Null where no circuit knows it.
    """
    parts = pl.sum_horizontal("trunk_rise_pct", "home_run_rise_pct", "feeder_rise_pct", ignore_nulls=False)
    return circuit.group_by("system_row").agg(
        pl.col("sensing_error_pct").max().alias("_sensing"),
        parts.max().alias("_circuit_rise"),
        pl.col("service_entrance_rise_pct").max().alias("_entrance_rise"),
        pl.col("unit_voltage_v").max(),
    )


def _with_power(frame: pl.DataFrame, circuit: pl.DataFrame) -> pl.DataFrame:
    """Add rated output and module power [kW] of each system; null where any circuit lacks what they rest on.

    The sums go in the circuits' order, whatever else is in the batch.
    """
    watts = column(circuit.select(w=pl.col("module_count") * pl.col("module_power_w")), "w")
    module_kw = total_by(circuit["system_row"].to_numpy(), watts, frame.height) * 0.001
    return frame.with_columns(
        (pl.col("solar_kva") * pl.col("cos_phi")).alias("rated_kw"), pl.Series("module_kw", module_kw).fill_nan(None)
    )


def _path(frame: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Add `wiring_pct`, its part `entrance_pct` and `service_pct`, the rise at the trip voltage [%], and which parts of
    the path are assumed.

    The exact rise over what is known is shared out as the design rises are; what is not known adds the policy's share.
    """
    assume = policy.trips.assume
    entrance, drop = is_known("service_entrance"), is_known("service_drop")
    winding = pl.col("transformer_rise_pct").is_not_null()
    exact = pl.col("trip_pu") * 100 - pl.col("no_export_pct")
    wiring = pl.col("_circuit_rise") + pl.when(entrance).then("_entrance_rise").otherwise(0.0)
    service = pl.when(drop).then("service_drop_rise_pct").otherwise(0.0) + pl.col("transformer_rise_pct").fill_null(0.0)
    share = pl.when(wiring + service > 0).then(wiring / (wiring + service)).otherwise(1.0)
    taken = {
        "service_entrance": (entrance, assume.service_entrance_pct),
        "service_drop": (drop, assume.service_drop_pct),
        "transformer": (winding, assume.transformer_pct),
    }
    added = {name: pl.when(known).then(0.0).otherwise(pl.lit(pct, pl.Float64)) for name, (known, pct) in taken.items()}
    sensing = pl.coalesce("_sensing", pl.lit(assume.sensing_error_pct, pl.Float64))
    target = wiring - (pl.col("worst_total_rise_pct") - pl.col("rise_target_pct")).clip(lower_bound=0.0)
    frame = frame.with_columns(
        (exact * share + added["service_entrance"]).alias("wiring_pct"),
        (
            exact
            * pl.when(entrance & (wiring + service > 0))
            .then(pl.col("_entrance_rise") / (wiring + service))
            .otherwise(0.0)
            + added["service_entrance"]
        ).alias("entrance_pct"),
        (exact * (1 - share) + added["service_drop"] + added["transformer"]).alias("service_pct"),
        (sensing * policy.trips.sensing_share).alias("sensing_pct"),
        *(known.not_().alias(f"{name}_assumed") for name, (known, _) in taken.items()),
        pl.col("_sensing").is_null().alias("sensing_assumed"),
        (target / wiring).fill_nan(None).alias("_at_target"),
    )
    return frame.with_columns((pl.col("wiring_pct") * pl.col("_at_target")).alias("target_pct"))


def _plane(frame: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Fill place, plane and the ratio of module to inverter power from the policy, and say which were filled."""
    assume = policy.trips.assume
    latitude = pl.coalesce("latitude_deg", "policy_latitude_deg")
    equator = pl.when(latitude >= 0).then(180.0).otherwise(0.0) if assume.faces_equator else pl.lit(None, pl.Float64)
    ratio = pl.col("module_kw") / pl.col("rated_kw")
    filled = {
        "latitude_deg": (pl.col("latitude_deg"), pl.col("policy_latitude_deg")),
        "tilt_deg": (pl.col("tilt_deg"), pl.lit(assume.tilt_deg, pl.Float64)),
        # the azimuth of a flat plane does not matter
        "azimuth_deg": (pl.when(pl.col("tilt_deg") == 0).then(0.0).otherwise("azimuth_deg"), equator),
        "dc_ac_ratio": (pl.when(ratio > 0).then(ratio), pl.lit(assume.dc_ac_ratio, pl.Float64)),
    }
    return frame.with_columns(
        *(pl.coalesce(own.cast(pl.Float64), default).alias(name) for name, (own, default) in filled.items()),
        *(own.is_null().alias(f"{name}_assumed") for name, (own, _) in filled.items()),
    )


def _named(frame: pl.DataFrame, settings: tuple[Settings, ...]) -> pl.DataFrame:
    """Add `assumed`, in words."""
    of_profile = {n: "; ".join(s.assumed) for n, s in enumerate(settings) if s.assumed}
    words = {
        "beta_assumed": "neighbours' sun",
        "service_entrance_assumed": "service entrance",
        "service_drop_assumed": "service drop",
        "transformer_assumed": "transformer",
        "sensing_assumed": "sensing error",
        "latitude_deg_assumed": "place",
        "tilt_deg_assumed": "tilt",
        "azimuth_deg_assumed": "azimuth",
        "dc_ac_ratio_assumed": "module to inverter power",
    }
    read = pl.col("read_days").is_not_null()
    supply = [
        pl.when(read.not_()).then(pl.lit(SUPPLY)),
        pl.when(pl.col("months_read") < MONTHS).then(pl.lit(MONTHS_LEFT)),
        pl.when(pl.col("noise_read").not_()).then(pl.lit(NOISE)),
        pl.when(pl.col("peaks_read").not_()).then(pl.lit(PEAKS)),
    ]
    parts = [*supply, *(pl.when(flag).then(pl.lit(name)) for flag, name in words.items())]
    profile = pl.col("settings").replace_strict(of_profile, default=None, return_dtype=pl.String)
    return frame.with_columns(pl.concat_str(*parts, profile, separator="; ", ignore_nulls=True).alias("assumed"))


def _unsolved(circuit: pl.DataFrame) -> pl.DataFrame:
    """The missing facts, in words, of the circuits of each system whose rise is not known."""
    rows = circuit.filter(pl.col("total_rise_pct").is_null()).select(
        "system_row", mask=(pl.col("missing_bits") & pl.col("rise_needs"))
    )
    told = {mask: list(names(mask)) for mask in rows["mask"].unique().to_list()}
    lists = pl.Series("_facts", [told[mask] for mask in rows["mask"].to_list()], pl.List(pl.String))
    facts = rows.select("system_row").with_columns(lists).explode("_facts").drop_nulls()
    return facts.group_by("system_row").agg(pl.col("_facts").unique().sort().str.join("; ").alias("_wiring_facts"))


def _missing(frame: pl.DataFrame, settings: tuple[Settings, ...]) -> pl.DataFrame:
    """Add `missing`, in words: what keeps the answer unknown; empty where nothing does."""
    of_profile = {n: "; ".join(s.missing) for n, s in enumerate(settings) if s.missing}
    without = pl.col("settings").replace_strict(of_profile, default=None, return_dtype=pl.String)
    no_profile = pl.when(pl.col("settings").is_null()).then(pl.lit("grid_profile"))
    unsolved = pl.when(pl.col("no_export_pct").is_null() & pl.col("settings").is_not_null()).then(
        pl.coalesce("_wiring_facts", pl.lit("an exact solution for these units"))
    )
    solved = pl.col("no_export_pct").is_not_null()
    plain = [
        pl.when(solved & pl.col("wiring_pct").is_null()).then(pl.lit("service entrance")),
        pl.when(solved & pl.col("service_pct").is_null()).then(pl.lit("service drop or transformer")),
        pl.when(pl.col("units").is_null()).then(pl.lit("inverter_count")),
        pl.when(pl.col("sensing_pct").is_null()).then(pl.lit("sensing error")),
    ]
    place = [
        pl.when(pl.col(fact).is_null()).then(pl.lit(fact))
        for fact in ("latitude_deg", "tilt_deg", "azimuth_deg", "dc_ac_ratio")
    ]
    told = pl.concat_str(no_profile, without, unsolved, *plain, *place, separator="; ", ignore_nulls=True)
    return frame.with_columns(told.alias("missing"))

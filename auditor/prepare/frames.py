"""The frames that the checks see: circuits, feeders and systems with their facts, specs and electrical columns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from auditor.checks import branch_unit_limit
from auditor.checks.facts import bits
from auditor.checks.terms import needed
from auditor.electrical.currents import line_factor, units_within
from auditor.policy import Policy
from auditor.prepare import layout, specs
from auditor.prepare.ampacity import add_factors, for_edition
from auditor.prepare.bits import add_bits
from auditor.prepare.runs import in_series, run_bits
from auditor.prepare.systems import prepare_systems


@dataclass(frozen=True)
class Records:
    """Canonical records of whole systems, each table with the columns of its schema."""

    system: pl.DataFrame
    circuit: pl.DataFrame
    unit: pl.DataFrame
    run: pl.DataFrame


@dataclass(frozen=True)
class Prepared:
    """The frames of one batch; rows sorted by system, then combiner or circuit."""

    system: pl.DataFrame
    feeder: pl.DataFrame
    circuit: pl.DataFrame


SHARED = (
    "service", "service_known", "three_phase_service", "installation_code", "code_edition", "code_year", "code_family",
    "region", "region_ambient_c", "line_line_v", "line_neutral_v", "service_top_pu", "cos_phi", "sin_phi",
    "module_model", "grid_profile", "low_design_temp_c", "cell_high_temp_c", "rise_target_pct", "rise_starts_at",
    "specs_on",
)  # fmt: skip


def _join_system(frame: pl.DataFrame, system: pl.DataFrame) -> pl.DataFrame:
    """Join the system's facts and bits onto circuits or feeders."""
    right = system.select("system_id", "missing_bits", "assumed_bits", *SHARED)
    return frame.join(right, on="system_id", how="left", maintain_order="left")


def _feeders(circuit: pl.DataFrame, system: pl.DataFrame, run: pl.DataFrame) -> pl.DataFrame:
    """One row per feeder: the combiners that circuits name, or one feeder for a system's other circuits."""
    keys = circuit.select("system_id", pl.col("combiner_id").fill_null("")).unique().sort("system_id", "combiner_id")
    frame = keys.join(
        in_series(run, "feeder", ["system_id", "combiner_id"]), on=["system_id", "combiner_id"], how="left"
    )
    frame = frame.sort("system_id", "combiner_id").with_row_index("feeder_row")
    frame = frame.with_columns(pl.col("feeder_row").cast(pl.Int64), pl.col("combiner_id").replace("", None))
    unstated = {"ambient_c": pl.Float64, "roof_clearance_mm": pl.Float64, "raceway_conductors": pl.Int64}
    frame = frame.with_columns(pl.lit(None, kind).alias(column) for column, kind in unstated.items())
    return run_bits(_join_system(frame, system), "feeder", ampacity=True)


def _with_first_model(records: Records) -> pl.DataFrame:
    """The circuits, each that names no model with that of its first listed unit."""
    listed = records.unit.sort("system_id", "circuit_id", "unit_order")
    first = listed.unique(["system_id", "circuit_id"], keep="first", maintain_order=True)
    first = first.select("system_id", "circuit_id", pl.col("inverter_model").alias("_model"))
    frame = records.circuit.join(first, on=["system_id", "circuit_id"], how="left", maintain_order="left")
    return frame.with_columns(pl.coalesce("inverter_model", "_model").alias("inverter_model")).drop("_model")


def _circuits(
    records: Records, system: pl.DataFrame, run: pl.DataFrame, catalog: specs.Frames, policy: Policy
) -> pl.DataFrame:
    frame = _join_system(_with_first_model(records).sort("system_id", "circuit_id"), system)
    frame = specs.add_trunks(frame, catalog, policy)
    frame = specs.add_inverters(frame, catalog)
    frame = specs.add_modules(frame, catalog)
    frame = specs.add_thresholds(frame, catalog)
    frame = layout.add_first_section(layout.add_counts(frame, records.unit, policy), policy)
    frame = frame.join(
        in_series(run, "home run", ["system_id", "circuit_id"]),
        on=["system_id", "circuit_id"],
        how="left",
        maintain_order="left",
    )
    frame = run_bits(frame, "home_run", ampacity=True)
    frame = for_edition(add_factors(frame, catalog, policy), "home_run", catalog)
    several = pl.len().over("system_id") > 1
    loose = pl.col("combiner_id").is_null() & several
    one = pl.lit(policy.assume.one_feeder)
    plain = ("breaker_a", "module_count")
    return add_bits(
        frame,
        {"combiner_id": loose & one.not_(), **{c: pl.col(c).is_null() for c in plain}},
        {"combiner_id": loose & one},
    )


def _systems(records: Records, run: pl.DataFrame, policy: Policy, as_of: date) -> pl.DataFrame:
    frame = prepare_systems(records.system.sort("system_id"), policy)
    frame = frame.with_columns(specs.specs_on(policy, as_of).alias("specs_on"))
    for role in ("service entrance", "service drop"):
        frame = frame.join(in_series(run, role, ["system_id"]), on="system_id", how="left", maintain_order="left")
        frame = run_bits(frame, role.replace(" ", "_"))
    # A unit's own voltage decides the base of a single-phase network; it is 120 V only for line-to-neutral units.
    return frame.with_columns(pl.col("line_line_v").alias("network_v"))


def _limits(circuit: pl.DataFrame, catalog: specs.Frames, policy: Policy) -> pl.DataFrame:
    """Add stated and computed unit limits and the effect of the current's last printed digit."""
    wiring = pl.when(pl.col("wiring") == "single").then(pl.lit("single")).otherwise(pl.lit("three-phase"))
    names = {"revision": "inverter_revision", "wiring": "_wiring"}
    limits = specs.as_written(catalog["inverter_branch_limit"].rename(names), circuit, "inverter_model")
    keys = ["inverter_model", "inverter_revision", "service", "_wiring"]
    frame = circuit.with_columns(wiring.alias("_wiring"))
    stated = limits.group_by([*keys, "breaker_a"]).agg(pl.col("units").min().alias("stated_unit_limit"))
    other = limits.select(keys).unique().with_columns(pl.lit(True).alias("_stated"))
    frame = frame.join(stated, on=[*keys, "breaker_a"], how="left", maintain_order="left")
    frame = frame.join(other, on=keys, how="left", maintain_order="left").drop("_wiring")
    computed = np.full(frame.height, np.nan)
    tolerance = np.full(frame.height, np.nan)
    count, current = layout.column(frame, "inverter_count"), layout.column(frame, "unit_current_a")
    half = layout.column(frame, "unit_half_digit_a")
    device = frame.select(a=branch_unit_limit.device_a())
    allowed = layout.column(device, "a") * policy.branch.continuous_fraction
    for kind in ("single", "pairs", "neutral"):
        of_kind = (frame["wiring"] == kind).fill_null(False).to_numpy()
        usable = of_kind & ~np.isnan(current) & ~np.isnan(allowed)
        computed[usable] = units_within(kind, current[usable], allowed[usable], half[usable])
        counted = of_kind & ~np.isnan(count)
        tolerance[counted] = line_factor(kind, count[counted].astype(np.int64)) * half[counted]
    return frame.with_columns(
        pl.Series("computed_unit_limit", computed).fill_nan(None).cast(pl.Int64),
        pl.Series("line_current_tolerance_a", tolerance).fill_nan(None),
        (pl.col("_stated").fill_null(False) & pl.col("stated_unit_limit").is_null()).alias(
            "stated_limit_for_other_breaker"
        ),
    ).drop("_stated")


TRUNK_FACTS = (
    "service", "inverter_model", "inverter_spec", "inverter_count", "inverter_current", "inverter_connection",
    "circuit_phases", "trunk_model", "trunk_spec", "trunk_section", "orientation", "feed", "arm_counts",
    "first_section_m", "power_factor", "power_factor_mode",
)  # fmt: skip
CURRENT_FACTS = (
    "service", "inverter_model", "inverter_spec", "inverter_count", "inverter_current", "inverter_connection",
    "circuit_phases", "power_factor", "power_factor_mode",
)  # fmt: skip


def _needs(circuit: pl.DataFrame) -> pl.DataFrame:
    """Add, as bits, the facts each part of the rise rests on."""
    run = ("length_m", "size", "material")
    home = bits(*CURRENT_FACTS, *(f"home_run_{c}" for c in run))
    feeder = bits(*CURRENT_FACTS, "combiner_id", "feeder_load", *(f"feeder_{c}" for c in run))
    from_service = pl.col("rise_starts_at") == "point of supply"
    # The raceway decides the reactance, which counts on three phases and beside reactive power.
    reactive = pl.col("three_phase_service") | (pl.col("sin_phi") != 0).fill_null(True)
    needs = {
        "trunk": bits(*TRUNK_FACTS),
        "home_run": home | needed(reactive, "home_run_raceway"),
        "feeder": feeder | needed(reactive, "feeder_raceway"),
    }
    total = needs["trunk"] | needs["home_run"] | needs["feeder"]
    counted = needed(from_service, *(f"service_entrance_{c}" for c in run))
    return circuit.with_columns(
        (total | counted).alias("rise_needs"), **{f"{part}_rise_needs": facts for part, facts in needs.items()}
    )

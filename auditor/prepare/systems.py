"""The system's own facts, with the policy's defaults and its region's figures filled in."""

from __future__ import annotations

import polars as pl

from auditor.policy import Policy
from auditor.prepare.bits import ZERO, add_bits, fill
from auditor.prepare.codes import add_codes

THREE_PHASE = ("208Y/120", "480Y/277", "400Y/230")
IEC_SERVICES = ("230", "400Y/230")
US_SERVICES = ("120/240", "208Y/120", "480Y/277")
KNOWN_SERVICES = (*US_SERVICES, *IEC_SERVICES)

#: Nominal volts between lines and from line to neutral, by service.
NOMINAL_V = {
    "120/240": (240.0, 120.0),
    "208Y/120": (208.0, 120.0),
    "480Y/277": (480.0, 277.0),
    "230": (230.0, 230.0),
    "400Y/230": (400.0, 230.0),
}
#: A supply above this, per unit of nominal, is out of its range whatever the policy's own top: ANSI C84.1 Range B at
#: the service (254 V, 220 V and 508 V; from memory), EN 50160 and AS 60038 +10 %.
REPORT_PU = {"120/240": 254 / 240, "208Y/120": 220 / 208, "480Y/277": 508 / 480, "230": 1.10, "400Y/230": 1.10}


def _region_frame(policy: Policy) -> pl.DataFrame:
    schema = {
        "region": pl.String,
        "region_target_pct": pl.Float64,
        "region_starts_at": pl.String,
        "region_service_top_pu": pl.Float64,
        "region_low_design_temp_c": pl.Float64,
        "region_ambient_c": pl.Float64,
        "region_installation_code": pl.String,
        "region_code_edition": pl.String,
    }
    rows = [
        (
            name,
            r.target_pct,
            r.starts_at,
            r.service_top_pu,
            r.low_design_temp_c,
            r.ambient_c,
            r.installation_code,
            r.code_edition,
        )
        for name, r in policy.region.items()
    ]
    return pl.DataFrame(rows, schema=schema, orient="row")


def _fill_from_region(frame: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """Fill missing facts from the region's figures and mark them assumed."""
    assumed = {c: pl.col(c).is_null() & pl.col(f"region_{c}").is_not_null() for c in columns}
    frame = add_bits(frame, {}, assumed)
    return frame.with_columns(pl.coalesce(c, f"region_{c}").alias(c) for c in columns)


def _power_factor(frame: pl.DataFrame) -> pl.DataFrame:
    """Add cos_phi and sin_phi (positive where the source injects); a bare power factor leaves the sign missing."""
    mode = pl.col("power_factor_mode")
    sign = pl.when(mode == "injects").then(1.0).when(mode == "absorbs").then(-1.0)
    size = (1 - pl.col("power_factor") ** 2).sqrt()
    unsigned = (pl.col("power_factor") < 1) & mode.is_null()
    frame = add_bits(frame, {"power_factor_mode": unsigned}, {})
    return frame.with_columns(
        pl.col("power_factor").alias("cos_phi"),
        pl.when(pl.col("power_factor") == 1).then(0.0).otherwise(sign * size).alias("sin_phi"),
    )


def _transformer(frame: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Fill the transformer's impedance by its rating, where the policy gives one and only the rating is known."""
    r, x = pl.lit(None, pl.Float64), pl.lit(None, pl.Float64)
    for step in sorted(policy.transformer, key=lambda t: t.up_to_kva, reverse=True):
        inside = pl.col("transformer_kva") <= step.up_to_kva
        r = pl.when(inside).then(step.r_pct).otherwise(r)
        x = pl.when(inside).then(step.x_pct).otherwise(x)
    unknown = pl.any_horizontal(pl.col("transformer_r_pct", "transformer_x_pct").is_null())
    frame = frame.with_columns(
        pl.when(unknown).then(r).otherwise("transformer_r_pct").alias("_r"),
        pl.when(unknown).then(x).otherwise("transformer_x_pct").alias("_x"),
        unknown.alias("_unknown"),
    )
    frame = add_bits(
        frame,
        {"transformer_kva": pl.col("transformer_kva").is_null(), "transformer_r_pct": pl.col("_r").is_null()},
        {"transformer_r_pct": pl.col("_unknown") & pl.col("_r").is_not_null()},
    )
    return frame.with_columns(pl.col("_r").alias("transformer_r_pct"), pl.col("_x").alias("transformer_x_pct")).drop(
        "_r", "_x", "_unknown"
    )


def prepare_systems(system: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Return one row per system with its facts filled, its nominal voltages [V] and its rise target [%]."""
    frame = system.with_columns(ZERO.alias("missing_bits"), ZERO.alias("assumed_bits"))
    frame = frame.join(_region_frame(policy), on="region", how="left", maintain_order="left")
    frame = _fill_from_region(frame, ("low_design_temp_c", "installation_code", "code_edition"))
    assume = policy.assume
    frame = fill(frame, {"service": assume.service, "power_factor": assume.power_factor})
    frame = frame.with_columns(pl.lit(None, pl.Float64).alias("cell_high_temp_c"))
    cell = {"low_design_temp_c": assume.low_design_temp_c, "cell_high_temp_c": assume.cell_high_temp_c}
    frame = fill(frame, {**cell, "other_sources_a": assume.other_sources_a})
    frame = fill(frame, {"installation_code": assume.installation_code})
    frame = add_codes(frame, IEC_SERVICES, US_SERVICES)
    frame = fill(frame, {"code_edition": assume.code_edition})
    frame = _transformer(_power_factor(frame), policy)
    plain = ("module_model", "grid_profile", "busbar_a", "main_breaker_a", "connection_side",
             "backfeed_position", "busbar_breakers_a")  # fmt: skip
    odd = pl.col("service").is_not_null() & pl.col("service").is_in(KNOWN_SERVICES).not_()
    missing = {c: pl.col(c).is_null() for c in plain}
    frame = add_bits(frame, {**missing, "service": odd, "installation_code": pl.col("code_family").is_null()}, {})
    known = pl.col("service").is_in(KNOWN_SERVICES)
    between = {service: lines for service, (lines, _) in NOMINAL_V.items()}
    to_neutral = {service: neutral for service, (_, neutral) in NOMINAL_V.items()}
    top = pl.col("service").replace_strict(policy.terminal.top_pu, default=None, return_dtype=pl.Float64)
    by_code = {entry.installation_code: entry for entry in policy.rise.by_code}
    code = pl.col("installation_code")
    targets = {name: entry.target_pct for name, entry in by_code.items()}
    starts = {name: entry.starts_at for name, entry in by_code.items()}
    code_target = code.replace_strict(targets, default=None, return_dtype=pl.Float64)
    code_start = code.replace_strict(starts, default=None, return_dtype=pl.String)
    return frame.with_columns(
        pl.col("code_edition").str.extract(r"(\d{4})").cast(pl.Int64).alias("code_year"),
        known.fill_null(False).alias("service_known"),
        pl.col("service").is_in(THREE_PHASE).fill_null(False).alias("three_phase_service"),
        pl.col("service").replace_strict(between, default=None, return_dtype=pl.Float64).alias("line_line_v"),
        pl.col("service").replace_strict(to_neutral, default=None, return_dtype=pl.Float64).alias("line_neutral_v"),
        pl.coalesce("region_service_top_pu", top).alias("service_top_pu"),
        pl.coalesce("region_target_pct", code_target, pl.lit(policy.rise.target_pct)).alias("rise_target_pct"),
        pl.coalesce("region_starts_at", code_start, pl.lit(policy.rise.starts_at)).alias("rise_starts_at"),
    )

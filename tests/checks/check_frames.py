"""Frames as the checks see them, and rows in which every check passes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from auditor.checks import BY_NAME
from auditor.checks.base import judge_frame
from auditor.checks.facts import MASK, mask
from auditor.policy import Policy, load_policy

Row = dict[str, Any]

COMMON: Row = {
    "system_id": "S1",
    "missing_bits": 0,
    "assumed_bits": 0,
    "service": "120/240",
    "installation_code": "NEC",
    "code_edition": "2020",
    "code_family": "NEC",
    "region": "North Vale",
}

AMBIENT: Row = {
    "ambient_c": 45.0,
    "roof_clearance_mm": None,
    "raceway_conductors": 6,
    # NEC Table 310.15(B)(1), 41 to 45 °C, and Table 310.15(C)(1), 4 to 6 conductors.
    "ambient_factor_60": 0.71,
    "ambient_factor_75": 0.82,
    "ambient_factor_90": 0.87,
    "fill_factor": 0.80,
}


def wire(prefix: str, amps: Sequence[float], small: float | None = None) -> Row:
    """A run's columns with these ampacities at 60, 75 and 90 °C (NEC Table 310.16)."""
    return {
        f"{prefix}_length_m": 20.0,
        f"{prefix}_size": "10 AWG",
        f"{prefix}_material": "copper",
        f"{prefix}_terminal_rating_c": 60.0,
        f"{prefix}_conductor_rating_c": 90.0,
        f"{prefix}_ampacity_60_a": float(amps[0]),
        f"{prefix}_ampacity_75_a": float(amps[1]),
        f"{prefix}_ampacity_90_a": float(amps[2]),
        f"{prefix}_small_conductor_breaker_a": small,
        f"{prefix}_rated_a": None,
    }


#: Sixteen units of 1.00 A on a 20 A breaker, 10 AWG copper (30, 35, 40 A; 240.4(D): 30 A).
CIRCUIT: Row = {
    **COMMON,
    "circuit_id": "1",
    "unit_current_a": 1.0,
    "unit_power_w": 240.0,
    "wiring": "single",
    "inverter_count": 16,
    "mixed_units": False,
    "breaker_a": 20.0,
    "line_current_a": 16.0,
    "line_current_tolerance_a": 0.08,
    "stated_unit_limit": 16,
    "computed_unit_limit": 16,
    "trunk_rated_a": 20.0,
    "trunk_max_breaker_a": 20.0,
    "trunk_largest_arm_a": 8.0,
    **wire("home_run", (30, 35, 40), 30.0),
    **AMBIENT,
    "trunk_rise_pct": 0.6,
    "home_run_rise_pct": 0.8,
    "feeder_rise_pct": 0.2,
    "total_rise_pct": 1.6,
    "known_rise_pct": 1.6,
    "rise_only_adds": True,
    "rise_target_pct": 2.0,
    "home_run_fails_at_m": 30.0,
    "rise_needs": mask("home_run_length_m"),
    "trunk_rise_needs": mask("trunk_spec"),
    "home_run_rise_needs": mask("home_run_length_m"),
    "feeder_rise_needs": mask("feeder_length_m"),
    "terminal_v": 256.0,
    "terminal_limit_v": 264.0,
    "service_top_v": 252.0,
    "module_count": 16,
    "module_power_w": 300.0,
    "module_voc_v": 39.6,
    "module_vmp_v": 32.4,
    "module_isc_a": 9.7,
    "module_voc_pct_per_c": -0.3,
    "module_vmp_pct_per_c": -0.4,
    "low_design_temp_c": -20.0,
    "cell_high_temp_c": 70.0,
    "max_input_v": 60.0,
    "window_low_v": 22.0,
    "window_high_v": 45.0,
    "max_input_a": 15.0,
    "module_min_w": None,
    "module_max_w": None,
}

FEEDER: Row = {
    **COMMON,
    "combiner_id": None,
    "feeder_line_current_a": 32.0,
    # 6 AWG copper: 55, 65, 75 A.
    **wire("feeder", (55, 65, 75)),
    **AMBIENT,
}

SYSTEM: Row = {
    **COMMON,
    "busbar_a": 200.0,
    "main_breaker_a": 200.0,
    "connection_side": "load",
    "backfeed_position": "opposite end",
    "busbar_breakers_a": None,
    "other_sources_a": 0.0,
    "solar_current_a": 32.0,
    "solar_breakers_a": 40.0,
    "solar_breakers_high_a": 40.0,
    "solar_units_known": True,
    "phase_kva_max": 4.0,
    "phase_kva_min": 2.0,
    "three_phase_service": False,
}

GOOD = {"circuit": CIRCUIT, "feeder": FEEDER, "system": SYSTEM}

#: What has to change for a check to apply to the good row of its level.
APPLIES: dict[str, Row] = {
    "current-coordination": {"service": "230", "code_family": "IEC", "home_run_rated_a": 24.0},
    "phase-imbalance": {
        "service": "400Y/230",
        "code_family": "IEC",
        "installation_code": "AS/NZS 3000",
        "three_phase_service": True,
    },
}

TYPES = {int: pl.Int64, float: pl.Float64, str: pl.String, bool: pl.Boolean}
NULLS = {
    "roof_clearance_mm": pl.Float64,
    "stated_unit_limit": pl.Int64,
    "combiner_id": pl.String,
    "module_min_w": pl.Float64,
    "module_max_w": pl.Float64,
    "busbar_breakers_a": pl.Float64,
    "home_run_rated_a": pl.Float64,
    "feeder_rated_a": pl.Float64,
    "feeder_small_conductor_breaker_a": pl.Float64,
}


def schema(level: str) -> dict[str, Any]:
    """The types of a level's columns."""
    types = {name: NULLS.get(name) or TYPES[type(value)] for name, value in GOOD[level].items()}
    bits = {name: MASK for name in types if name.endswith(("_bits", "_needs"))}
    return {**types, **bits}


def part_policy() -> Policy:
    """The default policy with a limit of 1 % for trunk and home run."""
    policy = load_policy()
    return policy.model_copy(update={"rise": policy.rise.model_copy(update={"trunk_pct": 1.0, "home_run_pct": 1.0})})


def policy_for(name: str) -> Policy:
    """The policy under which a check has something to judge."""
    return part_policy() if name == "part-rise" else load_policy()


def judge(name: str, *changes: Row, policy: Policy | None = None) -> list[Row]:
    """Judge the good row with each set of changes; returns verdict, value, limit, missing, assumed, fails_at by row."""
    check = BY_NAME[name]
    rows = [{**GOOD[check.level], **APPLIES.get(name, {}), **change} for change in changes]
    frame = pl.DataFrame(rows, schema=schema(check.level), strict=False)
    result = judge_frame(frame, [check], policy or policy_for(name)).select(pl.col(f"^{check.column}_.*$"))
    parts = {column: column.removeprefix(f"{check.column}_") for column in result.columns}
    kept = ("verdict", "value", "limit", "missing", "assumed", "fails_at")
    result = result.rename(parts)
    return result.select(c for c in kept if c in result.columns).to_dicts()

"""The catalog's tables as polars frames: names and types declared once, rows sorted by their leading columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import polars as pl

from auditor.catalog.equipment import Equipment, half_digit
from auditor.catalog.grid import GridProfile, Threshold

if TYPE_CHECKING:
    from auditor.catalog.catalog import Catalog

_T, _F, _I, _B = pl.String(), pl.Float64(), pl.Int64(), pl.Boolean()
_REVISION: dict[str, pl.DataType] = {"model": _T, "revision": _I, "effective": pl.Date()}
_NAMED: dict[str, pl.DataType] = {"table": _T, "mark": _T, "source": _T}

#: Columns of every frame, in order, and their types.
FRAME_SCHEMAS: dict[str, dict[str, pl.DataType]] = {
    "inverter": {
        **_REVISION,
        "rated_w": _F,
        "connection": _T,
        "max_input_v": _F,
        "window_low_v": _F,
        "window_high_v": _F,
        "max_input_a": _F,
        "module_min_w": _F,
        "module_max_w": _F,
        "sensing": _T,
        "sensing_error_pct": _F,
        "source": _T,
    },
    "inverter_current": {"model": _T, "revision": _I, "voltage_v": _F, "current_a": _F, "half_digit_a": _F},
    "inverter_branch_limit": {
        "model": _T,
        "revision": _I,
        "service": _T,
        "wiring": _T,
        "breaker_a": _F,
        "units": _I,
    },
    "inverter_grid_profile": {"model": _T, "revision": _I, "profile": _T},
    "trunk": {
        **_REVISION,
        "conductor_material": _T,
        "conductor_size": _T,
        "rated_a": _F,
        "max_breaker_a": _F,
        "portrait_m": _F,
        "landscape_m": _F,
        "r_ohm_per_km": _F,
        "x_ohm_per_km": _F,
        "r_temp_c": _F,
        "connectors_included": _B,
        "connector_r_mohm": _F,
        "conductors": _I,
        "source": _T,
    },
    "module": {
        **_REVISION,
        "power_w": _F,
        "voc_v": _F,
        "isc_a": _F,
        "vmp_v": _F,
        "imp_a": _F,
        "voc_pct_per_c": _F,
        "vmp_pct_per_c": _F,
        "technology": _T,
        "cells": _I,
        "source": _T,
    },
    "conductor": {
        "size": _T,
        "material": _T,
        "area_mm2": _F,
        "r_ohm_per_km": _F,
        "reference_c": _F,
        "alpha_per_c": _F,
        **_NAMED,
    },
    "reactance": {"size": _T, "raceway": _T, "x_ohm_per_km": _F, **_NAMED},
    "ampacity": {"size": _T, "material": _T, "rating_c": _I, "ampacity_a": _F, "edition_from": _I, **_NAMED},
    "ampacity_iec": {"size": _T, "material": _T, "loaded": _I, "method": _T, "ampacity_a": _F, **_NAMED},
    "small_conductor": {"size": _T, "material": _T, "max_breaker_a": _F, **_NAMED},
    "ambient_factor": {"from_c": _F, "to_c": _F, "rating_c": _I, "factor": _F, "edition_from": _I, **_NAMED},
    "fill_factor": {"from_n": _I, "to_n": _I, "factor": _F, **_NAMED},
    "standard_breaker": {"amps": _F, **_NAMED},
    "service_range": {"service": _T, "range": _T, "low_v": _F, "high_v": _F, "base_v": _F, **_NAMED},
    "grid_profile": {
        "name": _T,
        "standard": _T,
        "edition": _T,
        "above_first_threshold": _T,
        "above_first_mark": _T,
        "return_low_pu": _F,
        "return_high_pu": _F,
        "return_delay_s": _F,
        "return_ramp_s": _F,
        "return_mark": _T,
        "volt_watt_v1_pu": _F,
        "volt_watt_v2_pu": _F,
        "volt_watt_p2": _F,
        "volt_watt_on_by_default": _B,
        "volt_watt_mark": _T,
        "volt_var_v3_pu": _F,
        "volt_var_v4_pu": _F,
        "volt_var_q_max": _F,
        "volt_var_on_by_default": _B,
        "volt_var_mark": _T,
        "source": _T,
        "mark": _T,
    },
    "grid_profile_threshold": {
        "profile": _T,
        "threshold": _T,
        "kind": _T,
        "level_pu": _F,
        "base_v": _F,
        "delay_s": _F,
        "clearing_s": _F,
        "mean_slides": _B,
        "level_min_pu": _F,
        "level_max_pu": _F,
        "clearing_min_s": _F,
        "clearing_max_s": _F,
        "mark": _T,
    },
    "grid_profile_alias": {"alias_key": _T, "profile": _T},
}

_ROWS = Iterable[Mapping[str, Any]]


def build_frames(catalog: Catalog) -> dict[str, pl.DataFrame]:
    """Every table of the catalog by name, with the columns and types of FRAME_SCHEMAS."""
    rows: dict[str, _ROWS] = {
        "inverter": [_revision(i) for i in catalog.inverter],
        "inverter_current": [
            {
                "model": i.model,
                "revision": i.revision,
                "voltage_v": float(volts),
                "current_a": float(printed),
                "half_digit_a": half_digit(printed),
            }
            for i in catalog.inverter
            for volts, printed in i.current_a.items()
        ],
        "inverter_branch_limit": [
            {"model": i.model, "revision": i.revision, **dict(limit)}
            for i in catalog.inverter
            for limit in i.branch_limits
        ],
        "inverter_grid_profile": [
            {"model": i.model, "revision": i.revision, "profile": catalog.profile_name(spelling)}
            for i in catalog.inverter
            for spelling in i.grid_profiles
        ],
        "trunk": [
            {
                **_revision(t),
                "portrait_m": t.section_length_m.portrait,
                "landscape_m": t.section_length_m.landscape,
            }
            for t in catalog.trunk
        ],
        "module": [_revision(m) for m in catalog.module],
        "grid_profile": [_profile(p) for p in catalog.grid_profile],
        "grid_profile_threshold": [
            {"profile": p.name, **_threshold(t)} for p in catalog.grid_profile for t in p.thresholds
        ],
        "grid_profile_alias": [
            {"alias_key": key, "profile": p.name} for p in catalog.grid_profile for key in sorted(p.alias_keys)
        ],
    }
    for name in FRAME_SCHEMAS.keys() - rows.keys():
        rows[name] = [dict(row) for row in getattr(catalog, name)]
    return {name: _frame(name, rows[name]) for name in FRAME_SCHEMAS}


def _frame(name: str, rows: _ROWS) -> pl.DataFrame:
    schema = FRAME_SCHEMAS[name]
    return pl.DataFrame([{column: row.get(column) for column in schema} for row in rows], schema=schema)


def _revision(entry: Equipment) -> dict[str, Any]:
    return {**dict(entry), "source": entry.shown_source}


def _profile(profile: GridProfile) -> dict[str, Any]:
    after, line, var = profile.after_trip, profile.volt_watt, profile.volt_var
    return {
        **dict(profile),
        "return_low_pu": after and after.low_pu,
        "return_high_pu": after and after.high_pu,
        "return_delay_s": after and after.delay_s,
        "return_ramp_s": after and after.ramp_s,
        "return_mark": after and after.mark,
        "volt_watt_v1_pu": line and line.pu[0],
        "volt_watt_v2_pu": line and line.pu[1],
        "volt_watt_p2": line and line.p2,
        "volt_watt_on_by_default": line and line.on_by_default,
        "volt_watt_mark": line and line.mark,
        "volt_var_v3_pu": var and var.pu[0],
        "volt_var_v4_pu": var and var.pu[1],
        "volt_var_q_max": var and var.q_max,
        "volt_var_on_by_default": var and var.on_by_default,
        "volt_var_mark": var and var.mark,
    }


def _threshold(threshold: Threshold) -> dict[str, Any]:
    level, clearing = threshold.level_range_pu or (None, None), threshold.clearing_range_s or (None, None)
    return {
        **dict(threshold),
        "level_pu": threshold.pu,
        "level_min_pu": level[0],
        "level_max_pu": level[1],
        "clearing_min_s": clearing[0],
        "clearing_max_s": clearing[1],
    }

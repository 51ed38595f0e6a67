"""Grid profiles as the likelihood takes them, and what had to be assumed of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from auditor.catalog import alias_key
from auditor.likelihood.inputs import Profile, Threshold, VoltVar, VoltWatt
from auditor.policy import Policy
from auditor.prepare.specs import Frames


@dataclass(frozen=True)
class Settings:
    """A grid profile's name, its settings, what was assumed of them, and the entries that are missing."""

    name: str
    profile: Profile | None
    assumed: tuple[str, ...]
    missing: tuple[str, ...]


def settings_by_spelling(texts: list[str], catalog: Frames, policy: Policy) -> dict[str, Settings]:
    """The settings of each spelling that the catalog knows."""
    owner = dict(catalog["grid_profile_alias"].select("alias_key", "profile").iter_rows())
    wanted = {text: owner[alias_key(text)] for text in texts if alias_key(text) in owner}
    rows = {row["name"]: row for row in catalog["grid_profile"].iter_rows(named=True)}
    by_name = {name: _settings(rows[name], catalog, policy) for name in set(wanted.values())}
    return {text: by_name[name] for text, name in wanted.items()}


def _settings(row: dict[str, Any], catalog: Frames, policy: Policy) -> Settings:
    """One profile: what its sheet leaves open comes from the policy and is named."""
    assume = policy.trips.assume
    chosen = catalog["grid_profile_threshold"].filter(
        pl.col("profile") == row["name"], pl.col("level_pu").is_not_null()
    )
    thresholds = list(chosen.sort("level_pu").iter_rows(named=True))
    open_mean = any(t["kind"] == "ten-minute" and t["mean_slides"] is None for t in thresholds)
    asked: list[tuple[str, Any, Any]] = [
        ("response above the first threshold", row["above_first_threshold"], assume.above_first),
        ("return delay", row["return_delay_s"], assume.delay_s),
        ("return ramp", row["return_ramp_s"], assume.ramp_s),
        ("interval of the ten-minute mean", None if open_mean else False, assume.mean_slides),
    ]
    assumed = [name for name, stated, default in asked if stated is None and default is not None]
    missing = [name for name, stated, default in asked if stated is None and default is None]
    response, delay_s, ramp_s, _ = (default if stated is None else stated for _, stated, default in asked)
    if row["return_high_pu"] is None:
        assumed.append("return ceiling")
    assumed += [f"{name} as delivered" for name in ("volt-watt", "volt-var") if _known(row, name)]
    if missing or not thresholds:
        return Settings(row["name"], None, tuple(assumed), tuple(missing or ["overvoltage thresholds"]))
    levels = tuple(
        Threshold(_pct(t["level_pu"]), t["clearing_s"], ten_minute=t["kind"] == "ten-minute") for t in thresholds
    )
    instant = any(not level.ten_minute for level in levels)
    slides = [bool(assume.mean_slides if t["mean_slides"] is None else t["mean_slides"]) for t in thresholds
              if t["kind"] == "ten-minute"]  # fmt: skip
    profile = Profile(
        thresholds=levels,
        return_pct=_pct(row["return_high_pu"] or thresholds[0]["level_pu"]),
        delay_s=float(delay_s),
        ramp_s=float(ramp_s),
        ceases=response == "ceases" and instant,
        mean_slides=any(slides),
        volt_watt=_volt_watt(row),
        volt_var=_volt_var(row, policy.trips.volt_var_x_over_r),
    )
    return Settings(row["name"], profile, tuple(assumed), ())


def _known(row: dict[str, Any], droop: str) -> bool:
    return row[f"{droop.replace('-', '_')}_on_by_default"] is not None


def _volt_watt(row: dict[str, Any]) -> VoltWatt | None:
    """The volt-watt line where units come with it turned on."""
    if not row["volt_watt_on_by_default"]:
        return None
    return VoltWatt(_pct(row["volt_watt_v1_pu"]), _pct(row["volt_watt_v2_pu"]), row["volt_watt_p2"])


def _volt_var(row: dict[str, Any], x_over_r: float) -> VoltVar | None:
    """The volt-var line where it comes turned on; full absorption takes q_max·X/R off the own rise."""
    if not row["volt_var_on_by_default"]:
        return None
    return VoltVar(_pct(row["volt_var_v3_pu"]), _pct(row["volt_var_v4_pu"]), row["volt_var_q_max"] * x_over_r)


def _pct(level_pu: float) -> float:
    """Per unit to percent, free of the last digits that a division leaves."""
    return round(100 * level_pu, 9)

"""Grid profiles and supplies as the likelihood takes them, against the standards' values and arithmetic by hand."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from auditor.catalog import load_catalog
from auditor.likelihood.inputs import VoltVar, VoltWatt
from auditor.policy import Policy, load_policy
from auditor.trips.outlook import window_days
from auditor.trips.planes import plane_classes, plane_of
from auditor.trips.profiles import settings_by_spelling
from auditor.trips.supply import character, with_beta, with_supply

FRAMES = load_catalog().frames()


def settings(name: str, policy: Policy | None = None):  # type: ignore[no-untyped-def]
    return settings_by_spelling([name], FRAMES, policy or load_policy())[name]


def test_category_two_of_2018() -> None:
    # IEEE 1547-2018 Table 12 and enter service: 1.10 in 2 s, 1.20 in 0.16 s; 1.05, 300 s, ramp 300 s.
    found = settings("IEEE 1547-2018 cat II")
    profile = found.profile
    assert [(t.level_pct, t.clearing_s) for t in profile.thresholds] == [(110, 2), (120, 0.16)]
    assert profile.ten_minute_pct is None
    assert (profile.return_pct, profile.delay_s, profile.ramp_s, profile.ceases) == (105, 300, 300, False)
    assert profile.volt_watt is None
    assert profile.volt_var is None
    assert "volt-watt as delivered" in found.assumed


def test_category_three_ceases_and_a_ten_minute_profile_has_its_mean() -> None:
    assert settings("IEEE 1547-2018 Category III").profile.ceases
    profile = settings("AS/NZS 4777.2:2020 Australia A").profile
    assert profile.ten_minute_pct == pytest.approx(100 * 258 / 230)
    assert [t.level_pct for t in profile.instant] == pytest.approx([100 * 265 / 230, 100 * 275 / 230])
    # Volt-watt from 253 to 260 V down to 20 %, as delivered.
    assert profile.volt_watt == VoltWatt(pytest.approx(110), pytest.approx(100 * 260 / 230), 0.2)


def test_volt_var_takes_a_share_of_the_rise() -> None:
    # 1.03 to 1.06 per unit and 0.44 of rated power; with X/R of 0.5 it takes off 0.22 of the rise.
    assert settings("Rule 14H").profile.volt_var == VoltVar(103, 106, pytest.approx(0.22))


def test_what_a_sheet_leaves_open_is_assumed_or_missing() -> None:
    found = settings("EREC G98")
    assert found.profile.delay_s == 20
    assert {"response above the first threshold", "return ramp", "return ceiling"} <= set(found.assumed)
    policy = load_policy()
    bare = policy.trips.assume.model_copy(update={"above_first": None, "ramp_s": None})
    policy = policy.model_copy(update={"trips": policy.trips.model_copy(update={"assume": bare})})
    found = settings("EREC G98", policy)
    assert found.profile is None
    assert found.missing == ("response above the first threshold", "return ramp")


def supplied(policy: Policy | None = None, **facts: object) -> dict[str, object]:
    usual = {"utility": None, "region": None, "service": "120/240", "customers_on_transformer": None,
             "shared_solar_kw": None, "transformer_kva": None, "transformer_r_pct": None}  # fmt: skip
    schema = {"utility": pl.String, "region": pl.String, "service": pl.String, "customers_on_transformer": pl.Int64,
              **dict.fromkeys(("shared_solar_kw", "transformer_kva", "transformer_r_pct"), pl.Float64)}  # fmt: skip
    frame, _ = with_supply(pl.DataFrame([usual | facts], schema=schema), policy or load_policy())
    return with_beta(frame).row(0, named=True)


def test_neighbours_on_the_transformer() -> None:
    policy = load_policy().supply
    feeder = policy.feeder_beta_pct
    # 20 kW of others through a 25 kVA transformer of 1.2 %: 0.96 %.
    stated = supplied(shared_solar_kw=20.0, transformer_kva=25.0, transformer_r_pct=1.2)
    assert stated["beta_pct"] == pytest.approx(0.96 + feeder)
    assert not stated["beta_assumed"]
    # Four customers: three others, a share of whom have so many kilowatts.
    counted = supplied(customers_on_transformer=4, transformer_kva=25.0, transformer_r_pct=1.2)
    others = 3 * policy.neighbour_share * policy.neighbour_kw
    assert counted["beta_pct"] == pytest.approx(1.2 * others / 25 + feeder)
    assert counted["beta_assumed"]
    assert supplied()["beta_pct"] == pytest.approx(feeder)
    assert supplied()["beta_assumed"]


def test_later_entries_of_a_policy_count_over_earlier_ones() -> None:
    policy = load_policy()
    data = policy.supply.model_dump() | {
        "at": (
            {"utility": "Vale Power", "level_pct": 102.0, "rho": 0.9},
            {"utility": "Vale Power", "region": "North", "level_pct": 103.0},
        )
    }
    supply = type(policy.supply)(**data)
    assert supply.here("Other", "North", "120/240").level_pct == policy.supply.level_pct
    anywhere, north = supply.here("Vale Power", None, None), supply.here("Vale Power", "North", None)
    assert (anywhere.level_pct, anywhere.rho) == (102.0, 0.9)
    assert (north.level_pct, north.rho) == (103.0, 0.9)


def test_the_mean_by_month_and_hour_is_less_its_own_mean() -> None:
    supply = character(load_policy().supply)
    assert supply.dev_pct.shape == (12, 24)
    assert supply.dev_pct.mean() == pytest.approx(0.0, abs=1e-12)
    # evenings run low
    assert supply.dev_pct[5, 18] < supply.dev_pct[5, 12]


def test_the_days_ahead_are_counted_by_month() -> None:
    # 30 days after 31 January 2026 are 28 of February and 2 of March.
    assert window_days(date(2026, 1, 31)).tolist() == [0, 28, 2, *[0] * 9]
    assert window_days(date(2026, 12, 20)).tolist() == [19, *[0] * 10, 11]


def test_planes_lean_to_the_equator_and_to_the_side() -> None:
    keys = plane_classes(*map(np.array, ([34.0, -41.0, 34.0], [20.0, 20.0, 25.0], [180.0, 0.0, 90.0], [1.2, 1.0, 1.5])))
    assert keys.tolist() == [[2, 0, 1], [-3, 0, 0], [2, 1, 2]]
    north, south, east = (plane_of(tuple(key)) for key in keys.tolist())
    assert (north.latitude_deg, north.azimuth_deg, north.dc_ac_ratio) == (30, 180, 1.15)
    assert (south.latitude_deg, south.azimuth_deg % 360) == (-45, 0)
    assert 90 < east.azimuth_deg < 180

"""Readings taken apart by place and leg, whatever order they come in, and the dark hours that stand for no output."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from auditor.evidence.daylight import daylight_share, is_dark
from auditor.trips.channels import FIGURES, KEYS, channels_of, local

NOON = dt.datetime(2025, 6, 1, 15)
SITE = {"latitude_deg": 43.0, "longitude_deg": -38.0, "rated_kw": 4.0}


def rows(system_id: str, place: str, leg: str | None, count: int, volts: float) -> pl.DataFrame:
    """Readings of five minutes with the last one's voltage known by its place in time."""
    number = np.arange(count)
    return pl.DataFrame(
        {
            "system_id": system_id, "place": place, "circuit_id": None, "unit": None, "leg": leg,
            "start": [NOON + dt.timedelta(minutes=5 * int(n)) for n in number], "duration_s": 300.0,
            "mean_v": volts + number, "max_v": [None, *(volts + number[1:])], "power_kw": 2.0,
        },
        schema_overrides={"circuit_id": pl.String, "unit": pl.String, "leg": pl.String, "max_v": pl.Float64},
    )  # fmt: skip


def test_channels_come_whole_and_in_order_of_time() -> None:
    parts = [
        rows("S2", "service", "L1-L2", 4, 240.0), rows("S1", "service", None, 3, 230.0),
        rows("S1", "service", "L1-N", 5, 120.0), rows("S1", "main panel", "L1-L2", 2, 241.0),
    ]  # fmt: skip
    mixed = pl.concat(parts).sample(fraction=1.0, shuffle=True, seed=4)
    found = channels_of(mixed.group_by(KEYS).agg(FIGURES))
    assert {name: [(c.place, c.leg, c.start.size) for c in each] for name, each in sorted(found.items())} == {
        "S1": [("main panel", "L1-L2", 2), ("service", None, 3), ("service", "L1-N", 5)],
        "S2": [("service", "L1-L2", 4)],
    }
    leg = found["S1"][2]
    assert leg.mean_v.tolist() == [120.0, 121.0, 122.0, 123.0, 124.0]
    assert np.isnan(leg.max_v).tolist() == [True, False, False, False, False]
    assert leg.start[0] == np.datetime64(NOON)
    assert channels_of(mixed.clear().group_by(KEYS).agg(FIGURES)) == {}


def test_output_is_known_from_power_and_in_the_dark() -> None:
    """Three hours behind UTC at that place: 15:00 UTC is noon, 03:00 UTC midnight."""
    told = rows("S1", "service", None, 6, 240.0).with_columns(
        pl.Series("power_kw", [2.0, 4.2, -0.1, 5.0, None, None]),
        pl.Series("start", [NOON + dt.timedelta(minutes=5 * n) for n in range(5)] + [NOON + dt.timedelta(hours=12)]),
    )
    (channel,) = channels_of(told.group_by(KEYS).agg(FIGURES))["S1"]
    found = local(channel, SITE)
    assert found.start[0] == np.datetime64(dt.datetime(2025, 6, 1, 12))
    assert found.own == pytest.approx([0.5, 1.0, 0.0, np.nan, np.nan, 0.0], nan_ok=True)
    assert found.days_of(np.isfinite(found.own)).size == 2
    assert np.isnan(local(channel, SITE | {"rated_kw": None}).own[:5]).all()


def test_the_dark_is_what_holds_no_share_of_the_daylight() -> None:
    start = np.datetime64("2024-01-01T00:00", "s") + np.arange(366 * 96) * np.timedelta64(900, "s")
    length = np.where(np.arange(start.size) % 7 == 0, 3_600.0, 900.0)
    day = start.astype("datetime64[D]")
    of_year = (day - np.datetime64("2024-01-01")).astype(int) + 1
    from_h = (start - day).astype(float) / 3_600
    at = (np.full(start.size, value) for value in (67.0, 12.0))
    share = daylight_share(*at, of_year, from_h, np.minimum(from_h + length / 3_600, 24.0))
    assert (is_dark(67.0, 12.0, start, length) == (share == 0.0)).all()
    assert 0.3 < (share == 0.0).mean() < 0.6

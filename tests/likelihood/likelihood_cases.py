"""Supplies, days and profiles for the tests of the likelihood; invented."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from trip_simulator import Unit, Weather

from auditor.likelihood.inputs import DayShapes, Profile, Supply, Systems, Threshold, VoltVar, VoltWatt
from auditor.likelihood.machine import solve_days
from auditor.likelihood.slot import Points
from auditor.likelihood.table import Table, make_table

OV2 = Threshold(120.0, 0.16)
AS_V = (Threshold(265 / 2.3, 2.0), Threshold(275 / 2.3, 0.2))
DROOP = VoltWatt(106.0, 110.0, 0.2)

PROFILES = {
    "runs on": Profile((Threshold(110.0, 2.0), OV2), 105.0, 300.0, 300.0),
    "one second": Profile((Threshold(110.0, 1.0), OV2), 105.8, 300.0, 0.0),
    "ceases": Profile((Threshold(110.0, 13.0), OV2), 105.0, 300.0, 300.0, ceases=True),
    "ceases and droops": Profile(
        (Threshold(110.0, 13.0), OV2), 105.0, 300.0, 300.0, ceases=True, volt_watt=VoltWatt(106.0, 110.0, 0.0)
    ),
    "volt-watt": Profile((Threshold(110.0, 2.0), OV2), 105.0, 300.0, 300.0, volt_watt=DROOP),
    "volt-watt and volt-var": Profile(
        (Threshold(110.0, 2.0), OV2), 105.0, 300.0, 300.0, volt_watt=DROOP, volt_var=VoltVar(102.0, 108.0, 0.3)
    ),
    "ten minutes, fixed, droop": Profile(
        (Threshold(258 / 2.3, 3.0, True), *AS_V), 110.0, 60.0, 360.0, volt_watt=VoltWatt(110.0, 260 / 2.3, 0.2)
    ),
    "ten minutes, fixed": Profile((Threshold(110.0, 0.1, True), Threshold(115.0, 0.1)), 110.0, 60.0, 600.0),
    "ten minutes, sliding": Profile(
        (Threshold(110.0, 0.1, True), Threshold(115.0, 0.1)), 110.0, 60.0, 600.0, mean_slides=True
    ),
    "twenty seconds": Profile((Threshold(114.0, 1.0), Threshold(119.0, 0.5)), 110.0, 20.0, 0.0),
    "long delay": Profile((Threshold(110.0, 2.0), OV2), 104.0, 1000.0, 900.0),
}


def day(month: int, share: float, broken: bool = False) -> np.ndarray:
    """Output of one day by five-minute slot: a cosine that clips, or the same with passing clouds."""
    t = np.arange(288) / 12 + 1 / 24
    season = np.cos((month - 5.5) / 6 * np.pi)
    half = 6 + 1.8 * season
    f = np.where(abs(t - 12) < half, np.cos((t - 12) / half * np.pi / 2), 0.0).clip(0)
    f = 1.15 * f * (0.75 + 0.25 * season) * share
    return np.minimum(f * (1 + 0.35 * np.sign(np.sin(t * 7.3))) if broken else f, 1.0)


@cache
def days(few: bool = True) -> DayShapes:
    months = (0, 3, 5, 8) if few else tuple(range(12))
    output = np.array([day(m, share, broken) for m in months for share, broken in ((1.0, False), (0.6, True))])
    month = np.repeat(np.array(months), 2)
    return DayShapes(output, month, np.full(month.size, 365.0 / month.size))


def supply(**changes: float) -> Supply:
    hours = np.arange(24)
    dev = -0.3 * np.cos((hours - 4) / 12 * np.pi)[None, :] + 0.3 * np.cos(np.arange(12) / 6 * np.pi)[:, None]
    return replace(Supply(dev, sigma_pct=0.6, rho=0.95, day_pct=0.5, peak_pct=0.3), **changes)


@cache
def table(name: str) -> Table:
    return make_table(PROFILES[name], supply(), days(), np.array([0.0, 0, 0, 0, 0, 30, 0, 0, 0, 0, 0, 0]))


def systems(n: int = 1, **changes: object) -> Systems:
    plain = {
        "level_pct": 103.5, "site_pct": 0.8, "beta_pct": 0.5, "beta_sd_pct": 0.0, "service_pct": 0.6, "wiring_pct": 2.4,
        "target_pct": 2.0, "units": 1.0, "sensing_pct": 0.0, "rated_kw": 5.0,
    }  # fmt: skip
    return Systems(**{key: np.broadcast_to(np.asarray(v, float), (n,)).copy() for key, v in (plain | changes).items()})


def unit_of(profile: Profile, slot_s: float = 300.0) -> Unit:
    """The simulator's own words for a profile."""
    vw, vv = profile.volt_watt, profile.volt_var
    return Unit(
        instant=tuple((t.level_pct, t.clearing_s) for t in profile.thresholds if not t.ten_minute),
        ceiling=profile.return_pct,
        delay=profile.delay_s,
        ramp=profile.ramp_s,
        ten_minute=next((t.level_pct for t in profile.thresholds if t.ten_minute), None),
        slides=profile.mean_slides,
        ceases=profile.ceases,
        droop=(vw.v1_pct, vw.v2_pct, vw.p2) if vw else None,
        var=(vv.v3_pct, vv.v4_pct, vv.relief) if vv else None,
        slot=slot_s,
    )


def weather_of(s: Supply, f: np.ndarray, month: int, level: float, **more: float) -> Weather:
    hour = (np.arange(f.size) * s.slot_s / 3600).astype(int)
    return Weather(f, s.dev_pct[month][hour] + level, s.sigma_pct, s.rho, s.day_pct, s.peak_pct, **more)


def one_day(
    profile: Profile, s: Supply, f: np.ndarray, month: int, level: float, rise: float, beta: float, spread: float = 0.0
) -> dict[str, float]:
    """The solver's day, averaged over the day effect by Simpson's rule on nodes of the test's own."""
    sd = np.hypot(s.day_pct, spread)
    z = np.linspace(-5.0, 5.0, 41) if sd else np.zeros(1)
    weight = np.exp(-z * z / 2) * (np.where(np.arange(z.size) % 2, 4, 2) if sd else 1.0)
    weight /= weight.sum()
    shapes = DayShapes(f[None], np.array([month]), np.array([1.0]))
    got = solve_days(profile, s, shapes, Points(level + sd * z, np.full(z.size, rise), np.full(z.size, beta)))
    names = ("tripped", "trips", "episodes", "lost_h", "curtailed_h", "over_h", "ceased_h")
    return {name: float((getattr(got, name)[0] * weight).sum()) for name in names}

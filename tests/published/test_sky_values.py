"""The sun and the sky against published values, closed forms and an ephemeris."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pvlib import irradiance, solarposition
from scipy.integrate import quad

from auditor.likelihood import sky

# Klein, Solar Energy 19 (1977): days of the year, as in Duffie and Beckman, table 1.6.1 (from memory).
DAYS = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)
# Declination on those of Klein's days that Iqbal, An Introduction to Solar Radiation (1983), table 4.2.1, also has, as
# reprinted in a textbook on photovoltaics, table C.1: 17 January, 15 April, 15 May.
DECLINATIONS = [(0, -20.84), (3, 9.46), (4, 18.78)]


def sun_at(latitude: float, slot_s: float = 300.0) -> sky.Sun:
    return sky.sun_over(latitude, 0.0, slot_s)


def test_days_are_the_published_ones() -> None:
    assert tuple(sky.MONTH_DAY) == DAYS
    assert tuple(sky.MONTH_LENGTH) == (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@pytest.mark.parametrize(("month", "declination_deg"), DECLINATIONS)
@pytest.mark.parametrize("latitude", [-30.0, 0.0, 45.0])
def test_noon_height_is_the_closed_form(month: int, declination_deg: float, latitude: float) -> None:
    noon_zenith = sun_at(latitude, 60.0).zenith_deg[month].min()
    assert noon_zenith == pytest.approx(abs(latitude - declination_deg), abs=0.13)


# Duffie and Beckman, Solar Engineering of Thermal Processes, eq. 1.6.11: N = 2/15·acos(−tan φ·tan δ).
@pytest.mark.parametrize(("month", "declination_deg"), DECLINATIONS)
@pytest.mark.parametrize("latitude", [-35.0, 0.0, 20.0, 55.0])
def test_day_length_is_the_closed_form(month: int, declination_deg: float, latitude: float) -> None:
    lit_h = (sun_at(latitude).sin_height[month] > 0.0).sum() / 12.0
    cosine = -np.tan(np.radians(latitude)) * np.tan(np.radians(declination_deg))
    assert lit_h == pytest.approx(2.0 / 15.0 * np.degrees(np.arccos(cosine)), abs=0.13)


@pytest.mark.parametrize(("latitude", "longitude", "zone"), [(35.0, -106.6, -7), (50.0, 7.0, 0), (-34.0, 151.0, 10)])
def test_position_agrees_with_an_ephemeris(latitude: float, longitude: float, zone: int) -> None:
    """Reda and Andreas, NREL/TP-560-34302 (2008), without refraction, in the middle of each hour."""
    assert sky.zone_h(longitude) == zone
    sun = sky.sun_over(latitude, longitude, 3600.0)
    for month, day in enumerate(sky.MONTH_DAY):
        start = pd.Timestamp("2023-01-01T00:30") + pd.Timedelta(days=int(day) - 1, hours=-zone)
        times = pd.date_range(start, periods=24, freq="h", tz="UTC")
        known = solarposition.get_solarposition(times, latitude, longitude)
        assert np.abs(sun.zenith_deg[month] - known["zenith"].to_numpy()).max() < 0.7
        turn = (sun.azimuth_deg[month] - known["azimuth"].to_numpy() + 180.0) % 360.0 - 180.0
        assert (np.abs(turn) * np.sin(np.radians(known["zenith"].to_numpy()))).max() < 0.8


@pytest.mark.parametrize("latitude", [0.0, 35.0, 50.0])
def test_days_stand_for_their_months(latitude: float) -> None:
    """Klein chose days whose extraterrestrial irradiation is near the month's mean; here against an ephemeris."""
    times = pd.date_range("2023-01-01T00:15", periods=365 * 48, freq="30min", tz="UTC")
    zenith = solarposition.get_solarposition(times, latitude, 0.0)["zenith"].to_numpy()
    normal = irradiance.get_extra_radiation(times, method="nrel", solar_constant=1366.1).to_numpy()
    above = pd.Series(normal * np.maximum(np.cos(np.radians(zenith)), 0.0))
    monthly = above.groupby(times.month).mean().to_numpy()
    days = sun_at(latitude).horizontal_w_m2.mean(axis=1)
    assert days == pytest.approx(monthly, rel=0.026)
    assert (days * sky.MONTH_LENGTH).sum() == pytest.approx((monthly * sky.MONTH_LENGTH).sum(), rel=0.003)


@pytest.mark.parametrize(("mean", "highest"), [(0.3, 0.691390), (0.5, 0.764618), (0.7, 0.8182)])
def test_clearest_day_worked_by_hand(mean: float, highest: float) -> None:
    """Hollands and Huget (1983), figures as in six public texts: 0.6313 + 0.267·K − 11.9·(K − 0.75)⁸.

    0.7114 − 11.9·0.45⁸ (0.00168151); 0.7648 − 11.9·0.25⁸ (0.0000152588); 0.8182 less nothing.
    """
    assert sky.clearest(mean) == pytest.approx(highest, abs=1e-6)


def huget_steepness(mean: float) -> float:
    """γ by Huget's fit: Duffie and Beckman, 5th ed., eq. 2.9.6; seen in four public texts."""
    low, high = 0.05, sky.clearest(mean)
    ratio = (high - low) / (high - mean)
    return -1.498 + (1.184 * ratio - 27.182 * np.exp(-1.5 * ratio)) / (high - low)


@pytest.mark.parametrize("mean", [0.3, 0.4, 0.5, 0.6, 0.7])
def test_kinds_of_day_follow_the_exponential_law(mean: float) -> None:
    """Against the law integrated numerically, with Huget's fit of γ (which misses the mean a little)."""
    low, high, steep = 0.05, sky.clearest(mean), huget_steepness(mean)
    whole = quad(lambda k: np.exp(steep * k), low, high)[0]
    kinds = sky.day_clearness(mean, 5)
    fine = np.linspace(low, high, 20_001)
    below = (np.exp(steep * fine) - np.exp(steep * low)) / steep / whole
    parts = [fine[(below >= n / 5.0) & (below < (n + 1) / 5.0)] for n in range(5)]
    means = [np.average(part, weights=np.exp(steep * part)) for part in parts]
    assert kinds == pytest.approx(means, abs=0.012)


@pytest.mark.parametrize("mean", [0.2, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75])
@pytest.mark.parametrize("kinds", [1, 5, 40])
def test_kinds_of_day_keep_the_month_mean(mean: float, kinds: int) -> None:
    days = sky.day_clearness(mean, kinds)
    assert days.mean() == pytest.approx(mean, abs=1e-9)
    assert np.all(np.diff(days) > 0.0)
    assert days.min() > 0.05
    assert days.max() < sky.clearest(mean)


@pytest.mark.parametrize("mean", [0.1, 0.9, np.nan])
def test_an_impossible_month_is_refused(mean: float) -> None:
    with pytest.raises(ValueError, match="clearness"):
        sky.day_clearness(mean, 5)


def test_law_within_a_day_worked_by_hand() -> None:
    """Aguiar and Collares-Pereira (1992), figures as in three public texts, at K = 0.5 with pencil and paper.

    λ = −0.19 + 0.56 + 0.24·0.0183156 = 0.3743957; ε = 0.32; η = 0.19 + 0.5675 − 0.31375 = 0.44375; at sin h = 1 the
    mean is 0.3743957 + 0.32·0.641625 = 0.579716. A = 0.14·0.637628 = 0.0892679, B = 0.0075 + 0.5; at sin h = 0.5 the
    spread is 0.0892679·1.288850 = 0.115053. φ = 0.38 + 0.06·cos 1.2 = 0.401741.
    """
    day = np.array(0.5)
    assert sky.slot_mean(day, np.array(1.0)) == pytest.approx(0.579716, abs=2e-6)
    assert sky.slot_spread(day, np.array(0.5)) == pytest.approx(0.115053, abs=2e-6)
    assert sky.hourly_correlation(day) == pytest.approx(0.401741, abs=2e-6)


@pytest.mark.parametrize("day", [0.3, 0.45, 0.6, 0.7])
@pytest.mark.parametrize("latitude", [20.0, 35.0, 50.0])
def test_mean_within_a_day_adds_up_to_about_its_clearness(day: float, latitude: float) -> None:
    """The law is meant to give the day's clearness back; it does to 0.08, which is why days are scaled."""
    sun = sun_at(latitude)
    got = (sky.slot_mean(np.array(day), sun.sin_height) * sun.horizontal_w_m2).sum(axis=1)
    assert got / sun.horizontal_w_m2.sum(axis=1) == pytest.approx(day, abs=0.08)

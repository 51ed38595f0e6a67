"""The sky over a year: the sun's path on one day a month, days from dull to clear, and the sky's course within a day.

Clearness is the share of the extraterrestrial irradiance on the horizontal that reaches the ground: K over a day, kt in
a slot. The clearness of a month's days follows an exponential law; within a day kt runs around a mean that depends on
the sun's height and on K, with deviations that fade by the hour.

Assumptions: the hourly fading is carried to a slot, so clouds that pass in minutes are smoothed and the output crosses
a level less often than in truth; no slot is brighter than a clean clear sky, so the flashes at the edges of clouds are
missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pvlib import clearsky, irradiance, solarposition
from scipy.optimize import brentq

from auditor.likelihood.arrays import FloatArray, IntArray

#: Day of the year whose sun stands for its month. Klein, Solar Energy 19 (1977) 325-329. Against an ephemeris its
#: extraterrestrial irradiation is within 1.6 % of the month's mean at 35° and 2.5 % at 50°, and 0.3 % over the year.
MONTH_DAY = np.array([17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344])
#: Days of each month [days].
MONTH_LENGTH = np.array([31.0, 28.0, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0])
#: Lowest clearness of a day. Bendt, Collares-Pereira and Rabl, Solar Energy 27 (1981) 1-5.
DULLEST = 0.05
#: Monthly means within which the laws of the sky were fitted, with some room.
MEAN_CLEARNESS = (0.2, 0.75)
#: Aerosol optical depth at 700 nm of the clean sky that no slot outshines; an assumption, water vapour 1 cm.
CLEAN_SKY_AOD = 0.05
HOUR_S, DAY_S = 3600.0, 86400.0


@dataclass(frozen=True)
class Sun:
    """The sun over the slots of one day a month, all (12, slots).

    zenith_deg, azimuth_deg   position, azimuth clockwise from north [degrees]
    sin_height                sine of the height above the horizon, 0 at night
    clear                     clearness of a clean clear sky, 0 at night
    normal_w_m2               (12, 1) extraterrestrial irradiance normal to the beam [W/m²]
    """

    zenith_deg: FloatArray
    azimuth_deg: FloatArray
    sin_height: FloatArray
    clear: FloatArray
    normal_w_m2: FloatArray

    @property
    def horizontal_w_m2(self) -> FloatArray:
        """Extraterrestrial irradiance on the horizontal [W/m²]."""
        return self.normal_w_m2 * self.sin_height


def zone_h(longitude_deg: float) -> int:
    """The time zone taken for a place, in whole hours [h]: the nearest to its sun. An assumption; borders differ."""
    return int(np.floor(longitude_deg / 15.0 + 0.5))


def sun_over(latitude_deg: float, longitude_deg: float, slot_s: float) -> Sun:
    """The sun at the middle of each slot, in the zone's standard time; slot 0 starts at midnight.

    Declination and equation of time after Spencer, Search 2 (1971) 172; the clear sky after Ineichen, Solar Energy 82
    (2008) 758-762.
    """
    declination = solarposition.declination_spencer71(MONTH_DAY)[:, None]
    minutes = solarposition.equation_of_time_spencer71(MONTH_DAY)[:, None]
    hour = (np.arange(round(DAY_S / slot_s)) + 0.5) * slot_s / HOUR_S
    angle_deg = 15.0 * (hour - 12.0 - zone_h(longitude_deg)) + longitude_deg + minutes / 4.0
    angle = np.radians((angle_deg + 180.0) % 360.0 - 180.0)
    latitude = np.radians(latitude_deg)
    zenith = solarposition.solar_zenith_analytical(latitude, angle, declination)
    azimuth = solarposition.solar_azimuth_analytical(latitude, angle, declination, zenith)
    normal = irradiance.get_extra_radiation(MONTH_DAY)[:, None]
    sine = np.maximum(np.cos(zenith), 0.0)
    up = sine > 0.0
    sky = clearsky.simplified_solis(90.0 - np.degrees(zenith), aod700=CLEAN_SKY_AOD, dni_extra=normal)["ghi"]
    clear = np.divide(sky, normal * sine, out=np.zeros_like(sine), where=up)
    return Sun(np.degrees(zenith), np.degrees(azimuth), sine, np.minimum(clear, 1.0), normal)


def clearest(mean: float) -> float:
    """Highest clearness of a day in a month of this mean clearness. Hollands and Huget, Solar Energy 30 (1983) 195."""
    return 0.6313 + 0.267 * mean - 11.9 * (mean - 0.75) ** 8


def day_clearness(mean: float, kinds: int) -> FloatArray:
    """Clearness of `kinds` kinds of day of equal chance, dull to clear, (kinds,); their mean is `mean`.

    The density is proportional to exp(γ·K) between DULLEST and `clearest`; γ is solved from the mean. Bendt,
    Collares-Pereira and Rabl, Solar Energy 27 (1981) 1-5. Raises ValueError outside MEAN_CLEARNESS.
    """
    low, high = MEAN_CLEARNESS
    if not low <= mean <= high:
        raise ValueError(f"a month's mean clearness of {mean} is outside {low} to {high}")
    width = clearest(mean) - DULLEST
    share = (mean - DULLEST) / width
    steep = brentq(lambda x: _mean_share(x) - share, -700.0, 700.0, xtol=1e-13, rtol=1e-14)
    edges = _quantile(steep, np.arange(kinds + 1) / kinds)
    wide = np.diff(edges)
    inner = np.array([_mean_share(steep * part) for part in wide])
    return np.asarray(DULLEST + width * (edges[:-1] + wide * inner), dtype=np.float64)


def _mean_share(steep: float) -> float:
    """Mean of a density proportional to exp(steep·x) on 0 to 1."""
    if abs(steep) < 1e-4:
        return 0.5 + steep / 12.0
    return float(-1.0 / np.expm1(-steep) - 1.0 / steep)


def _quantile(steep: float, chance: FloatArray) -> FloatArray:
    """Quantiles of a density proportional to exp(steep·x) on 0 to 1."""
    if abs(steep) < 1e-9:
        return chance
    if steep > 0.0:
        return 1.0 - _quantile(-steep, 1.0 - chance)
    return np.asarray(np.log1p(chance * np.expm1(steep)) / steep, dtype=np.float64)


def slot_mean(day: FloatArray, sin_height: FloatArray) -> FloatArray:
    """Mean kt of a slot on a day of clearness `day`: λ + ε·exp(−η / sin h).

    Aguiar and Collares-Pereira, Solar Energy 49 (1992) 167-174; the figures as three public texts give them.
    """
    level = -0.19 + 1.12 * day + 0.24 * np.exp(-8.0 * day)
    gain = 0.32 - 1.6 * (day - 0.5) ** 2
    fade = 0.19 + 2.27 * day**2 - 2.51 * day**3
    return np.asarray(level + gain * np.exp(-fade / np.maximum(sin_height, 1e-3)), dtype=np.float64)


def slot_spread(day: FloatArray, sin_height: FloatArray) -> FloatArray:
    """Standard deviation of kt in a slot around its mean: A·exp(B·(1 − sin h)); source as `slot_mean`."""
    scale = 0.14 * np.exp(-20.0 * (day - 0.35) ** 2)
    growth = 3.0 * (day - 0.45) ** 2 + 16.0 * day**5
    return np.asarray(scale * np.exp(growth * (1.0 - sin_height)), dtype=np.float64)


def hourly_correlation(day: FloatArray) -> FloatArray:
    """Correlation of the normalised deviation with that of an hour before; source as `slot_mean`."""
    return np.asarray(0.38 + 0.06 * np.cos(7.4 * day - 2.5), dtype=np.float64)


def deviations(day: FloatArray, month: IntArray, sequences: int, slots: int, slot_s: float) -> FloatArray:
    """Standard normal sequences for each kind of day, (n, sequences, slots), fading by the hour as the day demands.

    day and month are (n,). Each sequence has a seed of its own, made of its month, its place among the days of that
    month and its number, so equal inputs give equal sequences whatever else is worked out.
    """
    drawn = np.empty((day.size, sequences, slots))
    place = np.zeros(12, dtype=np.int64)
    for row, of_month in enumerate(month):
        for number in range(sequences):
            seed = [int(of_month), int(place[of_month]), number]
            drawn[row, number] = np.random.default_rng(seed).standard_normal(slots)
        place[of_month] += 1
    keep = (hourly_correlation(day) ** (slot_s / HOUR_S))[:, None]
    fresh = np.sqrt(1.0 - keep**2)
    for slot in range(1, slots):
        drawn[:, :, slot] = keep * drawn[:, :, slot - 1] + fresh * drawn[:, :, slot]
    return drawn


def slot_clearness(sun: Sun, day: FloatArray, month: IntArray, sequences: int, slot_s: float) -> FloatArray:
    """kt over the slots of each day, (n, sequences, slots), from 0 to the clean clear sky's.

    Each sequence is scaled to the clearness of its own day, which is what that clearness means; slots at the clear
    sky's limit cannot rise, so this takes a few passes. A day clearer than the clean sky stays at the limit.
    """
    sine, limit = sun.sin_height[month][:, None, :], sun.clear[month][:, None, :]
    above = sun.horizontal_w_m2[month][:, None, :]
    kind = day[:, None, None]
    noise = deviations(day, month, sequences, sine.shape[-1], slot_s)
    kt = np.clip(slot_mean(kind, sine) + slot_spread(kind, sine) * noise, 0.0, limit)
    whole = above.sum(axis=-1, keepdims=True)
    for _ in range(4):
        got = (kt * above).sum(axis=-1, keepdims=True)
        scale = np.divide(kind * whole, got, out=np.ones_like(got), where=got > 0.0)
        kt = np.minimum(kt * scale, limit)
    return kt

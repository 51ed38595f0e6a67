"""The hours of daylight: when the sun stands above the horizon, as the output's model counts it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from pvlib import solarposition

from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.sky import zone_h

DAY_H, HOUR_S = 24.0, 3_600.0
#: Days of a leap year.
MOST_DAYS = 366


def zones_h(longitude_deg: npt.ArrayLike) -> IntArray:
    """Hours that local standard time is ahead of UTC, (n,) [h]: the model's zone, the nearest to the sun."""
    distinct, of = np.unique(longitude_deg, return_inverse=True)
    return np.array([zone_h(longitude) for longitude in distinct.tolist()], dtype=np.int64)[of]


def daylight_share(
    latitude_deg: FloatArray, longitude_deg: FloatArray, day_of_year: IntArray, from_h: FloatArray, to_h: FloatArray
) -> FloatArray:
    """Share of a day's daylight that lies between two hours of local standard time; all (n,), hours 0 to 24.

    0 where the sun does not rise. The sun's path after Spencer, Search 2 (1971) 172, without refraction: sunrise and
    sunset are within a few minutes of an almanac's.
    """
    noon, half = _noon_and_half(latitude_deg, longitude_deg, day_of_year)
    lit = _lit_h(noon, half, from_h, to_h)
    share = np.divide(lit, 2 * half, out=np.zeros_like(half), where=half > 0)
    return np.asarray(share, dtype=np.float64)


def is_dark(
    latitude_deg: float, longitude_deg: float, start: npt.NDArray[np.datetime64], duration_s: FloatArray
) -> BoolArray:
    """Whether intervals of one place (n,), in local standard time and up to midnight, hold no daylight at all."""
    second = start.astype("datetime64[s]").astype(np.int64)
    day = second // (DAY_H * HOUR_S)
    of_year = (day.astype("datetime64[D]") - start.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.int64)
    from_h = (second - day * DAY_H * HOUR_S) / HOUR_S
    to_h = np.minimum(from_h + duration_s / HOUR_S, DAY_H)
    noon, half = _noon_and_half(latitude_deg, longitude_deg, np.arange(1, MOST_DAYS + 1))
    return np.asarray(_lit_h(noon[of_year], half[of_year], from_h, to_h) <= 0.0, dtype=np.bool_)


def _noon_and_half(
    latitude_deg: FloatArray | float, longitude_deg: FloatArray | float, day_of_year: IntArray
) -> tuple[FloatArray, FloatArray]:
    """When the sun stands highest, and half of the daylight around it, in hours of local standard time."""
    declination = solarposition.declination_spencer71(day_of_year)
    noon = DAY_H / 2 + zones_h(longitude_deg) - longitude_deg / 15.0
    noon = noon - solarposition.equation_of_time_spencer71(day_of_year) / 60.0
    cosine = -np.tan(np.radians(latitude_deg)) * np.tan(declination)
    return noon, np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / 15.0


def _lit_h(noon: FloatArray, half: FloatArray, from_h: FloatArray, to_h: FloatArray) -> FloatArray:
    """Hours of daylight within intervals of a day; it may begin on the day before or end on the day after."""
    lit = np.zeros_like(half)
    for shift in (-DAY_H, 0.0, DAY_H):
        begin, end = noon - half + shift, noon + half + shift
        lit += np.maximum(np.minimum(to_h, end) - np.maximum(from_h, begin), 0.0)
    return lit

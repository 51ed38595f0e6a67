"""The hours of daylight: when the sun stands above the horizon, as the output's model counts it."""

from __future__ import annotations

import numpy as np
from pvlib import solarposition

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.sky import zone_h

DAY_H = 24.0


def zones_h(longitude_deg: FloatArray) -> IntArray:
    """Hours that local standard time is ahead of UTC, (n,) [h]: the model's zone, the nearest to the sun."""
    return np.array([zone_h(longitude) for longitude in longitude_deg], dtype=np.int64)


def daylight_share(
    latitude_deg: FloatArray, longitude_deg: FloatArray, day_of_year: IntArray, from_h: FloatArray, to_h: FloatArray
) -> FloatArray:
    """Share of a day's daylight that lies between two hours of local standard time; all (n,), hours 0 to 24.

    0 where the sun does not rise. The sun's path after Spencer, Search 2 (1971) 172, without refraction: sunrise and
    sunset are within a few minutes of an almanac's.
    """
    declination = solarposition.declination_spencer71(day_of_year)
    noon = DAY_H / 2 + zones_h(longitude_deg) - longitude_deg / 15.0
    noon = noon - solarposition.equation_of_time_spencer71(day_of_year) / 60.0
    cosine = -np.tan(np.radians(latitude_deg)) * np.tan(declination)
    half = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / 15.0
    # Daylight may begin on the day before or end on the day after; either way the day has as much of it.
    lit = np.zeros_like(half)
    for shift in (-DAY_H, 0.0, DAY_H):
        begin, end = noon - half + shift, noon + half + shift
        lit += np.maximum(np.minimum(to_h, end) - np.maximum(from_h, begin), 0.0)
    share = np.divide(lit, 2 * half, out=np.zeros_like(half), where=half > 0)
    return np.asarray(share, dtype=np.float64)

"""Readings of a supply with known parameters, drawn slot by slot; shares no code with the fitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SLOT_S = 300
A_DAY = 86_400 // SLOT_S


@dataclass
class Truth:
    """All in % of nominal, but rho (a slot of 300 s)."""

    level: float = 101.5
    sigma: float = 0.6
    rho: float = 0.95
    day: float = 0.5
    peak: float = 0.3
    beta: float = 1.4
    rise: float = 2.0
    season: float = 0.3
    noon: float = -0.4
    alike: float = 0.0  # correlation of the day effect from day to day


def year() -> np.ndarray:
    """Slots of the year 2023, (365, 288), in seconds since 1970."""
    first = np.datetime64("2023-01-01", "s").astype(np.int64)
    return first + np.arange(365 * A_DAY).reshape(365, A_DAY) * SLOT_S


def months(second: np.ndarray) -> np.ndarray:
    return second.astype("datetime64[s]").astype("datetime64[M]").astype(np.int64) % 12


def mean_of(truth: Truth, month: np.ndarray, hour: np.ndarray) -> np.ndarray:
    """The no-export mean without sun: a season, an evening dip, and something at noon that is not the sun's."""
    return (
        truth.level
        + truth.season * np.cos(month / 6 * np.pi)
        - 0.6 * np.exp(-(((hour - 19) / 2.0) ** 2))
        + truth.noon * np.exp(-(((hour - 12.5) / 3.0) ** 2))
    )


def sun_of(rng: np.random.Generator) -> np.ndarray:
    """Output over the year, (365, 288): a day's clearness times a course, with clouds."""
    t = (np.arange(A_DAY) + 0.5) / 12
    season = np.cos((np.arange(365) - 172) / 365 * 2 * np.pi)
    half = (6 + 1.8 * season)[:, None]
    course = np.where(abs(t - 12) < half, np.cos((t - 12) / half * np.pi / 2), 0.0) * (0.8 + 0.2 * season)[:, None]
    clear = rng.beta(0.9, 0.6, 365)[:, None]
    clouds = 1 - 0.6 * (1 - clear) * (np.sin(t * rng.uniform(1, 9, (365, 1)) + rng.uniform(0, 6, (365, 1))) > 0)
    return np.clip(course * (0.15 + 0.85 * clear) * clouds, 0.0, 1.0)


def simulate(truth: Truth, seed: int, interval_s: int = 300) -> dict[str, np.ndarray]:
    """Columns of readings of one year: start, duration_s, mean_pct, max_pct, own_output; all slots averaged."""
    rng = np.random.default_rng(seed)
    second, sun = year(), sun_of(rng)
    a = rng.normal(0, truth.sigma, 365)
    v = np.empty_like(sun)
    for k in range(A_DAY):
        v[:, k] = a
        a = truth.rho * a + truth.sigma * np.sqrt(1 - truth.rho**2) * rng.normal(size=365)
    day = rng.normal(0, truth.day, 365)
    for k in range(1, 365):
        day[k] = truth.alike * day[k - 1] + np.sqrt(1 - truth.alike**2) * day[k]
    v += day[:, None] + (truth.beta + truth.rise) * sun
    v += mean_of(truth, months(second), second // 3600 % 24)
    top = v + truth.peak * rng.exponential(size=v.shape)
    n = interval_s // SLOT_S
    shape = (365 * A_DAY // n, n)
    return {
        "start": second.reshape(shape)[:, 0].astype("datetime64[s]"),
        "duration_s": np.full(shape[0], float(interval_s)),
        "mean_pct": v.reshape(shape).mean(axis=1),
        "max_pct": top.reshape(shape).max(axis=1),
        "own_output": sun.reshape(shape).mean(axis=1),
    }

"""Sites drawn as the model has them, and a year of days at each; and the same with a supply of another character.

It shares no code with the solver. A day of a unit that has not tripped is drawn slot by slot (noise, peaks, neighbours'
sun), less the site's level and the day effect: what is kept of it is the level at which it would just trip. The first
trip of a day does not ask what comes after it. Droops are left out: with them a day is not a matter of the level alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr
from trip_simulator import Unit

#: Days with rough noise among all, and how much rougher; the calm ones make up for it, so that the spread is the same.
ROUGH_SHARE, ROUGH = 0.25, 1.6
#: Slots by which a late sun comes late.
LATE = 12
#: Slots that noise of another law takes to forget its normal start.
RUN_IN = 120
#: Systems drawn side by side.
TOGETHER = 40


@dataclass(frozen=True)
class World:
    """How a drawn supply may differ from the stated one, its spreads being the same.

    noise   "normal"; "jumps": Student's t with four degrees of freedom drives the AR(1); "rough days": on one day of
            four its spread is 1.6 times the stated one, 0.69 times on others
    sun     "follows": the neighbours' sun is the own output; "saturates": the sine of a quarter turn of it, which is
            higher on the way and alike at none and at all; "late": as it was an hour ago
    """

    noise: str = "normal"
    sun: str = "follows"


@dataclass(frozen=True)
class Supplied:
    """The character of the supply, in percent of nominal; dev (12, 24)."""

    dev: np.ndarray
    sigma: float
    rho: float
    day: float
    peak: float


@dataclass(frozen=True)
class Site:
    """What is known of each system, all (n,): level and its spread, sun and its spread, own rise, units and offsets."""

    level: np.ndarray
    site: np.ndarray
    beta: np.ndarray
    beta_sd: np.ndarray
    rise: np.ndarray
    units: np.ndarray
    offset: np.ndarray


@dataclass(frozen=True)
class Drawn:
    """What came of each system, all (n,).

    trip_days   days with a trip in the one year; ahead whether any of its first thirty days of June had one
    rate        trip-days a year to be expected at this very site, from the same days of noise and sun
    """

    trip_days: np.ndarray
    ahead: np.ndarray
    rate: np.ndarray


def draw_portfolio(
    unit: Unit,
    supply: Supplied,
    output: np.ndarray,
    month: np.ndarray,
    month_days: np.ndarray,
    known: Site,
    seed: int,
    world: World | None = None,
) -> Drawn:
    """One year of each system; output (k, slots) are the days of a class, each as likely as the others of its month."""
    rng, size = np.random.default_rng(seed), known.level.size
    day_month = np.repeat(np.arange(12), month_days)
    of_month = [np.flatnonzero(month == m) for m in range(12)]
    level = known.level + known.site * rng.standard_normal(size)
    level += [offset * rng.standard_normal(int(n)).max() for offset, n in zip(known.offset, known.units, strict=True)]
    beta = known.beta + known.beta_sd * rng.standard_normal(size)
    found = []
    for first in range(0, size, TOGETHER):
        part = slice(first, first + TOGETHER)
        here = level[part].size
        shape = np.concatenate([rng.choice(of_month[m], (here, n)) for m, n in enumerate(month_days) if n], axis=1)
        trips_at = _trips_at(
            unit,
            supply,
            (output, shape.ravel(), np.tile(day_month, here)),
            np.repeat(beta[part], day_month.size),
            np.repeat(known.rise[part], day_month.size),
            rng,
            world or World(),
        ).reshape(here, -1)
        over = level[part, None] - trips_at
        tripped = over + supply.day * rng.standard_normal(over.shape) > 0
        june = np.flatnonzero(day_month == 5)[:30]
        rate = ndtr(over / supply.day).sum(axis=1) if supply.day else (over > 0).sum(axis=1)
        found.append((tripped.sum(axis=1), tripped[:, june].any(axis=1), rate))
    return Drawn(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _trips_at(
    unit: Unit,
    supply: Supplied,
    days: tuple[np.ndarray, np.ndarray, np.ndarray],
    beta: np.ndarray,
    rise: np.ndarray,
    rng: np.random.Generator,
    world: World,
) -> np.ndarray:
    """The level, with the day effect in it, at which each day just trips, (d,) [% of nominal].

    days are the shapes, and of each day its shape and its month.
    """
    output, shape, month = days
    lit = output > 0
    lit = np.logical_or.accumulate(lit, axis=1) & np.logical_or.accumulate(lit[:, ::-1], axis=1)[:, ::-1]
    slots = np.flatnonzero(lit.any(axis=0))
    step = np.sqrt(1 - supply.rho**2)
    sigma = np.full(shape.size, supply.sigma)
    if world.noise == "rough days":
        calm = np.sqrt((1 - ROUGH_SHARE * ROUGH**2) / (1 - ROUGH_SHARE))
        sigma *= np.where(rng.random(shape.size) < ROUGH_SHARE, ROUGH, calm)
    a = sigma * rng.standard_normal(shape.size)
    for _ in range(RUN_IN if world.noise == "jumps" else 0):
        a = supply.rho * a + step * sigma * rng.standard_t(4, a.size) / np.sqrt(2)
    over = np.full(shape.size, -np.inf)
    last = np.full(shape.size, -np.inf)
    for k in slots:
        z = rng.standard_t(4, a.size) / np.sqrt(2) if world.noise == "jumps" else rng.standard_normal(a.size)
        a = supply.rho * a + step * sigma * z
        f, here = output[shape, k], lit[shape, k]
        off = supply.dev[month, int(k * unit.slot // 3600)] + a + beta * _neighbours(output, shape, k, world.sun)
        on = off + rise * f
        e = rng.exponential(size=a.size)
        for threshold, clearing in unit.instant:
            s = supply.peak * np.log(unit.slot / clearing) / np.log(unit.slot) if clearing < unit.slot else 0.0
            excess = (off if unit.ceases else on) + s * e - threshold
            np.maximum(over, excess, out=over, where=here)
        if unit.ten_minute is not None:
            if unit.slides or k % 2 == 1:
                np.maximum(over, (on + last) / 2 - unit.ten_minute, out=over, where=here)
            last = np.where(here, on, -np.inf)
    return -over


def _neighbours(output: np.ndarray, shape: np.ndarray, k: int, sun: str) -> np.ndarray:
    """The neighbours' sun in a slot."""
    if sun == "late":
        return output[shape, max(k - LATE, 0)]
    f = output[shape, k]
    return np.sin(f * np.pi / 2) if sun == "saturates" else f

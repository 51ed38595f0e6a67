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
class Known:
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
    """What came of each site, (n systems, sites).

    trip_days   days with a trip in the one year; ahead whether any of its first thirty days of June had one
    rate        trip-days a year to be expected at this very site
    """

    trip_days: np.ndarray
    ahead: np.ndarray
    rate: np.ndarray


def draw_portfolio(
    unit: Unit,
    supply: Supplied,
    days: tuple[np.ndarray, np.ndarray, np.ndarray],
    known: Known,
    sites: int,
    seed: int,
    world: World | None = None,
) -> Drawn:
    """So many sites of each system, and one year at each.

    days are the shapes of a class (k, slots), each as likely as the others of its month, their months, and how many
    days a year each month has.
    """
    rng = np.random.default_rng(seed)
    found = [_sites_of(unit, supply, days, known, k, sites, rng, world or World()) for k in range(known.level.size)]
    return Drawn(*(np.stack(part) for part in zip(*found, strict=True)))


def _sites_of(
    unit: Unit,
    supply: Supplied,
    days: tuple[np.ndarray, np.ndarray, np.ndarray],
    known: Known,
    k: int,
    sites: int,
    rng: np.random.Generator,
    world: World,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Trip-days, any ahead, and rates (sites,) of one system.

    A rate is the mean over the days of all its sites, so that it hardly varies itself: at another neighbours' sun a day
    trips at a level that is lower by the difference times that sun in the slot that decides.
    """
    output, month, month_days = days
    level = known.level[k] + known.site[k] * rng.standard_normal(sites)
    level += known.offset[k] * rng.standard_normal((sites, int(known.units[k]))).max(axis=1)
    beta = known.beta[k] + known.beta_sd[k] * rng.standard_normal(sites)
    shape = [rng.choice(np.flatnonzero(month == m), (sites, n)) for m, n in enumerate(month_days) if n]
    day_month = np.repeat(np.arange(12), month_days)
    year = day_month.size
    each = (output, np.concatenate(shape, axis=1).ravel(), np.tile(day_month, sites))
    trips_at, sun = _trips_at(unit, supply, each, np.repeat(beta, year), float(known.rise[k]), rng, world)
    over = level[:, None] - trips_at.reshape(sites, year)
    tripped = over + supply.day * rng.standard_normal(over.shape) > 0
    ahead = tripped[:, np.flatnonzero(day_month == 5)[:30]].any(axis=1)
    drawn_at = np.repeat(beta, year)
    rate = [
        ndtr((at - trips_at + (own - drawn_at) * sun) / supply.day).mean() * year
        for at, own in zip(level, beta, strict=True)
    ]
    return tripped.sum(axis=1), ahead, np.array(rate)


def _trips_at(
    unit: Unit,
    supply: Supplied,
    days: tuple[np.ndarray, np.ndarray, np.ndarray],
    beta: np.ndarray,
    rise: float,
    rng: np.random.Generator,
    world: World,
) -> tuple[np.ndarray, np.ndarray]:
    """The level, with the day effect in it, at which each day just trips [% of nominal], and the neighbours' sun in the
    slot that decides, each (d,). days are the shapes, and of each day its shape and its month.
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
    over, last = np.full((2, shape.size), -np.inf)
    decides, last_sun = np.zeros((2, shape.size))
    for k in slots:
        z = rng.standard_t(4, a.size) / np.sqrt(2) if world.noise == "jumps" else rng.standard_normal(a.size)
        a = supply.rho * a + step * sigma * z
        f, here, sun = output[shape, k], lit[shape, k], _neighbours(output, shape, k, world.sun)
        off = supply.dev[month, int(k * unit.slot // 3600)] + a + beta * sun
        on = off + rise * f
        e = rng.exponential(size=a.size)
        judged = off if unit.ceases else on
        most = np.max([judged + _scale(unit, supply, c) * e - level for level, c in unit.instant], axis=0)
        if unit.ten_minute is not None:
            if unit.slides or k % 2 == 1:
                mean = (on + last) / 2 - unit.ten_minute
                sun, most = np.where(mean > most, (sun + last_sun) / 2, sun), np.maximum(mean, most)
            last, last_sun = np.where(here, on, -np.inf), _neighbours(output, shape, k, world.sun)
        higher = here & (most > over)
        over, decides = np.where(higher, most, over), np.where(higher, sun, decides)
    return -over, decides


def _scale(unit: Unit, supply: Supplied, clearing: float) -> float:
    """Scale of the peaks that outlast a clearing time [% of nominal]."""
    return supply.peak * np.log(unit.slot / clearing) / np.log(unit.slot) if clearing < unit.slot else 0.0


def _neighbours(output: np.ndarray, shape: np.ndarray, k: int, sun: str) -> np.ndarray:
    """The neighbours' sun in a slot."""
    if sun == "late":
        return output[shape, max(k - LATE, 0)]
    f = output[shape, k]
    return np.sin(f * np.pi / 2) if sun == "saturates" else f

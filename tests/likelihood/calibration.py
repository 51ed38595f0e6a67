"""How well forecasts hold over many systems: coverage, reliability and the PIT of counts, with what chance allows.

References
----------
.. [1] C. Czado, T. Gneiting and L. Held, "Predictive model assessment for count data", Biometrics 65 (2009) 1254-1261,
   doi 10.1111/j.1541-0420.2009.01191.x: the nonrandomized PIT.
.. [2] D. J. Spiegelhalter, "Probabilistic prediction in patient management and clinical trials", Statistics in Medicine
   5 (1986) 421-433: the Z of the Brier score.
.. [3] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
   binomial", Biometrika 26 (1934) 404-413.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from portfolio_simulator import Drawn, Known, Supplied, World, draw_portfolio
from scipy.stats import beta as beta_law
from scipy.stats import chi2, norm
from trip_simulator import Unit

from auditor.likelihood.inputs import DayShapes, Profile, Supply, Systems
from auditor.likelihood.lookup import month_hazards
from auditor.likelihood.results import most_sensitive_unit, system_results
from auditor.likelihood.table import Table, hazard_block

#: Bounds of the classes of a foretold chance.
CHANCE_EDGES = np.array([0.0, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 1.0])
PIT_BINS = 10
#: Levels that a site may have when its counts are foretold [standard deviations].
LEVELS = np.linspace(-4.5, 4.5, 61)


@dataclass(frozen=True)
class Foretold:
    """What the tables foretell: interval and chances (n,), and the distribution function of the year's trip-days,
    (n, 1 + days + 1), its first column for fewer than none.
    """

    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    chance_year: np.ndarray
    chance_30d: np.ndarray
    below: np.ndarray


def foretold(table: Table, profile: Profile, supply: Supply, systems: Systems, month_days: np.ndarray) -> Foretold:
    """The forecast of systems; the count's law is a mixture over the site's level of sums of the months' binomials."""
    columns = system_results(table, systems, (1.0,)).columns
    unit = most_sensitive_unit(table.trip_output, systems)
    hazard = hazard_block(table, profile, supply)
    weight = norm.pdf(LEVELS) / norm.pdf(LEVELS).sum()
    turn = np.exp(2j * np.pi * np.arange(month_days.sum() + 1) / (month_days.sum() + 1))
    transform = np.zeros((systems.size, turn.size), dtype=complex)
    for z, share in zip(LEVELS, weight, strict=True):
        at = replace(unit, level_pct=unit.level_pct + z * unit.site_pct, site_pct=0.0 * unit.site_pct)
        chance = -np.expm1(-month_hazards(table, hazard, at))
        known = np.ones((systems.size, turn.size), dtype=complex)
        for m in np.flatnonzero(month_days):
            known *= (1 + chance[m][:, None] * (turn - 1)) ** int(month_days[m])
        transform += share * known
    law = np.fft.fft(transform, axis=1).real / turn.size
    below = np.concatenate([np.zeros((systems.size, 1)), np.cumsum(law, axis=1)], axis=1)
    ends = (f"trip_days_per_year{end}" for end in ("", "_low", "_high"))
    names = (*ends, "trip_chance_year", "trip_chance_30d")
    return Foretold(*(columns[name] for name in names), below=np.clip(below, 0.0, 1.0))


@dataclass(frozen=True)
class Calibration:
    """Coverage of the rate [share]; z of the Brier scores; chi-square of the PIT; what lies over what was foretold."""

    covered: float
    too_low: float
    too_high: float
    z_year: float
    z_30d: float
    pit: np.ndarray
    pit_chi2: float
    days_over_foretold: float
    year: list[dict[str, float]]
    ahead: list[dict[str, float]]


def calibration(said: Foretold, came: Drawn, missed: float = 0.05) -> Calibration:
    """Hold forecasts of systems against what came of their sites; intervals of seen shares miss with `missed`."""
    row = np.repeat(np.arange(said.mean.size), came.rate.shape[1])
    said = Foretold(*(getattr(said, field.name)[row] for field in fields(Foretold)))
    came = Drawn(came.trip_days.ravel(), came.ahead.ravel(), came.rate.ravel())
    trips = came.trip_days > 0
    heights = pit_heights(said.below, came.trip_days)
    expected = came.trip_days.size / PIT_BINS
    return Calibration(
        covered=float(((said.low <= came.rate) & (came.rate <= said.high)).mean()),
        too_low=float((came.rate > said.high).mean()),
        too_high=float((came.rate < said.low).mean()),
        z_year=brier_z(said.chance_year, trips),
        z_30d=brier_z(said.chance_30d, came.ahead),
        pit=heights,
        pit_chi2=float(((heights * expected - expected) ** 2 / expected).sum()),
        days_over_foretold=float(came.trip_days.sum() / said.mean.sum()),
        year=reliability(said.chance_year, trips, missed),
        ahead=reliability(said.chance_30d, came.ahead, missed),
    )


def pit_heights(below: np.ndarray, counts: np.ndarray, bins: int = PIT_BINS) -> np.ndarray:
    """Heights of the nonrandomized PIT's histogram, 1 where counts are foretold well ([1]_).

    Given a count, the PIT is even between the distribution function just below the count and at it; its mean over all
    systems is taken at the bins' bounds. below is the distribution function, its first column for fewer than none.
    """
    rows = np.arange(counts.size)
    low, high = below[rows, counts][:, None], below[rows, counts + 1][:, None]
    bounds = np.linspace(0, 1, bins + 1)
    share = np.clip((bounds - low) / np.maximum(high - low, 1e-300), 0, 1)
    return np.diff(share.mean(axis=0)) * bins


def pit_bound(chance: float, bins: int = PIT_BINS) -> float:
    """Chi-square of the PIT that good forecasts pass with at most this chance: the nonrandomized heights vary less than
    counts in bins do."""
    return float(chi2.isf(chance, bins - 1))


def brier_z(chance: np.ndarray, came: np.ndarray) -> float:
    """Standard normal where chances are right ([2]_): positive where too many improbable things came."""
    weight = 1 - 2 * chance
    return float(((came - chance) * weight).sum() / np.sqrt((weight**2 * chance * (1 - chance)).sum()))


def reliability(chance: np.ndarray, came: np.ndarray, wrong: float = 0.05) -> list[dict[str, float]]:
    """Of each class of chances: how many, mean foretold, share seen, and its exact interval ([3]_)."""
    found = []
    row = np.clip(np.searchsorted(CHANCE_EDGES, chance, side="right") - 1, 0, CHANCE_EDGES.size - 2)
    for k in np.unique(row):
        n, seen = int((row == k).sum()), int(came[row == k].sum())
        found.append(
            {
                "systems": n,
                "foretold": float(chance[row == k].mean()),
                "seen": seen / n,
                "low": float(beta_law.ppf(wrong / 2, seen, n - seen + 1)) if seen else 0.0,
                "high": float(beta_law.ppf(1 - wrong / 2, seen + 1, n - seen)) if seen < n else 1.0,
            }
        )
    return found


def designs(profile: Profile, count: int, seed: int) -> Systems:
    """Systems of many kinds: from a trip-day in some years to most days, sites known well or hardly."""
    rng = np.random.default_rng(seed)
    rise = rng.uniform(0.5, 6.0, count)
    beta = rng.uniform(0.0, 2.5, count)
    # the margin decides how many trip-days there are; where output ceases the own rise does not help to reach it
    helps = 0.0 if profile.ceases else 1.0
    return Systems(
        level_pct=profile.first_pct - helps * rise - beta - rng.uniform(0.5, 4.0, count),
        site_pct=rng.uniform(0.2, 1.2, count),
        beta_pct=beta,
        beta_sd_pct=rng.uniform(0.0, 0.5, count),
        service_pct=0.3 * rise,
        wiring_pct=0.7 * rise,
        target_pct=0.5 * rise,
        units=rng.integers(1, 30, count).astype(float),
        sensing_pct=rng.uniform(0.0, 0.4, count),
        rated_kw=np.full(count, 5.0),
    )


def drawn(
    unit: Unit,
    supply: Supply,
    shapes: DayShapes,
    month_days: np.ndarray,
    systems: Systems,
    sites: int,
    seed: int,
    world: World | None = None,
) -> Drawn:
    """So many sites of each system on this supply."""
    known = Known(
        level=systems.level_pct,
        site=systems.site_pct,
        beta=systems.beta_pct,
        beta_sd=systems.beta_sd_pct,
        rise=systems.service_pct + systems.wiring_pct,
        units=systems.units,
        offset=systems.sensing_pct,
    )
    character = Supplied(supply.dev_pct, supply.sigma_pct, supply.rho, supply.day_pct, supply.peak_pct)
    return draw_portfolio(unit, character, (shapes.output, shapes.month, month_days), known, sites, seed, world)

"""Forecasts held against sites and years drawn apart from the solver: coverage, reliability, the PIT of counts.

Levels and suns are drawn from the normal laws that the model states, offsets one by one. Each bound says how often
right forecasts would miss it with another seed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from calibration import Foretold, brier_z, calibration, designs, drawn, foretold, pit_bound, pit_heights, reliability
from likelihood_cases import PROFILES, days, supply, table, unit_of
from portfolio_simulator import Drawn, World
from scipy.stats import nbinom, poisson

from auditor.likelihood.inputs import Supply
from auditor.likelihood.table import make_table

#: Days of the year in each month that the tests' class of days holds.
MONTH_DAYS = np.array([91, 0, 0, 91, 0, 91, 0, 0, 92, 0, 0, 0])
JUNE = np.array([0.0, 0, 0, 0, 0, 30, 0, 0, 0, 0, 0, 0])
#: So many systems, and sites of each: a share of 0.8 has a standard deviation of 1.3 and 0.7 %.
SYSTEMS, FEW, MANY = 60, 16, 50
KINDS = ("runs on", "one second", "ceases", "ten minutes, fixed", "ten minutes, sliding")
#: Right chances pass with all but 1e-4.
Z_BOUND, PIT_BOUND = 3.9, pit_bound(1e-4)
#: Coverage under another supply, as DEVELOPERS.md tells it.
COVERED = {
    World("jumps"): 0.82,
    World("rough days"): 0.82,
    World(sun="saturates"): 0.78,
    World(sun="late"): 0.82,
}
#: A supply told wrongly: seven tenths of the noise, no memory, half the day effect, half the peaks.
WRONG = ({"sigma_pct": 0.42}, {"rho": 0.0}, {"day_pct": 0.25}, {"peak_pct": 0.15})


def said(name: str, told: Supply | None = None) -> Foretold:
    """What is foretold of the systems by the table of a profile on the tests' supply, or on one told otherwise."""
    made = table(name) if told is None else make_table(PROFILES[name], told, days(), JUNE)
    systems = designs(PROFILES[name], SYSTEMS, 5)
    return foretold(made, PROFILES[name], told or supply(), systems, MONTH_DAYS)


@cache
def came(name: str, sites: int, seed: int, world: World | None = None) -> Drawn:
    """Sites of the same systems, drawn."""
    systems = designs(PROFILES[name], SYSTEMS, 5)
    return drawn(unit_of(PROFILES[name]), supply(), days(), MONTH_DAYS, systems, sites, seed, world)


def share_sd(sites: int) -> float:
    """Standard deviation of a share of 0.8 among all sites."""
    return float(np.sqrt(0.16 / (SYSTEMS * sites)))


def test_forecasts_hold_over_drawn_sites() -> None:
    """Right forecasts miss one of these bounds with one seed in 300."""
    got = calibration(said("runs on"), came("runs on", FEW, 21))
    assert abs(got.covered - 0.8) < 3 * share_sd(FEW)
    assert abs(got.z_year) < Z_BOUND
    assert abs(got.z_30d) < Z_BOUND
    assert got.pit_chi2 < PIT_BOUND, got.pit


@pytest.mark.parametrize("change", WRONG[:2])
def test_a_supply_told_wrongly_shows(change: dict[str, float]) -> None:
    got = calibration(said("runs on", replace(supply(), **change)), came("runs on", FEW, 21))
    assert got.pit_chi2 > 1.5 * PIT_BOUND, got.pit


@pytest.mark.long
@pytest.mark.parametrize("change", WRONG)
def test_a_supply_told_wrongly_shows_clearly_over_many_sites(change: dict[str, float]) -> None:
    got = calibration(said("runs on", replace(supply(), **change)), came("runs on", MANY, 22))
    assert got.pit_chi2 > 3 * PIT_BOUND, got.pit


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_eighty_of_a_hundred_sites_lie_in_the_interval_for_every_kind_of_profile(name: str) -> None:
    """The bounds of coverage are four standard deviations away; a class of chances misses once in a million."""
    got = calibration(said(name), came(name, MANY, 22), missed=1e-6)
    assert 0.77 < got.covered < 0.83
    assert abs(got.z_year) < Z_BOUND
    assert abs(got.z_30d) < Z_BOUND
    assert got.pit_chi2 < PIT_BOUND, got.pit
    for row in (*got.year, *got.ahead):
        assert row["low"] <= row["foretold"] <= row["high"], row


@pytest.mark.long
@pytest.mark.parametrize("world", list(COVERED), ids=str)
def test_what_another_supply_costs_is_what_developers_are_told(world: World) -> None:
    got = calibration(said("runs on"), came("runs on", MANY, 23, world))
    assert abs(got.covered - COVERED[world]) < 5 * share_sd(MANY)


def test_the_pit_of_counts_tells_a_wrong_law_from_the_right_one() -> None:
    """The example of Czado, Gneiting and Held: negative binomial counts, of mean 5 and variance 17.5, of which the
    Poisson law expects too few that are large or small."""
    law = nbinom(2.0, 2.0 / 7.0)
    counts = law.rvs(2_000, random_state=np.random.default_rng(4))
    at = np.arange(-1, counts.max() + 1)
    for foretold_law, good in ((law, True), (poisson(5.0), False)):
        below = np.tile(foretold_law.cdf(at), (counts.size, 1))
        heights = pit_heights(below, counts)
        assert heights.mean() == pytest.approx(1.0)
        square = ((heights - 1) ** 2).sum() * counts.size / 10
        assert (square < pit_bound(1e-4)) == good
        assert good or heights[[0, -1]].min() > 1.5


def test_a_count_spreads_evenly_over_its_step_of_the_distribution() -> None:
    """By hand: of two chances 0.4 and 0.6, a zero fills 0 to 0.4 and a one 0.4 to 1."""
    below = np.array([[0.0, 0.4, 1.0], [0.0, 0.4, 1.0]])
    # per bin of 0.2: zero gives 0.5, 0.5, 0, 0, 0 and one gives 0, 0, 1/3, 1/3, 1/3; mean times five bins
    assert pit_heights(below, np.array([0, 1]), 5) == pytest.approx([1.25, 1.25, 5 / 6, 5 / 6, 5 / 6])


def test_intervals_of_seen_shares_are_the_exact_ones() -> None:
    """Clopper and Pearson: none of 10 seen is at most 1 − 0.025^(1/10); all of 10 at least 0.025^(1/10)."""
    (none,) = reliability(np.full(10, 0.3), np.zeros(10, dtype=bool))
    (every,) = reliability(np.full(10, 0.3), np.ones(10, dtype=bool))
    assert (none["low"], none["high"]) == (0.0, pytest.approx(1 - 0.025**0.1))
    assert (every["low"], every["high"]) == (pytest.approx(0.025**0.1), 1.0)
    # by hand: (1 − 0.2)·0.6 over the root of 0.36·0.16
    assert brier_z(np.array([0.2]), np.array([True])) == pytest.approx(0.48 / np.sqrt(0.0576))

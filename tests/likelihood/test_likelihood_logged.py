"""What logs leave: the plain Gamma-Poisson pair, levels by brute force, coverage, and the months of a table."""

from __future__ import annotations

import numpy as np
import pytest
from likelihood_cases import PROFILES, days, supply, table
from scipy.stats import gamma, nbinom, norm, poisson

from auditor.likelihood.logged import NODES_SD, Logs, after_each_log
from auditor.likelihood.lookup import Places, trip_results
from auditor.likelihood.table import hazard_block
from auditor.likelihood.updating import Levels, after_logs

JUNE = np.array([0.0, 0, 0, 0, 0, 30, 0, 0, 0, 0, 0, 0])


def test_a_level_that_is_known_leaves_the_plain_pair() -> None:
    """Gamma(a + O, a + E) and its negative binomial forecast (NUREG/CR-6823, 6.2.2), by scipy's distributions."""
    one = np.ones((1, 1))
    for count, expected in ((0.0, 3.0), (12.0, 2.5), (1.0, 0.001)):
        got = after_logs(Levels(np.ones(1), 20.0 * one, 21.0 * one, 2.0 * one, expected * one), np.array([count]), 1.5)
        law = gamma(1.5 + count, scale=20.0 / (1.5 + expected))
        assert got.mean[0] == pytest.approx(law.mean(), rel=1e-12)
        for name, chance in (("low", 0.1), ("median", 0.5), ("high", 0.9)):
            assert getattr(got, name)[0] == pytest.approx(law.ppf(chance), rel=1e-6)
        none = nbinom(1.5 + count, (1.5 + expected) / (1.5 + expected + 21.0)).pmf(0)
        assert got.chance_year[0] == pytest.approx(1 - none, rel=1e-12)
        assert got.so_many[0] == pytest.approx(nbinom(1.5, 1.5 / (1.5 + expected)).sf(count - 1), rel=1e-9)


def lognormal(size: int, middle: float, slope: float, share: float) -> Levels:
    """Sites whose trip-days grow with the exponential of the level; a log that holds a share of the year's."""
    weight = norm.pdf(NODES_SD)
    per_year = np.tile(middle * np.exp(slope * NODES_SD), (size, 1))
    return Levels(weight / weight.sum(), per_year, per_year, per_year / 12, per_year * share)


@pytest.mark.parametrize("count", [0, 2, 30])
def test_levels_and_multiplier_together_by_brute_force(count: int) -> None:
    """The posterior on a fine grid of level and multiplier, with a Poisson count."""
    shape, middle, slope, share = 2.0, 0.4, 2.2, 0.7
    got = after_logs(lognormal(1, middle, slope, share), np.array([float(count)]), shape)
    z, log_m = np.meshgrid(np.linspace(-5, 5, 801), np.linspace(-9, 3, 801), indexing="ij")
    rate = middle * np.exp(slope * z + log_m)
    weight = norm.pdf(z) * gamma(shape, scale=1 / shape).pdf(np.exp(log_m)) * np.exp(log_m)
    weight = weight * poisson(rate * share).pmf(count)
    weight /= weight.sum()
    assert got.mean[0] == pytest.approx((weight * rate).sum(), rel=2e-3)
    assert got.chance_year[0] == pytest.approx(1 - (weight * np.exp(-rate)).sum(), rel=2e-3)
    for name, chance in (("low", 0.1), ("median", 0.5), ("high", 0.9)):
        assert weight[rate <= getattr(got, name)[0]].sum() == pytest.approx(chance, abs=4e-3)


@pytest.mark.long
def test_intervals_hold_the_truth_eighty_times_in_a_hundred() -> None:
    """Sites, multipliers and counts drawn as the model has them."""
    rng, size, shape = np.random.default_rng(7), 3_000, 2.0
    truth = 3.0 * np.exp(2.0 * rng.standard_normal(size)) * rng.gamma(shape, 1 / shape, size)
    got = after_logs(lognormal(size, 3.0, 2.0, 0.6), rng.poisson(0.6 * truth).astype(float), shape)
    assert 0.77 < ((got.low <= truth) & (truth <= got.high)).mean() < 0.83
    assert 0.47 < (truth <= got.median).mean() < 0.53


def after(logged: np.ndarray, count: float, site: float = 0.8, level: float = 102.0) -> tuple[dict[str, float], object]:
    """Trip-days of one system before and after a log of so many days in each month."""
    t = table("runs on")
    at = Places(*(np.array([value]) for value in (level, 2.7, 1.1, site)))
    hazard = hazard_block(t, PROFILES["runs on"], supply())
    before = {name: float(values[0]) for name, values in trip_results(t, at).items()}
    return before, after_each_log(t, hazard, at, Logs(np.array([count]), logged[None]), JUNE, 2.0)


def test_a_whole_year_expects_what_the_table_does() -> None:
    for site in (0.0, 0.8):
        before, got = after(days().month_days(), 0.0, site)
        assert got.before[0] == pytest.approx(before["mean"], rel=0.02)
        assert got.expected[0] == pytest.approx(before["mean"], rel=0.02)


def test_without_a_logged_day_nothing_moves() -> None:
    before, got = after(np.zeros(12), 0.0)
    assert got.mean[0] == pytest.approx(before["mean"], rel=0.02)
    assert got.chance_year[0] == pytest.approx(before["chance_year"], rel=0.1)
    assert got.so_many[0] == pytest.approx(1.0)


def test_a_quiet_month_counts_by_the_trip_days_that_it_holds() -> None:
    """The supply of the tests is highest in winter, and its days of four months trip most in spring and summer."""
    months = {name: np.where(np.arange(12) == month, 30.0, 0.0) for name, month in (("summer", 5), ("winter", 0))}
    expected = {name: after(of, 0.0)[1].expected[0] for name, of in months.items()}
    quiet = {name: after(of, 0.0)[1].mean[0] for name, of in months.items()}
    least, most = sorted(expected, key=lambda name: expected[name])
    whole = after(np.zeros(12), 0.0)[1].mean[0]
    assert quiet[most] < quiet[least] < whole
    busy = after(months[most], 12.0)[1]
    assert busy.mean[0] > 5 * whole
    assert busy.low[0] < busy.median[0] < busy.high[0]

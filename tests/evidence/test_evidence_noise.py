"""Peaks over several slots, the spread of sums of days that are alike, and covariances: closed forms and small sums."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.evidence.noise import covariances, expected_largest, left_over, noise_of, peak_of, scale_of_largest
from auditor.evidence.series import Blocks
from auditor.evidence.slope import hidden_share, variance_of_sum
from auditor.likelihood.inputs import Supply
from auditor.likelihood.supply import peak_scale_pct


@pytest.mark.parametrize(("slots", "harmonic"), [(1, 1.0), (2, 1.5), (3, 11 / 6)])
def test_the_largest_of_n_exponentials_is_harmonic(slots: int, harmonic: float) -> None:
    """E max of n unit exponentials is 1 + 1/2 + … + 1/n (Rényi, Acta Math. Hung. 4 (1953) 191)."""
    assert expected_largest(0.3, 0.0, 0.5, slots) == pytest.approx(0.3 * harmonic)


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.95])
def test_the_larger_of_two_normals(rho: float) -> None:
    """E max of two normals of spread σ and correlation ρ is σ·√((1−ρ)/π) (Clark, Oper. Res. 9 (1961) 145)."""
    assert expected_largest(0.0, 0.7, rho, 2) == pytest.approx(0.7 * np.sqrt((1 - rho) / np.pi), rel=0.02)


def test_the_largest_of_three_normals() -> None:
    """E max of three independent standard normals is 3/(2√π) (David and Nagaraja, Order Statistics, 2003, 3.2)."""
    assert expected_largest(0.0, 1.0, 0.0, 3) == pytest.approx(3 / (2 * np.sqrt(np.pi)), rel=0.02)


def test_peaks_on_moving_slots_against_a_simulation() -> None:
    rng = np.random.default_rng(3)
    a = np.empty((400_000, 3))
    a[:, 0] = rng.normal(0, 0.6, 400_000)
    for k in (1, 2):
        a[:, k] = 0.9 * a[:, k - 1] + 0.6 * np.sqrt(1 - 0.81) * rng.normal(size=400_000)
    drawn = ((a + 0.25 * rng.exponential(size=a.shape)).max(axis=1) - a.mean(axis=1)).mean()
    assert expected_largest(0.25, 0.6, 0.9, 3) == pytest.approx(drawn, rel=0.005)
    assert scale_of_largest(float(drawn), 0.6, 0.9, 3) == pytest.approx(0.25, rel=0.01)


def test_maxima_below_what_the_slots_reach_have_no_peaks() -> None:
    assert scale_of_largest(0.01, 0.6, 0.9, 2) == 0.0


def flat(above: np.ndarray, slots: int = 1) -> Blocks:
    return Blocks(np.arange(above.shape[0]), slots, np.zeros_like(above), above, np.full_like(above, np.nan))


def test_a_slower_meter_sees_lower_peaks_by_the_stated_law() -> None:
    """The law of `likelihood.supply`: over a slot, the mean of the peaks at a clearing time c is s(c)."""
    unknown = noise_of(np.full((1, 10), np.nan), np.ones((1, 10)), 1, 300.0)
    above = np.random.default_rng(1).exponential(0.2, (100, 40))
    for window_s in (0.2, 1.0, 10.0):
        peak = peak_of(flat(above), unknown, 300.0, window_s)
        supply = Supply(np.zeros((12, 24)), 0.5, 0.9, 0.5, peak)
        assert peak_scale_pct(supply, window_s) == pytest.approx(above.mean())
    assert peak_of(flat(above), unknown, 300.0, 1.0) == pytest.approx(above.mean())


def test_too_few_maxima_or_no_noise_leave_the_peaks_unknown() -> None:
    unknown = noise_of(np.full((1, 10), np.nan), np.ones((1, 10)), 1, 300.0)
    above = np.full((10, 40), np.nan)
    above[0] = 0.2
    assert np.isnan(peak_of(flat(above), unknown, 300.0, 1.0))
    above[:] = 0.2
    assert np.isnan(peak_of(flat(above, slots=3), unknown, 300.0, 1.0))
    assert np.isnan(peak_of(flat(above, slots=4), unknown, 300.0, 1.0))
    assert np.isnan(peak_of(flat(above), unknown, 300.0, 400.0))


def test_sums_of_days_that_are_alike() -> None:
    """By hand, the weights being 1 − l/11, for days 10, 11 and 14 with 1, 2 and 3."""
    told = variance_of_sum(np.array([10, 11, 14]), np.array([1.0, 2.0, 3.0]))
    assert told == pytest.approx(14 + 2 * (10 / 11 * 2 + 8 / 11 * 6 + 7 / 11 * 3))


@pytest.mark.parametrize("step", [1, 2, 5])
def test_what_a_months_mean_hides_is_given_back(step: int) -> None:
    """Independent days less their month's mean: the sum's variance falls short by the stated share, on average."""
    days = np.arange(59)[::step]  # January and February 1970
    month = (days >= 31).astype(int)
    drawn = np.random.default_rng(4).normal(size=(4000, days.size))
    for m in (0, 1):
        drawn[:, month == m] -= drawn[:, month == m].mean(axis=1, keepdims=True)
    told = np.mean([variance_of_sum(days, row) for row in drawn])
    assert told == pytest.approx(days.size * (1 - hidden_share(days)), rel=0.03)


def test_covariances_pair_blocks_of_one_day_only() -> None:
    left = np.array([[1.0, 2.0, np.nan], [3.0, -1.0, 2.0]])
    found, weights, pairs = covariances(left, np.ones_like(left), np.array([0, 1, 2]))
    assert found.tolist() == pytest.approx([(1 + 4 + 9 + 1 + 4) / 5, (2 - 3 - 2) / 3, 6.0])
    assert pairs.tolist() == weights.tolist() == [5, 3, 1]
    found, weights, _ = covariances(left, np.array([[1.0, 0.5, 1.0], [0.0, 1.0, 1.0]]), np.array([0, 1]))
    assert found.tolist() == pytest.approx([(1 + 0.25 * 4 + 1 + 4) / 3.25, (0.5 * 2 - 2) / 1.5])
    assert weights.tolist() == pytest.approx([3.25, 1.5])


def test_what_is_left_over_is_daytimes_and_of_cells_with_days() -> None:
    """Two days of one cell, 1.0 apart: ±0.5 around their mean, times √2 for the day that the mean takes."""
    v = np.full((3, 96), 100.0)
    v[0, 40:44], v[1, 40:44] = 101.0, 102.0
    v[2] = np.nan
    v[2, 44:48] = 107.0  # the only day of this hour
    v[:2, 44:48] = np.nan
    mean = np.full(288, 100.0)
    mean[10], mean[11] = 101.5, 107.0
    v[0, 0:4], v[1, 0:4] = 90.0, 110.0  # night
    left = left_over(Blocks(np.arange(3), 1, v, v, np.full(v.shape, np.nan)), mean, np.nan, 900.0)
    assert left[:2, 40] == pytest.approx([-0.5 * np.sqrt(2), 0.5 * np.sqrt(2)])
    assert np.isnan(left[:, 44:48]).all()
    assert np.isnan(left[:, :28]).all()
    assert np.isnan(left[:, 72:]).all()


@pytest.mark.parametrize(("slots", "rho"), [(1, 0.9), (2, 0.5), (3, 0.5), (3, 0.9)])
def test_the_averaging_is_undone(slots: int, rho: float) -> None:
    rng = np.random.default_rng(6)
    days, count = 3000, 40 * slots
    a = np.empty((days, count))
    a[:, 0] = rng.normal(0, 0.6, days)
    for k in range(1, count):
        a[:, k] = rho * a[:, k - 1] + 0.6 * np.sqrt(1 - rho**2) * rng.normal(size=days)
    left = (a + rng.normal(0, 0.4, (days, 1))).reshape(days, 40, slots).mean(axis=2)
    found = noise_of(left, np.full(left.shape, np.nan), slots, 300.0)
    assert found.sigma_pct == pytest.approx(0.6, rel=0.03)
    assert found.rho == pytest.approx(rho, abs=0.015)
    assert found.day_pct == pytest.approx(0.4, rel=0.05)

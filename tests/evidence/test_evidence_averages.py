"""Averages of an AR(1): double sums written out, and the blocking step of Flyvbjerg and Petersen."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.evidence.averages import block_covariances, block_variance
from auditor.likelihood.crossing import ten_minute_rho, ten_minute_sd

LAGS = np.arange(4)


def blocked(gamma: np.ndarray) -> np.ndarray:
    """One blocking step. Flyvbjerg and Petersen, J. Chem. Phys. 91 (1989) 461: means of two neighbours."""
    k = np.arange(1, (gamma.size - 1) // 2)
    return np.r_[(gamma[0] + gamma[1]) / 2, (gamma[2 * k - 1] + 2 * gamma[2 * k] + gamma[2 * k + 1]) / 4]


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.9, 0.99])
def test_two_and_four_slots_are_blocking_steps(rho: float) -> None:
    two = blocked(rho ** np.arange(40.0))
    assert block_covariances(rho, 2, LAGS) == pytest.approx(two[:4], abs=1e-15)
    assert block_covariances(rho, 4, LAGS) == pytest.approx(blocked(two)[:4], abs=1e-15)


@pytest.mark.parametrize("slots", [1, 2, 3, 7])
def test_blocks_are_double_sums_over_their_slots(slots: int) -> None:
    rho, sigma2 = 0.83, 1.0
    place = np.arange(4 * slots)
    matrix = sigma2 * rho ** np.abs(place[:, None] - place[None, :])
    first = matrix[:slots].reshape(slots, 4, slots).mean(axis=(0, 2))
    assert block_covariances(rho, slots, LAGS) == pytest.approx(first, abs=1e-15)
    assert block_variance(rho, slots) == pytest.approx(first[0], abs=1e-15)


def test_ten_minutes_agree_with_the_stated_relation() -> None:
    """SD₁₀ = SD₅·√((1+ρ)/2), ρ₁₀ = ρ(1+ρ)/2."""
    assert block_variance(0.9, 2) == pytest.approx(ten_minute_sd(1.0, 0.9) ** 2)
    assert block_covariances(0.9, 2, LAGS)[1] / block_variance(0.9, 2) == pytest.approx(ten_minute_rho(0.9))


def test_beyond_one_block_the_covariance_fades_by_rho_to_the_slots() -> None:
    """The aggregate of an AR(1) is an ARMA(1,1) with ρⁿ. Amemiya and Wu, J. Am. Stat. Assoc. 67 (1972) 628."""
    of = block_covariances(0.8, 3, LAGS)
    assert of[3] / of[2] == pytest.approx(0.8**3)
    assert of[2] / of[1] == pytest.approx(0.8**3)
    assert of[1] / of[0] > 0.8**3


def test_independent_slots_average_by_their_number() -> None:
    assert block_variance(0.0, 4) == pytest.approx(0.25)

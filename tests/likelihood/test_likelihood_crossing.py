"""Crossing probabilities against closed forms, scipy's bivariate normal and the AR(1)'s own covariances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from auditor.likelihood.crossing import (
    both_below,
    ten_minute_rho,
    ten_minute_sd,
    up_crossing,
    up_crossing_constant,
)


@pytest.mark.parametrize("rho", [-0.8, 0.0, 0.3, 0.9, 0.99])
@pytest.mark.parametrize("h", [-2.5, -0.7, 0.0, 0.4, 3.0])
@pytest.mark.parametrize("k", [-3.0, 0.0, 0.9, 2.0])
def test_both_below_is_the_bivariate_normal(h: float, k: float, rho: float) -> None:
    oracle = multivariate_normal.cdf([h, k], [0, 0], [[1, rho], [rho, 1]])
    assert float(both_below(h, k, rho)) == pytest.approx(oracle, abs=2e-8)


def test_the_orthant_is_known_in_closed_form() -> None:
    """Φ₂(0, 0; ρ) = 1/4 + arcsin(ρ)/2π (Sheppard 1899), so that the up-crossing of zero is arccos(ρ)/2π."""
    for rho in (-0.5, 0.0, 0.5, 0.95):
        assert float(both_below(0.0, 0.0, rho)) == pytest.approx(0.25 + np.arcsin(rho) / (2 * np.pi), abs=1e-14)
        assert float(up_crossing_constant(0.0, rho)) == pytest.approx(np.arccos(rho) / (2 * np.pi), abs=1e-14)


def test_the_two_forms_agree_at_a_constant_level() -> None:
    for rho in (0.0, 0.5, 0.9, 0.99):
        u = np.linspace(-3, 5, 17)
        assert np.allclose(up_crossing(u, u, rho), up_crossing_constant(u, rho), atol=1e-14, rtol=1e-9)


def test_a_moving_level_against_numerical_integration() -> None:
    """P(X₀ < u₀, X₁ ≥ u₁) = ∫_{−∞}^{u₀} φ(x)·(1 − Φ((u₁ − ρx)/√(1−ρ²))) dx by Simpson's rule."""
    rho = 0.93
    for u0, u1 in ((2.0, 1.5), (2.0, 2.4), (0.5, -0.5), (3.0, 2.8)):
        x = np.linspace(-9, u0, 20001)
        y = norm.pdf(x) * norm.sf((u1 - rho * x) / np.sqrt(1 - rho**2))
        h = x[1] - x[0]
        simpson = h / 3 * (y[0] + y[-1] + 4 * y[1:-1:2].sum() + 2 * y[2:-1:2].sum())
        assert float(up_crossing(u0, u1, rho)) == pytest.approx(simpson, rel=1e-8)


def test_ten_minute_means_have_the_covariances_of_averaged_slots() -> None:
    """Means of two slots of an AR(1) with covariance σ²ρ^|i−j|, written out."""
    sigma, rho = 0.7, 0.9
    cov = sigma**2 * rho ** np.abs(np.subtract.outer(np.arange(4), np.arange(4)))
    first, second = np.array([0.5, 0.5, 0, 0]), np.array([0, 0, 0.5, 0.5])
    var = sum(first[i] * cov[i, j] * first[j] for i in range(4) for j in range(4))
    lag = sum(first[i] * cov[i, j] * second[j] for i in range(4) for j in range(4))
    assert ten_minute_sd(sigma, rho) == pytest.approx(np.sqrt(var), rel=1e-14)
    assert ten_minute_rho(rho) == pytest.approx(lag / var, rel=1e-14)


def test_a_simulated_ar1_crosses_as_often() -> None:
    rng = np.random.default_rng(4)
    rho, x, count, n = 0.9, rng.normal(size=400_000), 0, 0
    for _ in range(20):
        y = rho * x + np.sqrt(1 - rho**2) * rng.normal(size=x.size)
        count, n, x = count + int(np.sum((x < 2) & (y >= 2))), n + x.size, y
    expected = float(up_crossing_constant(2.0, rho))
    assert abs(count / n - expected) < 4 * np.sqrt(expected / n)

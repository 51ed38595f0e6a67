"""Published figures of the likelihood's parts: Owen's T, excursions, Gamma and Poisson intervals, droop points."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import owens_t

from auditor.likelihood.crossing import up_crossing_constant
from auditor.likelihood.inputs import Profile, Threshold, VoltWatt
from auditor.likelihood.settle import volt_watt_output
from auditor.likelihood.units import largest_offset
from auditor.likelihood.updating import Multiplier, updated


def test_owens_t_is_the_one_of_scipys_own_tests() -> None:
    """Values in scipy's test suite of owens_t."""
    assert owens_t(5.0, 1.0) == pytest.approx(1.4332574485503512543e-07, rel=1e-13)
    assert owens_t(0.0, 5.0) == pytest.approx(np.arctan(5) / (2 * np.pi), rel=1e-14)
    assert owens_t(1.0, np.inf) == pytest.approx(0.07932762696572854, rel=1e-14)


@pytest.mark.parametrize(
    ("u", "rho", "value"),
    [
        (0, 0.5, 0.1666667),
        (1, 0.9, 0.04316492),
        (2, 0.9, 0.009388876),
        (2.5, 0.98, 0.001386335),
        (3, 0.95, 0.0005407347),
    ],
)
def test_up_crossings_of_a_discrete_ar1(u: float, rho: float, value: float) -> None:
    """Computed elsewhere from the bivariate normal and checked by simulation; the first is the orthant 1/6."""
    assert float(up_crossing_constant(u, rho)) == pytest.approx(value, rel=2e-7)


@pytest.mark.parametrize(
    ("observed", "time", "chance", "low", "high", "mean"),
    [
        (0, 5.0, 0.95, 9.82e-5, 0.50239, 0.1),
        (1, 6.0, 0.90, 0.029321, 0.651227, 0.25),
        (2, 3.5, 0.95, 0.118745, 1.833215, 0.714286),
    ],
)
def test_jeffreys_intervals_of_a_rate(
    observed: int, time: float, chance: float, low: float, high: float, mean: float
) -> None:
    """Gamma(x + ½, t), the method of NUREG/CR-6823 (2003), 6.2.2; x = 1, t = 6 by computation outside the project."""
    prior = Multiplier(np.array([0.5]), np.array([0.0]))
    got = updated(prior, np.array([float(observed)]), np.array([time]))
    assert got.mean[0] == pytest.approx(mean, rel=1e-5)
    assert got.quantile((1 - chance) / 2)[0] == pytest.approx(low, rel=1e-3)
    assert got.quantile((1 + chance) / 2)[0] == pytest.approx(high, rel=1e-4)


def test_shrunk_rates_of_five_units() -> None:
    """Gamma-Poisson with moments after Marshall (1991): a = 1.431279, b = 1.737981, computed outside the project."""
    prior = Multiplier(np.full(5, 1.431279), np.full(5, 1.737981))
    got = updated(prior, np.array([0.0, 3, 1, 8, 2]), np.array([1.5, 2, 4, 3.5, 6]))
    assert np.allclose(got.mean, [0.442028, 1.185474, 0.423717, 1.800556, 0.443433], atol=2e-6)
    for k, above_one in enumerate((0.0821, 0.5742, 0.0392, 0.9372, 0.0281)):
        assert got.quantile(1 - above_one)[k] == pytest.approx(1.0, abs=2e-3)


def test_the_default_volt_watt_line_without_own_rise() -> None:
    """IEEE 1547-2018 category B default, 1.06/1.0 to 1.10/0.2, at 1.07, 1.08 and 1.09; and with P2 = 0."""
    v, none = np.array([107.0, 108.0, 109.0]), np.zeros(3)
    assert np.allclose(volt_watt_output(v, none, 1.0, VoltWatt(106.0, 110.0, 0.2)), [0.8, 0.6, 0.4])
    assert np.allclose(volt_watt_output(v, none, 1.0, VoltWatt(106.0, 110.0, 0.0)), [0.75, 0.5, 0.25])


def test_the_largest_of_normal_draws() -> None:
    """Normal order statistics: 1/√π and 3/(2√π) in closed form, 1.53875 for ten (Harter, Biometrika 48, 1961)."""
    mean, sd = largest_offset(np.array([1.0, 2.0, 3.0, 10.0]), np.ones(4))
    assert np.allclose(mean, [0.0, 1 / np.sqrt(np.pi), 1.5 / np.sqrt(np.pi), 1.53875], atol=1e-5)
    assert np.allclose(sd[:2], [1.0, np.sqrt(1 - 1 / np.pi)], atol=1e-6)


def test_ieee_1547_thresholds_in_volts() -> None:
    """IEEE 1547-2018 tables 11 to 13: 1.10 and 1.20 of 240 V are 264 V and 288 V; the first is the lowest."""
    profile = Profile((Threshold(120.0, 0.16), Threshold(110.0, 2.0)), 105.0, 300.0, 300.0)
    assert profile.first_pct * 2.40 == pytest.approx(264.0)
    assert [t.level_pct * 2.40 for t in profile.instant] == pytest.approx([264.0, 288.0])

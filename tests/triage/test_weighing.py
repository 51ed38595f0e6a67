"""Densities, information and Bayes' rule, against closed forms and published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from auditor.triage.weighing import (
    CAUSES,
    GROUPS,
    STRAY,
    Factor,
    Prediction,
    density,
    grouped,
    information,
    information_of_kinds,
    posterior,
)

UNIFORM = np.full(len(CAUSES), 1 / len(CAUSES))


def two(first: Prediction, second: Prediction) -> list[Prediction]:
    """The design predicts one thing, all other causes another."""
    return [first if name == "design" else second for name in CAUSES]


def test_a_reading_is_a_normal_value_with_a_bounded_error() -> None:
    # The convolution of a normal and a uniform density, by quadrature.
    mean, sd, bound = 2.0, 0.4, 0.8
    for value in (-1.0, 1.5, 2.0, 3.1):
        by_quadrature, _ = integrate.quad(
            lambda error, at=value: stats.norm.pdf(at - error, mean, sd) / (2 * bound), -bound, bound
        )
        found = density(np.array([value]), ((1.0, mean, sd),), 0.0, bound)[0]
        assert found == pytest.approx((1 - STRAY) * by_quadrature + STRAY / 40, rel=1e-6)
    without = density(np.array([2.0]), ((1.0, mean, sd),), 0.0, 0.0)[0]
    assert without == pytest.approx((1 - STRAY) * stats.norm.pdf(2.0, mean, sd) + STRAY / 40, rel=1e-9)


def test_a_difference_inside_the_meters_error_tells_nothing() -> None:
    # 0.7 % and two counts of 0.1 V at 240 V are 0.78 %; two causes that lie 0.5 % apart are alike to such a meter.
    bound = 0.7 + 0.2 / 240 * 100
    one, other = (density(np.array([2.0]), ((1.0, mean, 0.05),), 0.02, bound)[0] for mean in (2.0, 2.5))
    assert one / other == pytest.approx(1.0, abs=1e-3)
    far = density(np.array([2.0]), ((1.0, 4.0, 0.05),), 0.02, bound)[0]
    assert one / far > 100


def test_information_is_that_of_a_binary_channel_with_normal_noise() -> None:
    # Two equally likely values ±1 under normal noise: capacity 0.4859 bits at a standard deviation of 1, 0.7215 at
    # 1/√2 (0 and 3 dB; J. G. Proakis and M. Salehi, Digital Communications, binary-input Gaussian channel).
    half = np.array([0.5 if name == "design" else 0.1 for name in CAUSES])
    # Take the causes together as two: what the design predicts, and what the rest does.
    for sd, bits in ((1.0, 0.4859), (1 / np.sqrt(2), 0.7215)):
        found = information(half, two(((1.0, 1.0, sd),), ((1.0, -1.0, sd),)), 0.0, 0.0)
        assert found == pytest.approx(bits, abs=0.02)  # strays take a little off


def test_information_ends() -> None:
    same: Prediction = ((1.0, 0.0, 1.0),)
    assert information(UNIFORM, [same] * 6, 0.1, 0.5) == pytest.approx(0.0, abs=1e-9)
    # Values far apart tell everything: the entropy of the answers, of which the utility's side holds two causes.
    apart: list[Prediction] = [((1.0, 8.0 * number, 0.1),) for number in (0, 1, 2, 2, 3, 4)]
    weights = np.array([sum(UNIFORM[row] for row in rows) for rows in GROUPS.values()])
    assert information(UNIFORM, apart, 0.0, 0.0) == pytest.approx(stats.entropy(weights, base=2), abs=0.1)
    # A look with two outcomes that are told rightly: H(answer) − H(answer | outcome), by hand 0.65 bits at one in six.
    told = np.array([[1.0, 0.0] if name == "settings" else [0.0, 1.0] for name in CAUSES])
    assert information_of_kinds(UNIFORM, told) == pytest.approx(stats.entropy([1 / 6, 5 / 6], base=2), abs=1e-12)


def test_bayes_rule_by_hand() -> None:
    prior = np.array([0.2, 0.15, 0.2, 0.15, 0.1, 0.2])
    factor = Factor("x", "", np.log([0.5, 0.1, 0.1, 0.1, 0.1, 0.1]))
    found = posterior(prior, [factor])
    assert found[0] == pytest.approx(0.2 * 0.5 / (0.2 * 0.5 + 0.8 * 0.1))
    assert sum(grouped(found).values()) == pytest.approx(1.0)
    assert posterior(prior, []) == pytest.approx(prior)

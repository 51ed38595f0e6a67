"""Densities, information and Bayes' rule, against closed forms and published values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from auditor.triage.weighing import (
    CAUSES,
    GROUPS,
    HYPOTHESES,
    STRAY,
    Factor,
    Prediction,
    chances_of,
    density,
    grouped,
    holds,
    information,
    information_of_kinds,
    posterior,
    predicted,
    prior_of,
)

#: One cause alone, each as likely.
UNIFORM = prior_of([1 / len(CAUSES)] * len(CAUSES), 0.0)


def two(first: Prediction, second: Prediction) -> list[Prediction]:
    """The design predicts one thing, all other causes another."""
    return predicted(second, design=first)


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
    half = prior_of([0.5 if name == "design" else 0.1 for name in CAUSES], 0.0)
    # Take the causes together as two: what the design predicts, and what the rest does.
    for sd, bits in ((1.0, 0.4859), (1 / np.sqrt(2), 0.7215)):
        found = information(half, two(((1.0, 1.0, sd),), ((1.0, -1.0, sd),)), 0.0, 0.0)
        assert found == pytest.approx(bits, abs=0.02)  # strays take a little off


def test_information_ends() -> None:
    same: Prediction = ((1.0, 0.0, 1.0),)
    assert information(UNIFORM, predicted(same), 0.1, 0.5) == pytest.approx(0.0, abs=1e-9)
    # Values far apart tell everything: the entropy of the answers, of which the utility's side holds two causes.
    places = dict(zip(CAUSES, (0, 1, 2, 2, 3, 4), strict=True))
    apart = predicted(((1.0, 90.0, 0.1),), **{name: ((1.0, 8.0 * place, 0.1),) for name, place in places.items()})
    weights = np.array([len(names) / 6 for names in GROUPS.values()])
    assert information(UNIFORM, apart, 0.0, 0.0) == pytest.approx(stats.entropy(weights, base=2), abs=0.1)
    # A look with two outcomes that are told rightly: H(answer) − H(answer | outcome), by hand 0.65 bits at one in six.
    told = chances_of(0.0, settings=1.0)
    assert information_of_kinds(UNIFORM, np.stack([told, 1 - told], axis=1)) == pytest.approx(
        stats.entropy([1 / 6, 5 / 6], base=2), abs=1e-12
    )


def test_bayes_rule_by_hand() -> None:
    prior = prior_of([0.2, 0.15, 0.2, 0.15, 0.1, 0.2], 0.0)
    factor = Factor("x", "", np.log(chances_of(0.1, design=0.5)))
    with np.errstate(divide="ignore"):  # no two causes here: their chance is nothing
        found = posterior(prior, [factor])
    assert found[0] == pytest.approx(0.2 * 0.5 / (0.2 * 0.5 + 0.8 * 0.1))
    assert sum(grouped(found).values()) == pytest.approx(1.0)
    assert posterior(prior_of([0.2, 0.15, 0.2, 0.15, 0.1, 0.2], 0.1), []).sum() == pytest.approx(1.0)


def test_two_causes_at_once_by_hand() -> None:
    alone = [0.2, 0.15, 0.2, 0.15, 0.1, 0.2]
    prior = prior_of(alone, 0.1)
    assert prior.sum() == pytest.approx(1.0)
    at = dict(zip(HYPOTHESES, prior, strict=True))
    # Eight of ten are overvoltage, one of ten of those of two causes; all ten pairs together weigh
    # (0.8^2 - 0.2^2 - 0.15^2 - 0.2^2 - 0.15^2 - 0.1^2) / 2 = 0.2525, and design with supply 0.04 of it.
    assert at["design",] == pytest.approx(0.2 * 0.9)
    assert at["other",] == pytest.approx(0.2)
    assert at["design", "supply"] == pytest.approx(0.8 * 0.1 * 0.04 / 0.2525)
    # Two looks, each a hundred times likelier under one cause: alone, either leaves the other look unexplained.
    looks = [Factor(name, "", np.log(chances_of(0.005, **{name: 0.5}))) for name in ("design", "supply")]
    chances = grouped(posterior(prior, looks))
    both = at["design", "supply"] * 0.5 * 0.5
    one = (at["design",] + at["supply",]) * 0.5 * 0.005
    shared = sum(v for k, v in at.items() if len(k) == 2 and len({"design", "supply"} & set(k)) == 1) * 0.5 * 0.005
    rest = sum(v for k, v in at.items() if not {"design", "supply"} & set(k)) * 0.005 * 0.005
    total = both + one + shared + rest
    with_design = both + 0.5 * 0.005 * sum(v for k, v in at.items() if "design" in k and "supply" not in k)
    assert chances["design"] == pytest.approx(with_design / total)
    assert sum(chances.values()) > 1.0


def test_two_shifts_add_up() -> None:
    """Sums of independent normals: means and variances add (any textbook)."""
    common: Prediction = ((1.0, 1.0, 0.3),)
    made = predicted(common, service=((1.0, 3.0, 0.5),), workmanship=((0.7, 2.0, 0.4), (0.3, 1.0, 0.3)))
    both = made[HYPOTHESES.index(("workmanship", "service"))]
    assert [part[:2] for part in both] == [(0.7, 4.0), (0.3, 3.0)]
    assert [part[2] for part in both] == pytest.approx([np.sqrt(0.25 + 0.16 - 0.09), np.sqrt(0.25 + 0.09 - 0.09)])
    assert made[HYPOTHESES.index(("design", "supply"))] == common
    assert holds("grid")[HYPOTHESES.index(("workmanship", "service"))]

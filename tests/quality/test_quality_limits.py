"""Limits, intervals and tests of counts against published values and hand arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.quality import limits, shrinkage


@pytest.mark.parametrize(
    ("count", "alert", "alarm"), [(10, 0.22736, 0.38507), (50, 0.14469, 0.19920), (200, 0.10969, 0.13440)]
)
def test_binomial_limits_interpolate(count: int, alert: float, alarm: float) -> None:
    # Overall rate 7.4 % (Spiegelhalter, Qual. Saf. Health Care 11:390, 2002), limits at 97.5 and 99.9 %, worked out
    # apart from this code by the formula of Statist. Med. 24:1185-1202, 2005.
    assert limits.binomial_limit(0.074, count, [0.975, 0.999]) == pytest.approx([alert, alarm], abs=5e-6)


def test_binomial_limits_by_hand() -> None:
    # Two cases at even chances: F(0) = 1/4, F(1) = 3/4, F(2) = 1. At 0.975: r = 2, (1 - 0.975) / 0.25 = 0.1.
    assert limits.binomial_limit(0.5, 2, 0.975) == pytest.approx((2 - 0.1) / 2)
    assert limits.binomial_limit(0.5, 2, 0.025) == 0  # r = 0, and below 0 there is nothing
    assert np.isnan(limits.binomial_limit(0.5, 0, 0.975))


def test_funnel_limits_of_ratios() -> None:
    # Values of the R package FunnelPlotR's own tests (test-poisson_limits.R, commit 9020d497).
    mean = np.array([15.0, 20.0, 30.0])
    for level, low, high in (
        (0.95, (0.5596924, 0.6108260, 0.6746958), (1.649348, 1.544419, 1.427562)),
        (0.998, (0.3862650, 0.4479107, 0.5289724), (2.082907, 1.902094, 1.702771)),
    ):
        lower, upper = limits.poisson_interval(mean, level)
        assert lower / mean == pytest.approx(low, abs=5e-7)
        assert upper / mean == pytest.approx(high, abs=5e-7)


def test_exact_poisson_intervals() -> None:
    # Garwood 1936: 10 events, and none.
    low, high = limits.poisson_interval([10, 0])
    assert low == pytest.approx([4.795389, 0.0], abs=5e-7)
    assert high == pytest.approx([18.390356, 3.688879], abs=5e-7)


def test_intervals_of_shares() -> None:
    # R's package binom, as held by the tests of statsmodels (results_proportion.py); 0 of 20 by Newcombe,
    # Statist. Med. 17:857-872, 1998.
    low, high = limits.wilson([4, 4, 0], [20, 200, 20])
    assert low == pytest.approx([0.0806576625797981, 0.00780442641635, 0.0], abs=1e-11)
    assert high == pytest.approx([0.4160174322518935, 0.0502870869058, 0.1611], abs=5e-5)
    assert high[:2] == pytest.approx([0.4160174322518935, 0.0502870869058], abs=1e-11)
    low, high = limits.jeffreys([4, 18], [20, 20])
    assert low == pytest.approx([0.0715200524787, 0.716146742696], abs=1e-11)
    assert high == pytest.approx([0.4082257625169, 0.978627511978], abs=1e-11)
    low, high = limits.jeffreys([0, 30, 0], [30, 30, 0])
    assert (low[0], high[1]) == (0.0, 1.0)
    assert np.isnan(low[2])
    # Equal-tailed at 1 of 30, computed apart; the highest-density interval is another.
    low, high = limits.jeffreys(1, 30)
    assert (float(low), float(high)) == pytest.approx((0.00362, 0.14542), abs=5e-6)


def test_overdispersion() -> None:
    # FunnelPlotR's test of the same commit: z = sqrt(E) ln(O/E), none drawn in.
    seen, mean = np.array([100, 150, 180, 80, 120, 225]), np.array([108, 112, 165, 95, 100, 220])
    assert limits.overdispersion(np.sqrt(mean) * np.log(seen / mean), 0.0) == pytest.approx(2.948033, abs=5e-7)
    # Drawn in by hand: of 0..10, the quantiles at 10 and 90 % are 1 and 9.
    assert limits.winsorised(np.arange(11.0)).tolist() == [1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9]
    # 1 + 2 sqrt(2 / 32) = 1.5: a mean square below that is chance, and of few units it tells nothing.
    assert limits.widening([1.2, -1.2] * 16) == 1.0
    assert limits.widening([1.3, -1.3] * 16) == pytest.approx(1.69)
    assert limits.widening([3.0, -3.0] * 9) == 1.0
    # Twice as many deviates out: Phi(2 x 1.959964).
    assert limits.widened(0.975, 4.0) == pytest.approx(0.99995572, abs=5e-8)


def test_false_discoveries() -> None:
    # The fifteen chances of Benjamini and Hochberg 1995: at 5 % the first four are rejected (Bonferroni: three).
    chances = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    chances += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert (limits.false_discovery(chances) <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert limits.false_discovery([]).size == 0


def test_scores_are_exact_tails() -> None:
    # Three of three at even chances: one in eight, 1.15035 deviates; none of three likewise below.
    found = limits.exact_scores([3, 0, 0, 0], [1.5, 1.5, 0.0, 0.0], [3, 3, 5, 0])
    assert found == pytest.approx([1.150349, -1.150349, 0.0, 0.0], abs=5e-7)


def test_scores_raise_no_more_false_alarms_than_they_say() -> None:
    # Cases of very different chances that fail by these chances alone (Hoeffding 1956: no more than the binomial).
    rng = np.random.default_rng(5)
    chance = rng.uniform(0.02, 0.6, 60)
    failed = (rng.random((4_000, 60)) < chance).sum(axis=1)
    scores = limits.exact_scores(failed, chance.sum(), 60)
    assert (limits.two_sided(scores) <= 0.05).mean() <= 0.05


SEEN, MEAN = np.array([0, 3, 1, 8, 2]), np.array([1.5, 2, 4, 3.5, 6])


def test_shrunken_ratios() -> None:
    # Five units worked out apart from this code by the moments of Marshall 1991.
    spread = shrinkage.spread_of(SEEN, MEAN)
    assert (spread.mean, spread.variance) == pytest.approx((0.823529, 0.473842), abs=5e-7)
    assert (spread.shape, spread.rate) == pytest.approx((1.431279, 1.737981), abs=5e-7)
    ratio, low, high = shrinkage.shrunken(SEEN, MEAN, spread)
    assert ratio == pytest.approx([0.442028, 1.185474, 0.423717, 1.800556, 0.443433], abs=5e-7)
    assert ((low < ratio) & (ratio < high)).all()
    above = shrinkage.chance_above(SEEN, MEAN, spread)
    assert above == pytest.approx([0.0821, 0.5742, 0.0392, 0.9372, 0.0281], abs=5e-5)
    # A published pair of parameters (after Langford 1994), shape and rate: 42.8489 / 39.4132 at 5 observed, 2 expected.
    a, b = 37.8489, 37.4132
    ratio, _, _ = shrinkage.shrunken([5], [2], shrinkage.Spread(a / b, a / b**2))
    assert ratio == pytest.approx([1.087171], abs=5e-7)


def test_intervals_of_shrunken_ratios() -> None:
    # Gamma(1.5, 6): 90 % from 0.029321 to 0.651227 about 0.25 (NUREG/CR-6823: one event in 6, Jeffreys). A prior of
    # shape 1 and rate 4 with half an event in 2 is that posterior.
    ratio, low, high = shrinkage.shrunken([0.5], [2.0], shrinkage.Spread(0.25, 1 / 16), 0.9)
    assert (ratio[0], low[0], high[0]) == pytest.approx((0.25, 0.029321, 0.651227), abs=5e-7)


def test_units_that_do_not_differ_stay_together() -> None:
    spread = shrinkage.spread_of([5, 10], [5, 10])
    assert spread.variance == 0
    ratio, low, high = shrinkage.shrunken([5, 10], [5, 10], spread)
    assert ratio.tolist() == low.tolist() == high.tolist() == [1, 1]
    assert shrinkage.spread_of([0], [0]) == shrinkage.Spread(1.0, 0.0)

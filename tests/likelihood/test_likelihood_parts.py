"""Droops, clocks, peaks, nodes, moved and blurred lines, and updating, each against another way to the same figure."""

from __future__ import annotations

import numpy as np
import pytest
from likelihood_cases import PROFILES, supply
from scipy.optimize import brentq
from scipy.stats import nbinom

from auditor.likelihood.inputs import DayShapes, Profile, Supply, Threshold, VoltVar, VoltWatt
from auditor.likelihood.lines import blurred, chance_of, log_hazard_of, moved, to_log
from auditor.likelihood.settle import settled, volt_watt_output
from auditor.likelihood.states import ramp_caps, waiting_of
from auditor.likelihood.supply import chain_of, peak_scale_pct, smoothed_trip_chance, trip_chance
from auditor.likelihood.updating import (
    Multiplier,
    predicted_chance,
    predicted_none,
    predicted_so_many,
    updated,
)


def test_volt_watt_is_met_with_the_own_rise_in_the_loop() -> None:
    """The output is where p = droop(V0 + rise·p), found by a root search."""
    droop = VoltWatt(106.0, 110.0, 0.2)
    for v0 in np.linspace(100, 115, 31):
        for rise in (0.0, 1.0, 6.0):
            for f in (0.1, 0.6, 1.0):
                gap = lambda p, v0=v0, rise=rise: np.interp(v0 + rise * p, [106, 110], [1, 0.2]) - p  # noqa: E731
                expected = min(f, brentq(gap, -0.5, 1.5, xtol=1e-12))
                got = float(volt_watt_output(np.array(v0), np.array(rise), f, droop))
                assert got == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("droop", [None, VoltWatt(106.0, 110.0, 0.2), VoltWatt(104.0, 107.0, 0.0)])
def test_both_droops_together_are_met(droop: VoltWatt | None) -> None:
    profile = Profile(
        (Threshold(110.0, 2.0),), 105.0, 300.0, 300.0, volt_watt=droop, volt_var=VoltVar(102.0, 108.0, 0.4)
    )
    v0 = np.linspace(96.0, 116.0, 81)
    for f in (0.15, 0.7, 1.0):
        v, p = settled(v0, np.full(81, 5.0), f, profile)
        allowed = np.full(81, f)
        if droop is not None:
            allowed = np.minimum(f, np.interp(v, [droop.v1_pct, droop.v2_pct], [1.0, droop.p2]))
        assert np.allclose(p, allowed, atol=1e-9)
        assert np.allclose(v, v0 + 5.0 * (p - 0.4 * np.interp(v, [102, 108], [0, 1])), atol=1e-9)


def test_a_ramp_keeps_half_of_its_time() -> None:
    """∫ of a straight ramp: what is lost is half the ramp."""
    for ramp_s in (0.0, 100.0, 300.0, 360.0, 600.0, 750.0):
        caps = ramp_caps(ramp_s, 300.0)
        assert sum(1 - cap for cap in caps) * 300.0 == pytest.approx(ramp_s / 2)


def test_the_delay_need_not_be_whole_slots() -> None:
    """Under the ceiling throughout, what a trip loses before the ramp is the delay itself."""
    for delay_s in (0.0, 20.0, 60.0, 150.0, 300.0, 450.0, 700.0, 1000.0):
        clock = waiting_of(Profile((Threshold(110.0, 2.0),), 105.0, delay_s, 300.0), 300.0)
        lost, state = clock.trip_loss * 300.0, clock.after_trip
        while state >= 0:
            lost, state = lost + min(clock.timer_s[state], 300.0), clock.following[state]
        assert lost == pytest.approx(delay_s)
        assert clock.timer_s[clock.restart] == delay_s


def test_peaks_vanish_as_the_clearing_time_nears_the_slot() -> None:
    s = supply()
    assert peak_scale_pct(s, 1.0) == pytest.approx(0.3)
    assert peak_scale_pct(s, 300.0) == 0.0
    assert peak_scale_pct(s, 0.16) > peak_scale_pct(s, 2.0) > peak_scale_pct(s, 13.0) > 0.0


def test_one_draw_of_the_peak_serves_all_thresholds() -> None:
    s, thresholds = supply(), (Threshold(110.0, 2.0), Threshold(111.0, 0.16))
    v = np.linspace(105, 112, 15)
    draws = np.random.default_rng(2).exponential(size=200_000)
    hit = np.zeros((15, draws.size), bool)
    for t in thresholds:
        hit |= v[:, None] + peak_scale_pct(s, t.clearing_s) * draws > t.level_pct
    assert np.allclose(hit.mean(axis=1), trip_chance(v, s, thresholds), atol=0.005)


def test_the_smoothed_chance_integrates_like_the_sharp_one() -> None:
    """Sums over nodes at any offset against a fine integral over a normal density."""
    s = supply()
    for thresholds, room in (((Threshold(110.0, 2.0),), 0.01), ((Threshold(110.0, 300.0),), 0.04)):
        fine = np.linspace(-6, 6, 60001)
        density = np.exp(-fine * fine / 2) / np.sqrt(2 * np.pi)
        exact = np.sum(density * trip_chance(108.8 + 0.6 * fine, s, thresholds)) * (fine[1] - fine[0])
        smooth = smoothed_trip_chance(s, thresholds, 0.6 * 0.3)
        found = []
        for offset in np.linspace(0, 0.3, 8)[:-1]:
            z = np.arange(-16, 17) * 0.3 + offset
            weight = np.exp(-z * z / 2)
            found.append(np.sum(weight * smooth(108.8 + 0.6 * z)) / weight.sum())
        assert found == pytest.approx([exact] * 7, rel=room)
        assert np.mean(found) == pytest.approx(exact, rel=0.01)


def test_the_chain_keeps_mean_spread_and_correlation() -> None:
    for rho in (0.0, 0.5, 0.9, 0.95, 0.99):
        chain = chain_of(0.7, rho)
        a, pi = chain.node_pct, chain.start
        assert np.allclose(chain.move.sum(axis=1), 1.0)
        assert np.sqrt((pi * a * a).sum()) == pytest.approx(0.7, rel=1e-3)
        inner = np.abs(a) < 2.0
        assert np.allclose((chain.move * a).sum(axis=1)[inner], rho * a[inner], atol=0.003)
        assert np.abs((pi[:, None] * chain.move).sum(axis=0) - pi).max() < 2e-4


def test_moved_and_blurred_lines() -> None:
    """exp of a parabola blurred by a normal has a closed form."""
    x = np.arange(0.0, 40.0)
    logs = -((x - 15.0) ** 2) / 50.0
    assert np.allclose(moved(logs, 2.3)[2:30], -((x[2:30] + 2.3 - 15) ** 2) / 50, atol=1e-12)
    sd = 3.0
    expected = np.sqrt(25 / (25 + sd**2)) * np.exp(-((x - 15) ** 2) / (2 * (25 + sd**2)))
    assert np.allclose(blurred(logs, sd)[16:26], expected[16:26], rtol=1e-4)
    p = np.array([0.0, 1e-9, 0.3, 0.999])
    assert np.allclose(chance_of(log_hazard_of(p)), p, atol=2e-14, rtol=1e-9)
    assert to_log(np.zeros(1))[0] < -30


def test_updating_is_gamma_and_its_prediction_negative_binomial() -> None:
    after = updated(Multiplier(np.array([0.8]), np.array([1.2])), np.array([3.0]), np.array([2.5]))
    assert np.allclose([after.shape, after.rate], [[3.8], [3.7]])
    expected = np.array([1.7])
    law = nbinom(after.shape, after.rate / (after.rate + expected))
    for k in range(6):
        assert np.allclose(predicted_chance(after, np.array([k]), expected), law.pmf(k), rtol=1e-12)
        assert np.allclose(predicted_so_many(after, np.array([k]), expected), law.sf(k - 1), rtol=1e-9)
    assert np.allclose(predicted_none(after, expected), law.pmf(0))


def test_inputs_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="12 months"):
        Supply(np.zeros((24, 12)), 0.6, 0.9, 0.5, 0.3)
    with pytest.raises(ValueError, match="negative"):
        supply(sigma_pct=-0.1)
    assert PROFILES["ten minutes, fixed"].ten_minute_pct == 110.0
    assert DayShapes(np.zeros((1, 288)), np.zeros(1, np.int64), np.ones(1)).trip_output() == 0.0

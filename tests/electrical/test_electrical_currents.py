"""Line currents against phasor sums, and unit limits against common practice."""

from __future__ import annotations

import cmath
from math import ceil, nan, sqrt

import numpy as np
import pytest
from electrical_networks import Circuit, Feeder, System, Unit, alone, flat, ladder
from hypothesis import given
from hypothesis import strategies as st

from auditor.electrical.currents import conductor_currents, line_factor, units_within

KINDS = ("single", "pairs", "neutral")


def phasor_sum(kind: str, n: int) -> list[float]:
    """Line currents a, b, c of n rotating units of one ampere, added one by one."""
    lines = [0j, 0j, 0j]
    for place in range(n):
        phase = place % 3
        if kind == "pairs":
            amps = cmath.rect(1, cmath.pi / 6 - 2 * cmath.pi * phase / 3)
            lines[phase] += amps
            lines[(phase + 1) % 3] -= amps
        else:
            lines[phase] += cmath.rect(1, -2 * cmath.pi * phase / 3)
    return [abs(line) for line in lines]


@pytest.mark.parametrize("kind", ["pairs", "neutral"])
@pytest.mark.parametrize("n", [0, 1, 2, 3, 4, 24, 25, 26, 100])
def test_line_factor_is_the_phasor_sum(kind, n):
    assert line_factor(kind, n) == pytest.approx(max(phasor_sum(kind, n)), abs=1e-12)


def test_line_factors_of_24_and_25_units():
    assert line_factor("pairs", 25) == pytest.approx(14.73, abs=0.005)
    assert line_factor("pairs", 24) == pytest.approx(8 * sqrt(3))
    assert line_factor("neutral", [24, 25]).tolist() == [8, 9]
    assert line_factor("single", 17) == 17


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("arms", [[1], [25], [13, 12], [7, 6, 5]])
def test_circuit_currents(kind, arms):
    network = flat([alone(ladder(arms, kind=kind, current_a=1.08), cos_phi=0.9, sin_phi=-0.43589)], kind != "single")
    currents = conductor_currents(network)
    n = sum(arms)
    assert currents.circuit_a.shape == (1, 1 if kind == "single" else 4)
    assert currents.circuit_a[0, :3].max() == pytest.approx(1.08 * line_factor(kind, n))
    if kind != "single":
        assert np.allclose(currents.circuit_a[0, :3], np.array(phasor_sum(kind, n)) * 1.08)
        neutral = abs(sum(cmath.rect(1.08, -2 * cmath.pi * (p % 3) / 3) for p in range(n))) if kind == "neutral" else 0
        assert currents.circuit_a[0, 3] == pytest.approx(neutral, abs=1e-12)


def test_shared_feeder_and_service_add_phasors():
    """8 units on each pair make 8·√3 in the feeder's lines, not 16; one phase to neutral goes by the neutral."""
    circuits = [Circuit([[Unit(0.0, pair=p, current_a=2.0)] * 8]) for p in (0, 1, 2)]
    extra = Feeder([Circuit([[Unit(0.0, pair=3, current_a=3.0)]])])
    currents = conductor_currents(flat([System([Feeder(circuits), extra])], three_phase=True))
    assert np.allclose(currents.circuit_a[0], [16, 16, 0, 0])
    assert np.allclose(currents.feeder_a[0], [16 * sqrt(3)] * 3 + [0])
    assert np.allclose(currents.feeder_a[1], [3, 0, 0, 3])
    assert np.allclose(currents.system_a[0], [16 * sqrt(3) + 3, 16 * sqrt(3), 16 * sqrt(3), 3])


@pytest.mark.parametrize(
    ("kind", "amps", "half_digit", "units"),
    [
        ("single", 1.00, 0.005, 16),  # common practice: 240 W, 240 V
        ("single", 1.0, 0.05, 16),  # the same current printed with one digit
        ("pairs", 1.15, 0.005, 24),  # common practice: 240 W, 208 V
        ("single", 0.94, 0.005, 17),  # common practice: 225 W, 240 V
        ("pairs", 1.08, 0.005, 25),  # common practice: 225 W, 208 V
        ("neutral", 1.00, 0.005, 48),  # ceil(48/3) = 16
    ],
)
def test_units_on_a_20_ampere_breaker(kind, amps, half_digit, units):
    """Common practice: 80 % of the breaker, 16 A, for continuous current."""
    assert units_within(kind, amps, 0.8 * 20, half_digit) == units


@given(st.sampled_from(KINDS), st.floats(0.05, 5), st.floats(0, 60), st.sampled_from([0, 0.005, 0.0005]))
def test_units_within_is_the_last_count_that_fits(kind, amps, allowed, half_digit):
    """Counted up one by one with the phasor sum of `phasor_sum` in closed form."""

    def current(n: int) -> float:
        p, q = ceil(n / 3), ceil((n - 1) / 3)
        factor = {"single": n, "neutral": p, "pairs": sqrt(p * p + q * q + p * q)}[kind]
        return factor * (amps - half_digit)

    n = int(units_within(kind, amps, allowed, half_digit))
    assert current(n) <= allowed * (1 + 2e-9)
    assert current(n + 1) > allowed


def test_a_missing_figure_gives_nan():
    result = units_within("pairs", np.array([nan, 1.0, 1.0, 0.0]), np.array([16.0, nan, 16.0, 16.0]), 0.005)
    assert np.isnan(result).tolist() == [True, True, False, True]

"""The operating solution in closed form, and where there is none."""

from __future__ import annotations

from dataclasses import replace
from math import nan, sqrt

import numpy as np
import pytest
from electrical_networks import SERVICES, Circuit, Unit, Z, alone, flat, random_systems
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.electrical.design import design_rise
from auditor.electrical.operating import no_export_voltage_at, operating_voltage


def two_bus(source_v: float, r: float, x: float, p: float, q: float) -> float:
    """Voltage at a source of constant power behind r + jx: V⁴ − (Vs² + 2(RP + XQ))·V² + |z|²·|S|² = 0, larger root."""
    b = source_v**2 + 2 * (r * p + x * q)
    return sqrt((b + sqrt(b * b - 4 * (r * r + x * x) * (p * p + q * q))) / 2)


def two_bus_source(terminal_v: float, r: float, x: float, p: float, q: float) -> float:
    """|V − z·conj(S/V)| with V real: the source voltage that gives a terminal voltage."""
    return abs(terminal_v - complex(r, x) * complex(p, -q) / terminal_v)


PHI = st.sampled_from([(1.0, 0.0), (0.8, 0.6), (0.8, -0.6)])


@settings(max_examples=50, deadline=None)
@given(st.floats(0.01, 2), st.floats(0, 0.5), st.floats(10, 8000), PHI, st.floats(200, 260))
def test_one_unit_on_two_conductors(r, x, p, phi, volts):
    cos, sin = phi
    q = p * sin / cos
    network = flat(
        [
            alone(
                Circuit([[Unit(0.25 * r, 0.25 * x, power_w=p)]], Z(0.25 * r, 0.25 * x)),
                nominal_v=240.0,
                cos_phi=cos,
                sin_phi=sin,
            )
        ]
    )
    source_v = no_export_voltage_at(network, np.array([volts]))[0]
    assert source_v == pytest.approx(two_bus_source(volts, r, x, p, q), abs=1e-6)
    forward = operating_voltage(network, np.array([volts]))[0]
    assert forward == pytest.approx(two_bus(volts, r, x, p, q), abs=1e-6)


def test_one_unit_phase_to_neutral_and_one_across_a_pair():
    p, q = 3000.0, 3000.0 * 0.75
    run = Z(0.2, 0.05, 0.3, 0.06)
    injecting = {"nominal_v": 230.0, "cos_phi": 0.8, "sin_phi": 0.6}
    neutral = flat([alone(Circuit([[Unit(0.0, power_w=p, pair=4)]], run), **injecting)], three_phase=True)
    pair = flat([alone(Circuit([[Unit(0.0, power_w=p, pair=2)]], run), **injecting)], three_phase=True)
    source_v = np.array([231.0])
    assert operating_voltage(neutral, source_v)[0] == pytest.approx(two_bus(231, 0.5, 0.11, p, q), abs=1e-6)
    assert operating_voltage(pair, source_v)[0] == pytest.approx(two_bus(231 * sqrt(3), 0.4, 0.1, p, q), abs=1e-6)
    found = no_export_voltage_at(pair, np.array([420.0]))[0] * sqrt(3)
    assert found == pytest.approx(two_bus_source(420, 0.4, 0.1, p, q), abs=1e-6)


@pytest.mark.parametrize("service", list(SERVICES))
def test_no_export_voltage_brings_the_worst_unit_to_the_terminal_voltage(service):
    three_phase, volts, _, _ = SERVICES[service]
    systems = random_systems(3, service, 200)
    network = flat(systems, three_phase)
    terminal_v = np.linspace(1.05, 1.2, len(systems)) * volts * (sqrt(3) if service == "208Y/120" else 1)
    source_v = no_export_voltage_at(network, terminal_v)
    unit_v = operating_voltage(network, source_v)
    system = network.feeder_system[network.circuit_feeder[network.unit_circuit]]
    worst = np.zeros(len(systems))
    np.maximum.at(worst, system, unit_v)
    assert np.abs(worst - terminal_v).max() < 1e-7
    assert (source_v < terminal_v).all()


def test_long_wires_still_settle():
    """A kilometre or two of thin wire: 100 Ω and 3840 W on 240 V, far beyond any real circuit."""
    network = flat([alone(Circuit([[Unit(0.0, power_w=3840.0)]], Z(50.0)))])
    expected = (240 + sqrt(240**2 + 4 * 100 * 3840)) / 2
    assert operating_voltage(network, np.array([240.0]))[0] == pytest.approx(expected, abs=1e-6)


def test_no_solution_is_nan_for_that_system_only():
    """Absorbing 3 kvar through 20 Ω of reactance leaves the quadratic of `two_bus` without a real root."""
    good = alone(Circuit([[Unit(0.01)] * 3], Z(0.1)), cos_phi=0.8, sin_phi=-0.6)
    bad = replace(good, feeders=[replace(good.feeders[0], circuits=[Circuit([[Unit(0.0, power_w=4e3)]], Z(0.0, 10))])])
    b = 240.0**2 - 2 * 20 * 3e3
    assert b * b - 4 * 400 * (4e3**2 + 3e3**2) < 0
    voltage = operating_voltage(flat([good, bad, good]), np.full(3, 240.0))
    assert np.isnan(voltage).tolist() == [False] * 3 + [True] + [False] * 3
    assert np.array_equal(voltage[:3], operating_voltage(flat([good]), np.array([240.0])))


def test_a_source_below_zero_is_no_answer():
    """1000 V of rise cannot end at 250 V."""
    network = flat([alone(Circuit([[Unit(0.0, power_w=25e3)]], Z(5.0)))])
    assert np.isnan(no_export_voltage_at(network, np.array([250.0]))[0])


def test_missing_figures_reach_no_other_system():
    good = random_systems(8, "120/240", 1)[0]
    lost = [
        replace(good, entrance=Z(nan)),
        replace(good, cos_phi=nan),
        replace(good, feeders=[replace(good.feeders[0], circuits=[Circuit([[Unit(0.01, power_w=nan)]], Z(0.1))])]),
        replace(good, feeders=[replace(good.feeders[0], circuits=[Circuit([[Unit(nan)]], Z(0.1))])]),
    ]
    systems = [good, *lost, good]
    network = flat(systems)
    source_v = np.full(len(systems), 240.0)
    unit_v = np.split(operating_voltage(network, source_v), np.cumsum([len(s.units) for s in systems])[:-1])
    assert [bool(np.isnan(part).all()) for part in unit_v] == [False, True, True, True, True, False]
    assert not np.isnan(np.concatenate([unit_v[0], unit_v[-1]])).any()
    assert np.isnan(no_export_voltage_at(network, source_v * 1.1)).tolist() == [False, True, True, True, True, False]
    source_v[0] = nan
    assert np.isnan(operating_voltage(network, source_v)[: len(good.units)]).all()


def test_a_missing_neutral_matters_only_to_units_that_use_it():
    run = Z(0.1, 0.0, nan, nan)
    pairs = alone(Circuit([[Unit(0.01, pair=p) for p in range(3)]], run), nominal_v=120.0)
    neutral = alone(Circuit([[Unit(0.01, pair=3)]], run), nominal_v=120.0)
    voltage = operating_voltage(flat([pairs, neutral], three_phase=True), np.array([120.0, 120.0]))
    assert np.isnan(voltage).tolist() == [False, False, False, True]


def test_an_empty_batch():
    network = flat([])
    assert len(operating_voltage(network, np.array([]))) == 0
    assert len(no_export_voltage_at(network, np.array([]))) == 0


@pytest.mark.parametrize("three_phase", [False, True])
def test_an_arm_without_units_changes_nothing(three_phase):
    arm = [Unit(0.01), Unit(0.01)]
    with_empty = [alone(Circuit([[], arm, []], Z(0.1))), alone(Circuit([[]], Z(0.1))), alone(Circuit([arm], Z(0.1)))]
    network = flat(with_empty, three_phase)
    voltage = operating_voltage(network, np.full(3, 240.0))
    assert len(voltage) == 4
    assert np.array_equal(voltage[:2], voltage[2:])
    rise = design_rise(network)
    assert np.array_equal(rise.home_run_v[:2], rise.home_run_v[2:])
    source_v = no_export_voltage_at(network, np.full(3, 250.0))
    assert source_v[0] == source_v[2]
    assert np.isnan(source_v[1])

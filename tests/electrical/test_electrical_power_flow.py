"""The operating solution against independent power-flow programs, to a millivolt at every unit."""

from __future__ import annotations

import numpy as np
import pytest
from electrical_networks import SERVICES, Circuit, Feeder, System, Unit, Z, alone, flat, random_systems
from electrical_power_flow import balanced_voltages, four_wire_voltages, triplex_voltage

from auditor.electrical.operating import no_export_voltage_at, operating_voltage
from auditor.electrical.supply import triplex_leg_impedance

MILLIVOLT = 1e-3


def sources(seed: int, systems: list[System]) -> np.ndarray:
    """A supply between 0.95 and 1.05 of nominal for each system [V]."""
    pu = np.random.default_rng(seed).uniform(0.95, 1.05, len(systems))
    return pu * np.array([s.nominal_v for s in systems])


@pytest.mark.parametrize("service", ["120/240", "230"])
def test_two_conductors_agree_with_power_grid_model(service):
    systems = random_systems(11, service, circuits=600)
    source_v = sources(12, systems)
    expected = balanced_voltages(systems, source_v.tolist(), loop=2, units_a_node=1)
    actual = operating_voltage(flat(systems), source_v)
    assert len(actual) > 3000
    assert np.abs(actual - expected).max() < MILLIVOLT


def test_balanced_three_phase_agrees_with_power_grid_model():
    systems = [_balanced(system) for system in random_systems(21, "480Y/277", circuits=500)]
    source_v = sources(22, systems)
    expected = balanced_voltages(systems, source_v.tolist(), loop=1, units_a_node=3)
    actual = operating_voltage(flat(systems, three_phase=True), source_v).reshape(-1, 3)
    assert np.abs(actual - expected[:, None]).max() < MILLIVOLT


def _balanced(system: System) -> System:
    """Put three equal units, one on each phase, where there was one."""

    def triple(unit: Unit) -> list[Unit]:
        there = [Unit(r, x, unit.current_a, unit.power_w) for r, x in ((unit.r, unit.x), (0.0, 0.0), (0.0, 0.0))]
        return [Unit(u.r, u.x, u.current_a, u.power_w, 3 + phase) for phase, u in enumerate(there)]

    feeders = [
        Feeder(
            [Circuit([[t for u in arm for t in triple(u)] for arm in c.arms], c.home_run) for c in f.circuits], f.run
        )
        for f in system.feeders
    ]
    return System(feeders, system.nominal_v, system.cos_phi, system.sin_phi, system.entrance)


@pytest.mark.parametrize(
    ("service", "mixed_kinds"),
    [("208Y/120", False), ("480Y/277", False), ("400Y/230", False), ("208Y/120", True)],
)
def test_unbalanced_three_phase_agrees_with_opendss(service, mixed_kinds):
    systems = random_systems(31, service, circuits=500, mixed_kinds=mixed_kinds)
    source_v = sources(32, systems)
    expected = four_wire_voltages(systems, source_v.tolist())
    actual = operating_voltage(flat(systems, three_phase=True), source_v)
    assert len(actual) > 3000
    assert np.abs(actual - expected).max() < MILLIVOLT


@pytest.mark.parametrize("service", list(SERVICES))
def test_no_export_voltage_is_found_by_the_independent_flow(service):
    """At the source voltage found, the independent flow has its worst unit at the wanted terminal voltage."""
    three_phase = SERVICES[service][0]
    systems = random_systems(41, service, circuits=100)
    terminal_v = np.array([1.1 * s.nominal_v * (3**0.5 if service == "208Y/120" else 1) for s in systems])
    source_v = no_export_voltage_at(flat(systems, three_phase), terminal_v)
    if three_phase:
        unit_v = four_wire_voltages(systems, source_v.tolist())
    else:
        unit_v = balanced_voltages(systems, source_v.tolist(), loop=2, units_a_node=1)
    ends = np.cumsum([len(s.units) for s in systems])
    worst = [part.max() for part in np.split(unit_v, ends[:-1])]
    assert np.abs(np.array(worst) - terminal_v).max() < MILLIVOLT


def test_a_triplex_drop_agrees_with_coupled_legs_in_opendss():
    self_ohm, mutual_ohm, power_w = 0.1037 + 0.1100j, 0.0095 + 0.0998j, 9900.0
    leg = triplex_leg_impedance(
        np.array([self_ohm.real, self_ohm.imag]), np.array([mutual_ohm.real, mutual_ohm.imag])
    ).tolist()
    system = alone(Circuit([[Unit(0.0, power_w=power_w)]], Z(*leg)))
    expected = triplex_voltage(120.0, self_ohm, mutual_ohm, power_w)
    assert abs(operating_voltage(flat([system]), np.array([240.0]))[0] - expected) < MILLIVOLT

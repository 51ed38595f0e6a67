"""What must not change: results in other batches, and with all impedances doubled; where missing figures stay."""

from __future__ import annotations

from dataclasses import replace
from math import nan

import numpy as np
import pytest
from electrical_networks import SERVICES, Circuit, Feeder, System, Unit, Z, alone, flat, ladder, random_systems
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.electrical.currents import conductor_currents
from auditor.electrical.design import DesignRise, design_rise
from auditor.electrical.operating import no_export_voltage_at, operating_voltage
from auditor.electrical.runs import Level

PARTS = ("trunk_v", "home_run_v", "feeder_v", "entrance_v")


def results(systems: list[System], three_phase: bool) -> list[bytes]:
    """Everything computed for each system, as bytes."""
    network = flat(systems, three_phase)
    source_v = 1.03 * network.nominal_v
    design, currents = design_rise(network), conductor_currents(network)
    by_unit = [getattr(design, part) for part in PARTS] + [operating_voltage(network, source_v)]
    no_export_v = no_export_voltage_at(network, 1.1 * network.nominal_v)
    unit_ends = np.cumsum([len(s.units) for s in systems])
    circuit_ends = np.cumsum([len(s.circuits) for s in systems])
    found = []
    for i, system in enumerate(systems):
        units = slice(unit_ends[i] - len(system.units), unit_ends[i])
        circuits = slice(circuit_ends[i] - len(system.circuits), circuit_ends[i])
        parts = [values[units] for values in by_unit]
        parts += [currents.circuit_a[circuits].ravel(), currents.system_a[i], no_export_v[[i]]]
        found.append(np.concatenate(parts).tobytes())
    return found


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(list(SERVICES)), st.integers(0, 2**32 - 1), st.randoms(use_true_random=False))
def test_a_system_has_the_same_bits_in_every_batch(service, seed, random):
    three_phase = SERVICES[service][0]
    systems = random_systems(seed, service, 9, mixed_kinds=three_phase)
    slow = systems[0].feeders[0].circuits[0]
    systems.append(replace(systems[0], feeders=[Feeder([replace(slow, home_run=Z(2.0, 0.3, 2.0, 0.3))])]))
    systems.append(replace(systems[0], entrance=Z(nan)))
    together = results(systems, three_phase)
    assert [results([system], three_phase)[0] for system in systems] == together
    order = list(range(len(systems)))
    random.shuffle(order)
    assert results([systems[i] for i in order], three_phase) == [together[i] for i in order]


def test_the_slow_system_of_that_test_needs_more_rounds_than_the_rest(monkeypatch):
    """Otherwise the bits were compared on one path only."""
    systems = random_systems(1, "120/240", 1)
    slow = systems[0].feeders[0].circuits[0]
    systems.append(replace(systems[0], feeders=[Feeder([replace(slow, home_run=Z(2.0, 0.3))])]))
    network, source_v = flat(systems), np.full(2, 240.0)
    assert not np.isnan(operating_voltage(network, source_v)).any()
    monkeypatch.setattr("auditor.electrical.operating._MOST_ROUNDS", 3)
    few = operating_voltage(network, source_v)
    assert np.isnan(few[-1])
    assert not np.isnan(few[0])


def test_arms_in_no_regular_order_are_summed_alike_in_every_batch():
    """Sums of three depend on their order, which must not be that in which a batch first shows such arms."""
    sequences = ((0, 0, 1), (2, 2, 0, 1), (1, 1, 2, 2), (0, 2, 2), (2, 0, 0))
    arms = [[Unit(0.011 * (1 + k), 0.001, 0.7 + 0.1 * k, 290.0, p) for p in s] for k, s in enumerate(sequences)]
    one = alone(Circuit(arms, Z(0.1, 0.02, 0.1, 0.02)), nominal_v=120.0)
    other = alone(Circuit(arms[::-1], Z(0.2, 0.03, 0.2, 0.03)), nominal_v=120.0)
    assert results([other, one], True)[1] == results([one], True)[0]


def test_a_run_of_its_own_carries_what_a_shared_run_with_one_part_does():
    """Zeros too: a sum that starts at zero never ends in a negative one."""
    ohm, current_a = np.ones((1, 3)), np.array([[[-0.0, 1.5, nan]], [[0.0, -2.5, -0.0]]])
    own, shared = Level(None, ohm, ohm), Level(np.arange(3), ohm, ohm)
    assert own.total(current_a).tobytes() == shared.total(current_a).tobytes()
    assert own.below(current_a).tobytes() == shared.below(current_a).tobytes()


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(list(SERVICES)), st.integers(0, 2**32 - 1))
def test_doubled_impedances_double_the_design_rise(service, seed):
    three_phase = SERVICES[service][0]
    network = flat(random_systems(seed, service, 8, mixed_kinds=three_phase), three_phase)
    doubled = replace(network, **{k: 2 * v for k, v in network.__dict__.items() if k.endswith("_ohm")})
    once, twice = design_rise(network), design_rise(doubled)
    for part in PARTS:
        assert np.array_equal(2 * getattr(once, part), getattr(twice, part))


def spoilt(rise: DesignRise) -> dict[str, list[bool]]:
    return {part: np.isnan(getattr(rise, part)).tolist() for part in PARTS}


@pytest.mark.parametrize("part", ["home_run_v", "feeder_v", "entrance_v"])
@pytest.mark.parametrize("three_phase", [False, True])
def test_a_missing_run_spoils_only_its_own_part_and_units(part, three_phase):
    """Two feeders, the first with two circuits of two units; what is missing belongs to the first circuit."""
    circuit = Circuit([[Unit(0.01), Unit(0.01)]], Z(0.1))
    lost, run = Z(nan, 0.0, nan, 0.0), Z(0.1)
    first = replace(circuit, home_run=lost if part == "home_run_v" else run)
    feeder = Feeder([first, circuit], lost if part == "feeder_v" else run)
    system = System([feeder, Feeder([circuit], run)], entrance=lost if part == "entrance_v" else run)
    reach = {"home_run_v": 2, "feeder_v": 4, "entrance_v": 6}[part]
    expected = {name: [False] * 12 for name in PARTS}
    expected[part] = [True] * reach + [False] * (12 - reach)
    whole = System([Feeder([circuit] * 3, run)], entrance=run)
    assert spoilt(design_rise(flat([system, whole], three_phase))) == expected


def test_a_missing_section_spoils_the_trunk_from_there_outwards():
    circuit = ladder([2, 4], 0.01)
    circuit.arms[1][2] = replace(circuit.arms[1][2], r=nan)
    rise = spoilt(design_rise(flat([alone(circuit)])))
    assert rise == {"trunk_v": [False] * 4 + [True] * 2, **{part: [False] * 6 for part in PARTS[1:]}}


def test_a_missing_current_spoils_what_carries_it():
    circuit = ladder([2, 2], 0.01)
    circuit.arms[0][1] = replace(circuit.arms[0][1], current_a=nan)
    rise = spoilt(design_rise(flat([alone(circuit), alone(ladder([1]))])))
    assert rise["trunk_v"] == [True, True, False, False, False]
    assert rise["home_run_v"] == [True, True, True, True, False]

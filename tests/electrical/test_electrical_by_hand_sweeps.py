"""The operating solution against plain sweeps, one system and one conductor at a time, to a ten-millionth of the volt.

The sweeps know no arrays: every current is conj(S/V) of the last voltage, every voltage the source's and the rises of
all that flows on the way, until nothing changes. They converge for any sound wiring, and slowly, to the same solution.
"""

from __future__ import annotations

from cmath import exp, pi
from dataclasses import replace

import numpy as np
import pytest
from electrical_networks import SERVICES, Circuit, Feeder, System, Unit, Z, alone, flat, random_systems

from auditor.electrical.network import Network
from auditor.electrical.operating import no_export_voltage_at, operating_voltage

TURN = exp(-2j * pi / 3)
PHASES = (1, TURN, TURN * TURN, 0)
ENDS = ((0, 1), (1, 2), (2, 0), (0, 3), (1, 3), (2, 3))
CLOSE = 3e-7


def runs_to(system: System, feeder: Feeder, circuit: Circuit, three_phase: bool) -> list[tuple[object, list[complex]]]:
    """What stands between the source and a trunk, named by identity, with the impedance of each conductor."""
    places = (("entrance", system.entrance), (id(feeder), feeder.run), (id(circuit), circuit.home_run))
    return [
        (
            name,
            [complex(z.r, z.x)] * 3 + [complex(z.neutral_r, z.neutral_x)] if three_phase else [2 * complex(z.r, z.x)],
        )
        for name, z in places
    ]


def swept(system: System, source_v: float, three_phase: bool) -> list[float]:
    """The voltage across every unit of a system."""
    conductors = 4 if three_phase else 1
    paths = []
    for feeder in system.feeders:
        for circuit in feeder.circuits:
            for arm in circuit.arms:
                path = runs_to(system, feeder, circuit, three_phase)
                for unit in arm:
                    z = complex(unit.r, unit.x)
                    path = [*path, (id(unit), [z] * 4 if three_phase else [2 * z])]
                    paths.append((unit, path))
    across_v = [_across(unit, [source_v * p for p in PHASES], three_phase) for unit, _ in paths]
    for _ in range(60):
        flows: dict[object, list[complex]] = {}
        for (unit, path), v in zip(paths, across_v, strict=True):
            power = unit.power_w * complex(1, system.sin_phi / system.cos_phi)
            current = (power / v).conjugate()
            for name, _ in path:
                flow = flows.setdefault(name, [0j] * conductors)
                for conductor, sign in zip(ENDS[unit.pair], (1, -1), strict=True) if three_phase else [(0, 1)]:
                    flow[conductor] += sign * current
        across_v = []
        for unit, path in paths:
            node = [source_v * p for p in PHASES[:conductors]]
            for name, zs in path:
                node = [v + z * i for v, z, i in zip(node, zs, flows[name], strict=True)]
            across_v.append(_across(unit, node, three_phase))
    return [abs(v) for v in across_v]


def _across(unit: Unit, node: list[complex], three_phase: bool) -> complex:
    return node[ENDS[unit.pair][0]] - node[ENDS[unit.pair][1]] if three_phase else node[0]


def apart(systems: list[System]) -> list[System]:
    """The same systems with every part an object of its own, so that identity names it."""
    return [
        replace(s, feeders=[
            replace(f, circuits=[replace(c, arms=[[replace(u) for u in arm] for arm in c.arms]) for c in f.circuits])
            for f in s.feeders
        ])
        for s in systems
    ]  # fmt: skip


def portfolio(service: str) -> tuple[list[System], Network]:
    """Systems of all kinds of circuit, one with a long home run, one whose units sit in no regular order."""
    three_phase, volts, _, _ = SERVICES[service]
    systems = random_systems(40, service, 30, mixed_kinds=three_phase)
    long_run = Circuit([[Unit(0.01, power_w=290.0, pair=k % 3) for k in range(9)]], Z(0.9, 0.1, 0.9, 0.1))
    odd = Circuit([[Unit(0.01, 0.001, pair=p) for p in (0, 4, 2, 2, 5, 1)], [Unit(0.01, pair=p) for p in (1, 1, 0)]])
    systems += [
        alone(long_run, nominal_v=volts),
        alone(replace(odd, home_run=Z(0.1, 0.02, 0.2, 0.02)), nominal_v=volts),
    ]
    systems = apart(systems)
    return systems, flat(systems, three_phase)


@pytest.mark.parametrize("service", list(SERVICES))
def test_voltages_agree_with_plain_sweeps(service):
    three_phase = SERVICES[service][0]
    systems, network = portfolio(service)
    source_v = np.linspace(0.97, 1.06, len(systems)) * network.nominal_v
    expected = np.concatenate([swept(s, v, three_phase) for s, v in zip(systems, source_v.tolist(), strict=True)])
    assert np.abs(operating_voltage(network, source_v) - expected).max() < CLOSE


@pytest.mark.parametrize("service", ["208Y/120", "400Y/230"])
def test_a_source_that_is_found_gives_the_terminal_voltage_by_plain_sweeps(service):
    systems, network = portfolio(service)
    terminal_v = 1.1 * network.nominal_v * (3**0.5 if service == "208Y/120" else 1)
    systems = [s for s, only in zip(systems, _one_kind(systems, service), strict=True) if only]
    network, terminal_v = flat(systems, True), terminal_v[: len(systems)]
    source_v = no_export_voltage_at(network, terminal_v)
    worst = [max(swept(s, v, True)) for s, v in zip(systems, source_v.tolist(), strict=True)]
    assert np.abs(np.array(worst) - terminal_v).max() < CLOSE


def _one_kind(systems: list[System], service: str) -> list[bool]:
    """Whether all units of a system sit between phases, or all to neutral, as is usual on the service."""
    between = service == "208Y/120"
    return [all((unit.pair < 3) == between for unit in system.units) for system in systems]


@pytest.mark.parametrize("service", list(SERVICES))
def test_pieces_of_a_network_give_the_same_bits(service, monkeypatch):
    _, network = portfolio(service)
    whole = operating_voltage(network, network.nominal_v)
    monkeypatch.setattr("auditor.electrical.operating._PIECE_ARMS", 3)
    assert len(network.pieces(3)) > 5
    assert operating_voltage(network, network.nominal_v).tobytes() == whole.tobytes()


def test_a_network_out_of_order_is_one_piece_and_gives_the_same():
    systems = random_systems(7, "120/240", 12)
    network = flat(systems)
    order = np.arange(network.n_systems)[::-1]
    mixed = replace(
        network,
        feeder_system=order[network.feeder_system],
        **{
            name: getattr(network, name)[::-1]
            for name in network.__dict__
            if name.startswith(("entrance_", "cos", "sin"))
        },
        nominal_v=network.nominal_v[::-1],
    )
    assert len(network.pieces(3)) > 1
    assert len(mixed.pieces(3)) == 1
    source_v = np.linspace(230, 245, network.n_systems)
    assert np.array_equal(operating_voltage(network, source_v), operating_voltage(mixed, source_v[::-1]))


def test_networks_beside_each_other_keep_their_figures():
    one, other = (flat(random_systems(seed, "400Y/230", 8), True) for seed in (1, 2))
    both = one.beside(other)
    source_v = np.concatenate([one.nominal_v, other.nominal_v])
    found = operating_voltage(both, source_v)
    assert np.array_equal(found, np.concatenate([operating_voltage(n, n.nominal_v) for n in (one, other)]))

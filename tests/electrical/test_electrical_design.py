"""The design-practice rise against closed formulas and against superposition over shared paths."""

from __future__ import annotations

import cmath
from dataclasses import replace

import numpy as np
import pytest
from electrical_networks import SERVICES, Circuit, Feeder, System, Unit, Z, alone, flat, ladder, random_systems
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.electrical.design import design_rise

H = 3**0.5 / 2
CLOSE = {"rtol": 1e-12, "atol": 1e-12}


def total(rise) -> np.ndarray:
    return rise.trunk_v + rise.home_run_v + rise.feeder_v + rise.entrance_v


@pytest.mark.parametrize("n", [1, 2, 3, 7, 16, 40])
@pytest.mark.parametrize(("cos", "sin"), [(1.0, 0.0), (0.8, 0.6), (0.8, -0.6)])
def test_a_ladder_of_equal_units_rises_by_n_times_n_plus_one_over_two(n, cos, sin):
    """Sum of 1..n sections' currents: n(n+1)/2, and n(n−1)/2 where the first section has no length."""
    r, x, amps = 0.011, 0.002, 1.21
    system = alone(ladder([n], r, x, current_a=amps), cos_phi=cos, sin_phi=sin)
    section = 2 * amps * (r * cos + x * sin)
    assert np.isclose(design_rise(flat([system])).trunk_v.max(initial=-9), max(section * n * (n + 1) / 2, 0), **CLOSE)
    system.circuits[0].arms[0][0] = replace(system.circuits[0].arms[0][0], r=0.0, x=0.0)
    assert np.isclose(design_rise(flat([system])).trunk_v[-1], section * n * (n - 1) / 2, **CLOSE)


def test_sixteen_units_make_136_or_120_section_drops():
    one_drop = ladder([16], r=0.5)  # 2 × 0.5 Ω × 1 A = 1 V a unit and section
    assert design_rise(flat([alone(one_drop)])).trunk_v.max() == 136
    one_drop.arms[0][0] = replace(one_drop.arms[0][0], r=0.0)
    assert design_rise(flat([alone(one_drop)])).trunk_v.max() == 120


def test_centre_feed_of_sixteen_units():
    """Common practice: 1.33 % end-fed is 0.35 % an arm centre-fed (136 section drops against 36)."""
    r = 0.0133 * 240 / (2 * 136)
    end, centre = (design_rise(flat([alone(ladder(arms, r))])).trunk_v.max() / 2.4 for arms in ([16], [8, 8]))
    assert end == pytest.approx(1.33, abs=1e-9)
    assert centre == pytest.approx(0.35, abs=0.005)
    assert end / centre == pytest.approx(136 / 36)


@given(
    st.lists(st.tuples(st.floats(0, 0.1), st.floats(0, 0.02), st.floats(0.1, 4)), min_size=1, max_size=25),
    st.sampled_from([(1.0, 0.0), (0.95, 0.3122), (0.95, -0.3122)]),
)
def test_mixed_units_and_sections_of_differing_length(places, phi):
    """2·Σ_{j≤m} (R_j·c + X_j·s)·Σ_{k≥j} I_k, written out."""
    cos, sin = phi
    units = [Unit(r, x, current_a=amps) for r, x, amps in places]
    expected, rise = [], 0.0
    for j, unit in enumerate(units):
        rise += 2 * (unit.r * cos + unit.x * sin) * sum(u.current_a for u in units[j:])
        expected.append(rise)
    system = alone(Circuit([units], Z(0.1, 0.01)), cos_phi=cos, sin_phi=sin)
    actual = design_rise(flat([system]))
    assert np.allclose(actual.trunk_v, expected, **CLOSE)
    carried = sum(u.current_a for u in units)
    assert np.allclose(actual.home_run_v, 2 * (0.1 * cos + 0.01 * sin) * carried, **CLOSE)


def pair_section(pair: int, n: list[int], r: float, x: float, c: float, s: float) -> float:
    """Rise of a section for one pair, counts n of the pairs beyond it, one ampere a unit, sequence abc.

    (2·n_ab + ½·n_bc + ½·n_ca)(R·c + X·s) + (√3/2)(n_ca − n_bc)(X·c − R·s), cyclic.
    """
    ab, bc, ca = n[pair], n[(pair + 1) % 3], n[(pair + 2) % 3]
    return (2 * ab + bc / 2 + ca / 2) * (r * c + x * s) + H * (ca - bc) * (x * c - r * s)


def neutral_section(phase: int, n: list[int], z: Z, c: float, s: float) -> float:
    """Rise of a section phase to neutral, counts n of the phases beyond it, one ampere a unit, sequence abc.

    n_a((R+R_n)c + (X+X_n)s) − ½(n_b+n_c)(R_n·c + X_n·s) + (√3/2)(n_b − n_c)(X_n·c − R_n·s), cyclic.
    """
    a, b, cc = n[phase], n[(phase + 1) % 3], n[(phase + 2) % 3]
    own = a * ((z.r + z.neutral_r) * c + (z.x + z.neutral_x) * s)
    others = (b + cc) / 2 * (z.neutral_r * c + z.neutral_x * s)
    return own - others + H * (b - cc) * (z.neutral_x * c - z.neutral_r * s)


@pytest.mark.parametrize("kind", ["pairs", "neutral"])
@pytest.mark.parametrize("first", [0, 1, 2])
@pytest.mark.parametrize("arms", [[1], [2], [24], [25], [26], [8, 8], [9, 8], [6, 5, 4]])
@pytest.mark.parametrize(("cos", "sin"), [(1.0, 0.0), (0.9, 0.43589), (0.9, -0.43589)])
def test_rotating_units_follow_the_three_phase_formulas(kind, first, arms, cos, sin):
    r, x, run = 0.012, 0.003, Z(0.08, 0.011, 0.13, 0.017)
    circuit = replace(ladder(arms, r, x, kind=kind, first=first), home_run=run)
    actual = design_rise(flat([alone(circuit, cos_phi=cos, sin_phi=sin)], three_phase=True))

    def section(pair: int, beyond: list[Unit], z: Z) -> float:
        counts = [sum(u.pair % 3 == p for u in beyond) for p in range(3)]
        if kind == "pairs":
            return pair_section(pair, counts, z.r, z.x, cos, sin)
        return neutral_section(pair, counts, z, cos, sin)

    trunk = []
    for arm in circuit.arms:
        for m, unit in enumerate(arm):
            trunk.append(sum(section(unit.pair % 3, arm[j:], Z(r, x, r, x)) for j in range(m + 1)))
    home_run = [section(unit.pair % 3, circuit.units, run) for unit in circuit.units]
    assert np.allclose(actual.trunk_v, trunk, **CLOSE)
    assert np.allclose(actual.home_run_v, home_run, **CLOSE)


def test_balanced_units_phase_to_neutral_leave_the_neutral_out():
    """Three equal units at one place: I·(R·c + X·s) of the phase conductor alone, by symmetry."""
    arm = [Unit(0.0, pair=3 + phase) for phase in range(3)]
    run = Z(0.3, 0.1, 5.0, 7.0)
    system = alone(Circuit([arm], run), cos_phi=0.8, sin_phi=0.6)
    rise = design_rise(flat([system], three_phase=True)).home_run_v
    assert np.allclose(rise, 0.3 * 0.8 + 0.1 * 0.6, **CLOSE)


def test_the_balanced_formula_is_too_low_for_the_worst_pair():
    """√3·(line current)·R at each section, with line current √3·(units beyond / 3), is below the worst pair."""
    rise = design_rise(flat([alone(ladder([16], 0.01, kind="pairs"))], three_phase=True)).trunk_v
    balanced = sum(3**0.5 * (3**0.5 * beyond / 3) * 0.01 for beyond in range(1, 17))
    assert rise.max() > balanced * 1.005


def superposed(system: System, three_phase: bool) -> np.ndarray:
    """Rise of every unit as a sum over all units of the impedance their paths share, in complex numbers.

    Two units whose conductors agree or oppose in a run couple through that conductor's impedance with the sign + or −.
    """
    a = cmath.exp(-2j * cmath.pi / 3)
    phases = [1.0, a, a * a, 0.0]
    pairs = ((0, 1), (1, 2), (2, 0), (0, 3), (1, 3), (2, 3))
    paths: list[tuple[Unit, dict]] = []
    for f, feeder in enumerate(system.feeders):
        for c, circuit in enumerate(feeder.circuits):
            for b, arm in enumerate(circuit.arms):
                path = {"entrance": system.entrance, ("f", f): feeder.run, ("c", f, c): circuit.home_run}
                for k, unit in enumerate(arm):
                    path = {**path, ("u", f, c, b, k): Z(unit.r, unit.x, unit.r, unit.x)}
                    paths.append((unit, path))
    rises = []
    for unit, path in paths:
        rise = 0j
        toward = _toward(phases, pairs[unit.pair], three_phase)
        for other, other_path in paths:
            amps = other.current_a * (system.cos_phi - 1j * system.sin_phi)
            amps *= _toward(phases, pairs[other.pair], three_phase)
            for run in path.keys() & other_path.keys():
                z = path[run]
                if not three_phase:
                    rise += 2 * complex(z.r, z.x) * amps
                    continue
                for sign, conductor in zip((1, -1), pairs[unit.pair], strict=True):
                    for other_sign, other_conductor in zip((1, -1), pairs[other.pair], strict=True):
                        if conductor == other_conductor:
                            ohms = complex(z.r, z.x) if conductor < 3 else complex(z.neutral_r, z.neutral_x)
                            rise += sign * other_sign * ohms * amps
        rises.append((rise * toward.conjugate()).real)
    return np.array(rises)


def _toward(phases, pair, three_phase) -> complex:
    if not three_phase:
        return 1 + 0j
    across = complex(phases[pair[0]] - phases[pair[1]])
    return across / abs(across)


@pytest.mark.parametrize("service", list(SERVICES))
def test_whole_systems_agree_with_superposition(service):
    three_phase = SERVICES[service][0]
    systems = random_systems(5, service, 12, mixed_kinds=three_phase)
    expected = np.concatenate([superposed(system, three_phase) for system in systems])
    assert np.allclose(total(design_rise(flat(systems, three_phase))), expected, rtol=1e-11, atol=1e-11)


def test_single_phase_circuits_share_a_three_phase_feeder():
    """Eight units on each of a-b, b-c, c-a: the home run carries 2·8·R, the balanced feeder the line current 8·√3."""
    circuits = [Circuit([[Unit(0.0, pair=p)] * 8], Z(0.05)) for p in range(3)]
    rise = design_rise(flat([System([Feeder(circuits, Z(0.02))], 120.0)], three_phase=True))
    assert np.allclose(rise.home_run_v, 2 * 8 * 0.05, **CLOSE)
    assert np.allclose(rise.feeder_v, 3**0.5 * (8 * 3**0.5) * 0.02, **CLOSE)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 70), st.sampled_from(["single", "pairs", "neutral"]), st.floats(1e-4, 0.1), st.floats(0, 0.3))
def test_centre_feed_is_never_worse_than_end_feed(n, kind, r, x_over_r):
    """Equal units and sections, the home run unchanged.

    The reactance stays below the resistance, as in every trunk cable: with as much of it, three units phase to neutral
    are worse off in the centre, since one arm then holds the rotation backwards.
    """
    arms = [n - n // 2, n // 2] if n > 1 else [n]
    circuits = [
        replace(ladder(counts, r, x_over_r * r, kind=kind), home_run=Z(0.1, 0.01, 0.1, 0.01)) for counts in ([n], arms)
    ]
    end, centre = (total(design_rise(flat([alone(c)], three_phase=kind != "single"))).max() for c in circuits)
    assert centre <= end * (1 + 1e-12)

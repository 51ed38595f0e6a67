"""The electrical functions against published figures, each with its source."""

from __future__ import annotations

from math import acos, log, sin, sqrt

import numpy as np
import pytest

from auditor.electrical.conductors import resistance_at
from auditor.electrical.design import DesignRise, design_rise
from auditor.electrical.network import Network
from auditor.electrical.supply import (
    reactance_pct,
    transformer_impedance,
    transformer_rise_pct,
    triplex_leg_impedance,
)


def rise_of(
    unit_a: list[float],
    section_ohm: list[float] | None = None,
    home_run_ohm: complex = 0j,
    power_factor: float = 1.0,
    pair: int | None = None,
) -> DesignRise:
    """One end-fed circuit: on two conductors, or across a pair of three phases whose neutral has no impedance."""
    n, one = len(unit_a), np.zeros(1)
    runs = {
        f"{name}_{part}_ohm": one
        for name in ("home_run", "feeder", "entrance")
        for part in ("r", "x", "neutral_r", "neutral_x")
    }
    runs["home_run_r_ohm"], runs["home_run_x_ohm"] = np.array([home_run_ohm.real]), np.array([home_run_ohm.imag])
    first = np.zeros(1, dtype=np.int64)
    return design_rise(
        Network(
            three_phase=pair is not None,
            n_systems=1,
            arm_start=np.array([0, n]),
            arm_circuit=first,
            circuit_feeder=first,
            feeder_system=first,
            section_r_ohm=np.array(section_ohm if section_ohm is not None else [0.0] * n),
            section_x_ohm=np.zeros(n),
            unit_current_a=np.array(unit_a),
            unit_power_w=np.zeros(n),
            unit_pair=np.full(n, pair or 0),
            nominal_v=np.array([240.0]),
            cos_phi=np.array([power_factor]),
            sin_phi=np.array([sqrt(1 - power_factor**2)]),
            **runs,
        )
    )


@pytest.mark.parametrize(
    ("temp_c", "copper", "aluminium"),
    [
        (20, 0.82235, 0.81850),
        (30, 0.85465, 0.85150),
        (40, 0.88695, 0.88450),
        (50, 0.91925, 0.91750),
        (60, 0.95155, 0.95050),
        (75, 1.0, 1.0),
        (90, 1.04845, 1.04950),
    ],
)
def test_temperature_factors(temp_c, copper, aluminium):
    """NEC Chapter 9 Table 8 Note 2: R2 = R1[1 + α(T2 − 75)], α 0.00323 copper and 0.00330 aluminium, worked out."""
    ones, reference, temp = np.ones(2), np.full(2, 75.0), np.full(2, float(temp_c))
    assert resistance_at(ones, np.array([0.00323, 0.00330]), reference, temp) == pytest.approx([copper, aluminium])


@pytest.mark.parametrize(
    ("ohm_per_kft", "temp_c", "expected"), [(1.98, 30, 1.692), (1.98, 60, 1.884), (1.24, 50, 1.140)]
)
def test_copper_resistances_away_from_75_c(ohm_per_kft, temp_c, expected):
    """12 and 10 AWG of NEC Chapter 9 Table 8 (stranded copper) by its Note 2, worked out to four digits."""
    values = [np.array([v], dtype=float) for v in (ohm_per_kft, 0.00323, 75, temp_c)]
    assert resistance_at(*values)[0] == pytest.approx(expected, abs=0.0005)


@pytest.mark.parametrize(
    ("n", "factor"),
    [
        (1, 1),
        (2, 0.75),
        (3, 0.666667),
        (4, 0.625),
        (5, 0.6),
        (8, 0.5625),
        (10, 0.55),
        (12, 0.541667),
        (16, 0.53125),
    ],
)
def test_uniformly_distributed_load(n, factor):
    """Kersting, Distribution System Modeling and Analysis, as in lecture slides of New Mexico State University:

    V = Re{Z·I_T}·½(1 + 1/n), Z the whole path of n equal segments. A loop has twice a conductor's impedance.
    """
    z, total_a = 0.4, 12.0
    rise = rise_of([total_a / n] * n, [z / n] * n)
    assert rise.trunk_v[-1] == pytest.approx(2 * z * total_a * factor, rel=1e-5)


@pytest.mark.parametrize("n", [2, 7, 16])
def test_distributed_load_behind_a_home_run(n):
    """The same with a first run of its own length: V = I_T·Z_home + ½·I_T·(n − 1)·z_segment."""
    z_home, z_segment, amps = 0.17, 0.02, 1.1
    rise = rise_of([amps] * n, [0.0] + [z_segment] * (n - 1), z_home)
    total_a = n * amps
    expected = 2 * (total_a * z_home + 0.5 * total_a * (n - 1) * z_segment)
    assert (rise.trunk_v + rise.home_run_v).max() == pytest.approx(expected)


@pytest.mark.parametrize(
    ("ohm", "amps", "volts", "drop_v", "drop_pct"),
    [
        (0.1 * 4.99, 4, 24, 4.0, 16.7),  # electrician2.com: 100 ft of 16 AWG copper, 4.99 Ω/kft
        (12.9 * 100 / 6530, 20, 120, 7.9, 6.6),  # trade licence text: K = 12.9, 100 ft of 12 AWG (6530 cmil)
        (12.9 * 100 / 16510, 20, 120, 3.1, 2.6),  # the same of 8 AWG (16510 cmil)
        (0.0225 * 30 / 6, 32, 230, 7.20, 3.13),  # IEC 60364-5-52 Annex G: ρ 0.0225, 30 m of 6 mm² copper
    ],
)
def test_worked_two_wire_drops(ohm, amps, volts, drop_v, drop_pct):
    """A source's rise is a load's drop with the sign turned. One per cent, the printed digits of the examples."""
    rise_v = rise_of([float(amps)], home_run_ohm=complex(ohm)).home_run_v[0]
    assert rise_v == pytest.approx(drop_v, rel=0.01)
    assert 100 * rise_v / volts == pytest.approx(drop_pct, rel=0.01)


def test_effective_impedance_to_neutral():
    """NEC Chapter 9 Table 9 Note 2, R·cos θ + X·sin θ: 1000 ft of 1/0 copper in PVC, 50 A, 0.65: 5.55 V (forum thread).

    250 kcmil in steel at 0.85 with R 0.054, X 0.052: Ze = 0.073 (training text).
    """
    assert rise_of([50.0], home_run_ohm=0.12 + 0.044j, power_factor=0.65, pair=3).home_run_v[0] == pytest.approx(
        5.55, rel=0.01
    )
    assert rise_of([1.0], home_run_ohm=0.054 + 0.052j, power_factor=0.85, pair=3).home_run_v[0] == pytest.approx(
        0.073, rel=0.01
    )


def test_rise_from_short_circuit_power():
    """VDEW guideline for solar on low voltage: 24 kVA where 1200 kVA short-circuit power is: 1/50 = 2 %, 4.6 V of 230.

    A short-circuit power is a rating behind which the impedance is 100 %.
    """
    values = [np.array([v], dtype=float) for v in (100, 0, 24, 0, 1200)]
    rise_pct = transformer_rise_pct(*values)[0]
    assert rise_pct == pytest.approx(2.0)
    assert rise_pct / 100 * 230 == pytest.approx(4.6)


def test_transformer_ohms_make_the_same_rise_as_its_percentages():
    """By Ohm's law: 10 kVA, 240 V, 1.73 % + j 1.44 %: at 41.67 A the loop rises by 1.73 % of 240 V."""
    r_ohm, x_ohm = transformer_impedance(*(np.array([v]) for v in (10.0, 1.73, 1.44, 240.0)))
    rise_v = rise_of([10e3 / 240], home_run_ohm=complex(r_ohm[0], x_ohm[0]) / 2).home_run_v[0]
    assert rise_v == pytest.approx(0.0173 * 240)
    assert x_ohm[0] == pytest.approx(0.0144 * 240**2 / 10e3)


@pytest.mark.parametrize(
    ("z_pct", "r_pct"),
    [
        (6.0, 1.440),  # 20/0.4 kV, 0.25 MVA
        (6.0, 1.425),  # 0.4 MVA
        (6.0, 1.206),  # 0.63 MVA
        (4.0, 1.200),  # 10/0.4 kV, 0.25 MVA
        (4.0, 1.325),  # 0.4 MVA
        (4.0, 1.0794),  # 0.63 MVA
    ],
)
def test_reactance_of_library_transformers(z_pct, r_pct):
    """Rows (vk %, vkr %) of pandapower's std_types.py; the reactance by the impedance angle, Z·sin(arccos(R/Z))."""
    x_pct = reactance_pct(np.array([z_pct]), np.array([r_pct]))[0]
    assert x_pct == pytest.approx(z_pct * sin(acos(r_pct / z_pct)))


def test_a_resistance_above_the_impedance_has_no_reactance():
    assert np.isnan(reactance_pct(np.array([2.0]), np.array([2.1]))[0])


def test_triplex_drop():
    """Inputs of a published study: #2 triplex, GMR 0.10594 in, conductors 0.412 in apart, 100 m, 39.6 A at 240 V.

    Carson's equations share all but 0.12134·ln(D/GMR) Ω/mile (60 Hz) between self and mutual reactance. OpenDSS gives
    7.45 V for the drop's rise; by hand 2 × 39.6 A × 0.0942 Ω = 7.46 V.
    """
    earth_r, earth_x, mile_m = 0.09530, 7.93402, 1609.344
    self_x = 0.12134 * (log(12 / 0.10594) + earth_x) / mile_m
    mutual_x = 0.12134 * (log(12 / 0.412) + earth_x) / mile_m
    self_r, mutual_r = 0.942e-3 + earth_r / mile_m, earth_r / mile_m
    leg = triplex_leg_impedance(np.array([self_r, self_x]), np.array([mutual_r, mutual_x]))
    assert 1000 * leg == pytest.approx([0.942, 0.102], rel=0.005)
    rise_v = rise_of([39.6], home_run_ohm=100 * complex(*leg)).home_run_v[0]
    assert rise_v == pytest.approx(7.45, abs=0.02)

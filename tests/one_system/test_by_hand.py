"""One system against hand arithmetic and closed forms."""

from __future__ import annotations

import cmath
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from one_system_cases import case, single, three

from auditor.electrical.operating import operating_voltage
from auditor.one_system.carried import shares
from auditor.one_system.facts import facts
from auditor.one_system.path import path
from auditor.one_system.probes import with_probes
from auditor.one_system.profile import profile
from auditor.one_system.worked import worked

#: NEC Chapter 9 Table 8, stranded uncoated copper at 75 °C: 10 AWG is 1.24 ohm per 1,000 ft; 1 ft is 0.3048 m.
TEN_AWG_OHM_PER_M = 1.24 / 304.8


def test_an_end_feed_is_136_sections_of_unit_current(tmp_path: Path) -> None:
    # 2 x 1 A x 0.01 ohm x 16 x 17 / 2 = 2.72 V in the trunk; 2 x 16 A x R in the home run.
    volts = 2 * 0.01 * 136, 2 * 16 * TEN_AWG_OHM_PER_M * 20
    done = worked(single(tmp_path))["voltage-rise", "1"]
    assert done.value == pytest.approx(sum(volts) / 240 * 100, rel=1e-12)
    text = "\n".join(done.lines)
    assert "2 × 1 A × 136 × 0.01 Ω = 2.72 V" in text
    assert "2.72 / 240 = 1.133 %" in text
    assert "unit 16 of 16" in text


def test_a_centre_feed_is_36_sections_on_each_arm_and_all_units_on_the_home_run(tmp_path: Path) -> None:
    volts = 2 * 0.01 * 36, 2 * 16 * TEN_AWG_OHM_PER_M * 20
    done = worked(single(tmp_path, feed="centre"))["voltage-rise", "1"]
    assert done.value == pytest.approx(sum(volts) / 240 * 100, rel=1e-12)
    assert any("2 × 1 A × 36 × 0.01 Ω" in line for line in done.lines)
    assert any("unit 8 of 8 on the worse of 2 arms" in line for line in done.lines)


def test_extra_trunk_is_a_section_of_its_own(tmp_path: Path) -> None:
    # 3 m more behind unit 8 carry the 8 units beyond: 2 x 1 A x 8 x 0.015 ohm more.
    plain = worked(single(tmp_path))["voltage-rise", "1"]
    longer = worked(single(tmp_path, extra_trunk="8@3"))["voltage-rise", "1"]
    assert plain.value is not None and longer.value is not None
    assert longer.value - plain.value == pytest.approx(2 * 8 * 0.015 / 240 * 100, rel=1e-9)


def _phasor_rise(units: int, power_factor: float) -> float:
    """Worst rise [%] of phase-to-neutral units that rotate over abc, by complex currents per conductor."""
    z_section, z_home = complex(0.01, 0.002), complex(TEN_AWG_OHM_PER_M * 100, 0.050 / 304.8 * 100)
    unit_a = complex(power_factor, -math.sqrt(1 - power_factor**2))
    turn = [cmath.exp(-2j * math.pi * k / 3) for k in range(3)]
    found = []
    for direction in (1, -1):
        phase = [(direction * k) % 3 for k in range(units)]
        for last in range(units):
            # Conductors a, b, c and neutral; each unit sends its current out on its phase and takes it on the neutral.
            volts = [0j] * 4
            for z, beyond in [(z_home, phase), *((z_section, phase[k:]) for k in range(last + 1))]:
                current = [sum(unit_a * turn[p] for p in beyond if p == c) for c in range(3)]
                current.append(-sum(current))
                volts = [v + z * i for v, i in zip(volts, current, strict=True)]
            along = (volts[phase[last]] - volts[3]) * turn[phase[last]].conjugate()
            found.append(along.real / 277 * 100)
    return max(found)


@pytest.mark.parametrize("power_factor", [1.0, 0.9])
@pytest.mark.parametrize("units", [1, 4, 6, 11])
def test_three_phase_units_are_worked_by_pairs(tmp_path: Path, units: int, power_factor: float) -> None:
    # Reactance of 10 AWG in PVC: 0.050 ohm per 1,000 ft, NEC Chapter 9 Table 9.
    done = worked(three(tmp_path, units, power_factor))["voltage-rise", "1"]
    assert done.value == pytest.approx(_phasor_rise(units, power_factor), rel=1e-9)


def test_shares_between_pairs_and_to_neutral() -> None:
    # The design's formulas: 2, 1/2, 1/2 and 0, -sqrt(3)/2, +sqrt(3)/2 for ab, bc, ca; 2, -1/2, -1/2 to neutral.
    along, across = shares(True, 0)
    assert along[:3] == pytest.approx([2, 0.5, 0.5])
    assert across[:3] == pytest.approx([0, -math.sqrt(3) / 2, math.sqrt(3) / 2], abs=1e-12)
    along, across = shares(True, 3)
    assert along[3:] == pytest.approx([2, -0.5, -0.5])
    assert across[3:] == pytest.approx([0, math.sqrt(3) / 2, -math.sqrt(3) / 2], abs=1e-12)
    assert list(shares(False, 0)[0]) == [2.0] * 6


def test_one_unit_meets_the_closed_form_at_every_place(tmp_path: Path) -> None:
    # Behind a loop Z a unit of power P at unity takes V to Vs^2 = V^2 - 2PR + (P|Z|/V)^2, a quadratic in V^2.
    home = complex(2 * TEN_AWG_OHM_PER_M * 20, 2 * 0.050 / 304.8 * 20)
    loop, watts, supply_v = home + 2 * 0.01, 240, 250
    half = supply_v**2 / 2 + watts * loop.real
    last_v = math.sqrt(half + math.sqrt(half**2 - (watts * abs(loop)) ** 2))
    current_a = watts / last_v
    shown = profile(single(tmp_path, units=1), supply_v=250.0)
    volts = dict(shown.points.select("place", "operating_v").rows())
    assert volts["unit"] == pytest.approx(last_v, rel=1e-12)
    assert volts["home run end"] == pytest.approx(abs(last_v - current_a * 2 * 0.01), rel=1e-12)
    assert volts["main panel"] == pytest.approx(250, abs=1e-9)
    assert volts["PCC"] == pytest.approx(250, rel=1e-12)


def test_probes_change_nothing_and_lie_between(tmp_path: Path) -> None:
    one = three(tmp_path, 7)
    network = one.turns[0].network
    source = np.array([277.0])
    beside = operating_voltage(with_probes(network, np.array([3])), source)
    assert beside[:14:2] == pytest.approx(operating_voltage(network, source), rel=1e-11)
    # A probe behind a unit of its own pair reads that unit's voltage.
    same = np.flatnonzero(network.unit_pair == 3)
    assert beside[2 * same + 1] == pytest.approx(beside[2 * same], rel=1e-11)


def test_a_single_phase_profile_rises_outwards(tmp_path: Path) -> None:
    points = profile(single(tmp_path)).points.filter(pl.col("operating_v").is_not_null() & pl.col("on_path"))
    assert all(b > a - 1e-9 for a, b in pairwise(points["operating_v"]))


def test_facts_say_what_is_given_derived_assumed_and_missing(tmp_path: Path) -> None:
    circuit = {"circuit_id": "1", "inverter_model": "Unit 240", "arm_counts": "3+4", "trunk_model": "Trunk 2",
               "orientation": "landscape"}  # fmt: skip
    runs = [{"circuit_id": "1", "role": "home run", "size": "10 AWG", "material": "copper"}]
    found = {(f.group, f.name): f for f in facts(case(tmp_path, {"service": "208Y/120"}, [circuit], runs))}
    count = next(f for f in found.values() if f.unit == "units")
    assert (count.value, count.status, count.note) == (7, "derived", "counted from the arms or the listed units")
    current = found["Circuit", "current of a unit"]
    assert (current.status, current.value) == ("derived", pytest.approx(240 / 208))
    assert found["Circuit", "first section"].status == "assumed"
    assert found["Circuit", "first section"].value == 2.0
    assert found["Home run", "length"].status == "missing"
    given = found["Home run", "size"]
    assert (given.status, given.value, given.origins[0].file) == ("given", "10 AWG", "made.csv")
    assert found["Service entrance", "length"].status == "missing"


def test_phases_are_derived_from_a_trunk_of_four_conductors(tmp_path: Path) -> None:
    one = three(tmp_path, 6)
    unstated = one.with_records(
        type(one.records)(
            one.records.system,
            one.records.circuit.with_columns(circuit_phases=pl.lit(None, pl.String)),
            one.records.unit,
            one.records.run,
        )
    )
    phases = next(f for f in facts(unstated) if f.value == "ABC")
    assert (phases.status, phases.note) == ("derived", "from the trunk cable's conductors")


def test_parts_that_nobody_recorded_are_absent_and_never_zero(tmp_path: Path) -> None:
    parts = {part.kind: part for part in path(case(tmp_path, {}, [{"circuit_id": "1"}], [])).all_parts()}
    assert {part.recorded for part in parts.values()} == {"absent"}
    assert not any("0 m" in line for part in parts.values() for line in part.lines)
    assert parts["trunk"].arms == ()
    shown = profile(case(tmp_path, {}, [{"circuit_id": "1"}], []))
    assert shown.supply_v is None and not shown.points.height

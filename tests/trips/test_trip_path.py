"""The rise at the trip voltage against closed forms, and what is assumed or missing on the path."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from auditor.policy import Policy, load_policy
from auditor.prepare import Records, prepare
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT
from auditor.trips.inputs import inputs

sys.path.insert(0, str(Path(__file__).parents[1] / "prepare"))
from prepare_cases import Row, catalog, circuit, frame, run, system

#: NEC chapter 9 table 8: 10 AWG uncoated copper, 1.24 ohm/kft at 75 °C.
OHM_PER_M = 1.24 / 304.8
SECTION_OHM = 0.0133 * 240 / (2 * 136)


def looked_at(folder: Path, systems: list[Row], circuits: list[Row], runs: list[Row], units: list[Row] | None = None,
              policy: Policy | None = None) -> pl.DataFrame:  # fmt: skip
    records = Records(frame(SYSTEM, systems), frame(CIRCUIT, circuits), frame(UNIT, units or []), frame(RUN, runs))
    frames, rules = catalog(folder).frames(), policy or load_policy()
    return inputs(prepare(records, frames, rules, date(2026, 1, 31)), frames, rules).frame


def one(*args: Any, **kwargs: Any) -> Row:
    return looked_at(*args, **kwargs).row(0, named=True)


PLACED = {"latitude_deg": 35.0, "longitude_deg": -90.0, "tilt_deg": 20.0, "azimuth_deg": 180.0}


def test_one_unit_at_the_trip_voltage(tmp_path: Path) -> None:
    # P at V_trip draws P/V_trip through every conductor twice: V_supply = V_trip − 2·R·P/V_trip, exactly, at unity
    # power factor and without reactance in the trunk.
    length_m, volts = 50.0, 1.10 * 240
    ohm = SECTION_OHM + OHM_PER_M * length_m
    found = one(
        tmp_path,
        [system(**PLACED)],
        [circuit(inverter_count=1, module_count=1)],
        [run("home run", 1, length_m=length_m), run("feeder")],
    )
    assert found["no_export_pct"] == pytest.approx(100 * (volts - 2 * ohm * 240 / volts) / 240, rel=1e-6)
    assert found["trip_pu"] == 1.10


def test_the_service_drop_and_the_transformer_lie_on_the_path(tmp_path: Path) -> None:
    # A 25 kVA winding of 1.2 % has 1.2 % · 240² / 25,000 = 0.02765 ohm around the loop; the drop is 30 m of 10 AWG.
    volts = 1.10 * 240
    loop = 2 * (SECTION_OHM + OHM_PER_M * (20 + 30)) + 0.012 * 240**2 / 25_000
    found = one(
        tmp_path,
        [system(transformer_kva=25.0, transformer_r_pct=1.2, transformer_x_pct=0.0, **PLACED)],
        [circuit(inverter_count=1, module_count=1)],
        [run("home run", 1, length_m=20.0), run("feeder"), run("service drop", length_m=30.0), run("service entrance")],
    )
    assert found["no_export_pct"] == pytest.approx(100 * (volts - loop * 240 / volts) / 240, rel=1e-6)
    # Both parts add up to the whole, and nothing of the path is assumed.
    assert found["wiring_pct"] + found["service_pct"] == pytest.approx(110 - found["no_export_pct"])
    service = 2 * OHM_PER_M * 30 + 0.012 * 240**2 / 25_000
    assert found["service_pct"] / (110 - found["no_export_pct"]) == pytest.approx(service / loop, rel=1e-3)
    assert not {"service drop", "transformer", "service entrance"} & set(found["assumed"].split("; "))


def test_what_is_not_recorded_is_assumed_and_named(tmp_path: Path) -> None:
    found = one(tmp_path, [system(**PLACED)], [circuit()], [run("home run", 1, length_m=20.0), run("feeder")])
    assumed = load_policy().trips.assume
    exact = 110 - found["no_export_pct"]
    assert found["wiring_pct"] == pytest.approx(exact + assumed.service_entrance_pct)
    assert found["service_pct"] == pytest.approx(assumed.service_drop_pct + assumed.transformer_pct)
    named = set(found["assumed"].split("; "))
    assert {"supply voltage", "neighbours' sun", "service drop", "transformer", "service entrance"} <= named
    assert "sensing error" in named
    assert found["missing"] == ""


def test_without_a_default_the_answer_waits_for_the_fact(tmp_path: Path) -> None:
    rules = load_policy()
    bare = rules.trips.assume.model_copy(update={"service_drop_pct": None, "tilt_deg": None, "sensing_error_pct": None})
    rules = rules.model_copy(update={"trips": rules.trips.model_copy(update={"assume": bare})})
    found = one(
        tmp_path,
        [system(**PLACED | {"tilt_deg": None})],
        [circuit()],
        [run("home run", 1, length_m=20.0), run("feeder")],
        policy=rules,
    )
    assert set(found["missing"].split("; ")) == {"service drop or transformer", "tilt_deg", "sensing error"}


WIRED = [run("home run", 1), run("feeder")]


@pytest.mark.parametrize(
    ("facts", "of_circuit", "runs", "missing"),
    [
        (PLACED, {}, [run("feeder")], "home_run_length_m; home_run_material; home_run_size"),
        (PLACED | {"grid_profile": None}, {}, WIRED, "grid_profile"),
        (PLACED | {"grid_profile": "no such"}, {}, WIRED, "grid_profile"),
        ({"latitude_deg": None}, {}, WIRED, "latitude_deg"),
        (PLACED, {"inverter_count": None}, WIRED, "inverter_count"),
    ],
)
def test_a_missing_fact_is_named(tmp_path: Path, facts: Row, of_circuit: Row, runs: list[Row], missing: str) -> None:
    found = one(tmp_path, [system(**facts)], [circuit(**of_circuit)], runs)
    assert set(missing.split("; ")) <= set(found["missing"].split("; "))


def test_the_unit_with_the_lowest_threshold_decides(tmp_path: Path) -> None:
    units = [
        {"system_id": "S", "circuit_id": "1", "unit_order": 1, "inverter_model": "Unit 240", "inverter_count": 15},
        {"system_id": "S", "circuit_id": "1", "unit_order": 2, "inverter_model": "Unit 240", "inverter_count": 1,
         "grid_profile": "AS/NZS 4777.2:2015 New Zealand"},
    ]  # fmt: skip
    runs = [run("home run", 1, length_m=20.0), run("feeder")]
    found = one(tmp_path, [system(**PLACED)], [circuit()], runs, units)
    # 248 V of 230 V over ten minutes lies below 1.10.
    assert found["trip_profile"] == "AS/NZS 4777.2:2015 New Zealand"
    assert found["trip_pu"] == pytest.approx(248 / 230)
    unknown = [units[0], units[1] | {"grid_profile": "no such"}]
    assert "grid_profile" in one(tmp_path, [system(**PLACED)], [circuit()], runs, unknown)["missing"]


def test_units_to_neutral_on_a_split_phase_service_have_no_exact_answer(tmp_path: Path) -> None:
    found = one(
        tmp_path,
        [system(**PLACED)],
        [circuit(inverter_model="Unit N")],
        [run("home run", 1, length_m=20.0), run("feeder")],
    )
    assert found["missing"] != ""


def test_the_target_takes_what_lies_above_it_off_the_wiring(tmp_path: Path) -> None:
    found = one(
        tmp_path,
        [system(**PLACED)],
        [circuit()],
        [run("home run", 1, length_m=60.0), run("feeder"), run("service entrance")],
    )
    total = found["worst_total_rise_pct"]
    assert total > 2.0
    assert found["target_pct"] == pytest.approx(found["wiring_pct"] * 2.0 / total)

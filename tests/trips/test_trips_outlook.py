"""The trip columns of whole systems against the independent simulation, what is unknown, and tables that are kept."""

from __future__ import annotations

import os
import sys
import time
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from auditor.catalog import load_catalog
from auditor.likelihood.grid import nodes_at
from auditor.likelihood.inputs import Profile, Threshold
from auditor.likelihood.lookup import Places, trip_days
from auditor.likelihood.output import day_shapes
from auditor.likelihood.table import make_table
from auditor.policy import Policy, load_policy
from auditor.prepare import Records, prepare
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT
from auditor.trips import COLUMNS, MEMORY, Tables, outlook
from auditor.trips.planes import plane_classes, plane_of, shapes_of, sun_factor
from auditor.trips.profiles import settings_by_spelling
from auditor.trips.supply import character
from auditor.trips.tables import _MEMORY, LEFT_AFTER_S, Wanted

sys.path.insert(0, str(Path(__file__).parents[1] / "prepare"))
sys.path.insert(0, str(Path(__file__).parents[1] / "likelihood"))
from prepare_cases import Row, catalog, circuit, frame, run, system
from trip_simulator import Unit, Weather, simulate

AS_OF = date(2026, 5, 31)
PLACED = {"latitude_deg": 30.0, "longitude_deg": -90.0, "tilt_deg": 15.0, "azimuth_deg": 180.0}
RUNS = [run("home run", 1, length_m=40.0), run("feeder"), run("service entrance"), run("service drop", length_m=30.0)]


def policy(level_pct: float, **more: float) -> Policy:
    """The default policy with another supply."""
    rules = load_policy()
    figures = {"level_pct": level_pct, "site_pct": 0.0, "day_pct": 0.0, "beta_sd_pct": 0.0, **more}
    return rules.model_copy(update={"supply": rules.supply.model_copy(update=figures)})


def looked_at(folder: Path, rules: Policy, runs: list[Row] = RUNS, modules: int = 16, **facts: Any) -> Row:
    usual = PLACED | {"transformer_kva": 25.0, "customers_on_transformer": 1}
    systems, circuits = [system(**usual | facts)], [circuit(module_count=modules)]
    records = Records(frame(SYSTEM, systems), frame(CIRCUIT, circuits), frame(UNIT, []), frame(RUN, runs))
    frames = catalog(folder).frames()
    found = outlook(prepare(records, frames, rules, AS_OF), frames, rules, AS_OF, MEMORY)
    assert tuple(found.columns) == ("system_id", *COLUMNS)
    return found.row(0, named=True)


#: A system near the plane that stands for its class, and one at the class's edge: `planes` says what that may cost.
@pytest.mark.parametrize(("modules", "off"), [(15, 0.06), (16, 0.17)])
def test_trip_days_of_a_system_are_those_of_its_days_simulated(tmp_path: Path, modules: int, off: float) -> None:
    rules = policy(104.0, feeder_beta_pct=0.8)
    assume = rules.trips.assume.model_copy(update={"sensing_error_pct": 0.0})
    rules = rules.model_copy(update={"trips": rules.trips.model_copy(update={"assume": assume})})
    found = looked_at(tmp_path, rules, modules=modules)
    supply = rules.supply
    dev = np.array(supply.month_pct)[:, None] + np.array(supply.hour_pct)[None, :]
    dev -= dev.mean()
    # The system's own days: so many modules of 300 W on 16 units of 240 W.
    shapes = day_shapes(30.0, 0.0, 15.0, 180.0, modules * 300 / (16 * 240), supply.clearness, kinds=3, sequences=1)
    # IEEE 1547-2018 category II: 1.10 in 2 s, 1.20 in 0.16 s; return under 1.05 after 300 s, ramp of 300 s.
    unit = Unit(instant=((110.0, 2.0), (120.0, 0.16)), ceiling=105.0, delay=300.0, ramp=300.0)
    hours = np.arange(288) // 12
    rise = found["headroom_service_pct"] + found["headroom_wiring_pct"]
    expected = 0.0
    for seed, (f, month, count) in enumerate(zip(shapes.output, shapes.month, shapes.days, strict=True)):
        weather = Weather(
            f=f, mean=104.0 + dev[month, hours], sigma=supply.sigma_pct, rho=supply.rho, day=0.0,
            peak=supply.peak_pct, beta=0.8, rise=rise,
        )  # fmt: skip
        expected += count * simulate(unit, weather, 400, seed)["tripped"][0]
    assert 20 < expected < 60
    assert found["trip_days_per_year"] == pytest.approx(expected, rel=off)
    assert found["trip_band"] == ("most weeks" if found["trip_days_per_year"] >= 52 else "most months")


def test_the_room_is_used_by_supply_service_and_wiring(tmp_path: Path) -> None:
    found = looked_at(tmp_path, policy(103.0))
    supply = load_policy().supply
    # The mean in the sun lies above the year's by less than the highest hour, and the feeder's sun is added to it.
    assert 3.0 + supply.feeder_beta_pct < found["headroom_supply_pct"] < 4.5
    assert found["supply_share"] + found["service_share"] + found["wiring_share"] == pytest.approx(1.0)
    assert found["first_threshold_pct"] == pytest.approx(110.0)
    assert found["supply_level_pct"] == 103.0


def test_more_supply_or_wire_never_means_fewer_trip_days(tmp_path: Path) -> None:
    days = [looked_at(tmp_path, policy(level))["trip_days_per_year"] for level in (101.0, 103.0, 105.0, 107.0)]
    assert days == sorted(days)
    assert days[-1] > days[0]
    longer = [run("home run", 1, length_m=90.0), *RUNS[1:]]
    assert looked_at(tmp_path, policy(105.0), longer)["trip_days_per_year"] > days[2]


def test_what_the_target_would_save(tmp_path: Path) -> None:
    # The trunk's 1.33 %, and 16 A through 8 m or 40 m of 10 AWG there and back: 0.43 or 2.2 % of 240 V, against 2 %.
    short = [run("home run", 1, length_m=8.0), *RUNS[1:]]
    assert looked_at(tmp_path, policy(105.0), short)["trip_days_saved_at_target"] == pytest.approx(0.0, abs=1e-9)
    found = looked_at(tmp_path, policy(105.0))
    assert 0 < found["trip_days_saved_at_target"] < found["trip_days_per_year"]


def test_the_coming_days_are_those_of_the_season(tmp_path: Path) -> None:
    summer = looked_at(tmp_path, policy(104.0))["trip_chance_30d"]
    records = Records(frame(SYSTEM, [system(**PLACED)]), frame(CIRCUIT, [circuit()]), frame(UNIT, []), frame(RUN, RUNS))
    frames, rules = catalog(tmp_path).frames(), policy(104.0)
    winter_day = date(2026, 12, 1)
    winter = outlook(prepare(records, frames, rules, winter_day), frames, rules, winter_day, MEMORY)
    assert winter["trip_chance_30d"][0] < summer


def test_an_unknown_system_has_no_figure_and_names_what_it_waits_for(tmp_path: Path) -> None:
    found = looked_at(tmp_path, policy(103.0), grid_profile=None)
    known = ("supply_level_pct", "supply_site_pct", "neighbours_sun_pct", "supply_from", "output_from", "trip_assumed")
    assert {name for name, value in found.items() if value is not None} == {*known, "trip_missing", "system_id"}
    assert found["trip_missing"] == "grid_profile"


def test_what_is_assumed_is_named_and_the_most_telling_is_among_it(tmp_path: Path) -> None:
    found = looked_at(tmp_path, policy(103.0))
    assert {"supply voltage", "sensing error", "volt-watt as delivered"} <= set(found["trip_assumed"].split("; "))
    assert "transformer" not in found["trip_assumed"].split("; ")
    assert found["trip_most_telling"] in ("supply level", "neighbours' sun", "spread of the supply level")


def test_a_class_and_a_factor_stand_for_planes() -> None:
    """Trip-days of each system's own days against those of its class, as the module's docstring states the errors."""
    clearness, profile = load_policy().supply.clearness, Profile((Threshold(110.0, 2.0),), 105.0, 300.0, 300.0)
    supply = character(load_policy().supply)
    planes = ((48.0, 15.0, 260.0, 1.05), (31.0, 33.0, 110.0, 1.37), (38.0, 30.0, 150.0, 1.15), (-40.0, 12.0, 20.0, 1.2))
    errors = []
    for plane in planes:
        latitude, tilt, azimuth, ratio = plane
        own = day_shapes(latitude, 0.0, tilt, azimuth, ratio, clearness, kinds=3, sequences=1)
        keys = plane_classes(*(np.array([value]) for value in plane))
        stands = plane_of(tuple(keys[0].tolist()))
        names = ("latitude_deg", "tilt_deg", "azimuth_deg", "dc_ac_ratio")
        factor = float(sun_factor(pl.DataFrame([plane], schema=names, orient="row"), stands, clearness, 3)[0])
        rise = 3.0
        for level in (103.0, 105.0):
            days = []
            for shapes, by in ((own, 1.0), (shapes_of(stands, clearness, 3), factor)):
                at = Places(*(np.array([value]) for value in (level, rise * by, 0.0, 1.0)))
                spread = float(np.hypot(1.0, supply.day_pct))
                nodes = nodes_at(
                    profile, supply, (rise * by,), (0.0,), (0.0, 1.0, spread), ((rise * by,), (0.0,)), ratio_step=2
                )
                table = make_table(profile, supply, shapes, np.zeros(12), nodes, headline_only=True)
                days.append(float(trip_days(table, at)[0]))
            errors.append(days[1] / days[0] - 1)
    assert np.sqrt(np.mean(np.square(errors))) < 0.12
    assert np.abs(errors).max() < 0.20


def wanted() -> Wanted:
    rules, frames = load_policy(), load_catalog().frames()
    profile = settings_by_spelling(["IEEE 1547-2003"], frames, rules)["IEEE 1547-2003"].profile
    assert profile is not None
    return Wanted(profile, character(rules.supply), plane_of((3, 0, 0)), rules.supply.clearness, 1)


def test_a_table_is_made_once_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("AUDITOR_TABLES", raising=False)
    one, days = wanted(), np.array([30.0, *[0.0] * 11])
    _MEMORY.tables.pop(one.key(), None)
    # What a process left that was killed goes; what another one is writing stays.
    for name, age_s in ((".left.1.1.npz", 2 * LEFT_AFTER_S), (".other.2.2.npz", 0.0)):
        (tmp_path / name).write_bytes(b"half")
        os.utime(tmp_path / name, (time.time() - age_s,) * 2)
    counts: list[int] = []
    first = Tables(tmp_path, counts.append).get(one, days)
    assert counts == [1]
    assert sorted(path.name for path in tmp_path.iterdir()) == [".other.2.2.npz", f"{one.key()}.npz"]
    (tmp_path / ".other.2.2.npz").unlink()
    assert Tables(tmp_path, counts.append).get(one, days) is first
    kept = [path.name for path in tmp_path.iterdir()]
    assert kept == [f"{one.key()}.npz"]
    _MEMORY.tables.pop(one.key())
    again = Tables(tmp_path, counts.append).get(one, days)
    assert counts == [1]
    assert all(np.array_equal(again.as_arrays()[name], value) for name, value in first.as_arrays().items())
    # A file that is cut short, and one that is none, are made anew.
    for text in ((tmp_path / kept[0]).read_bytes()[:200], b"nothing"):
        (tmp_path / kept[0]).write_bytes(text)
        _MEMORY.tables.pop(one.key())
        remade = Tables(tmp_path, counts.append).get(one, days)
        assert np.array_equal(remade.mean.logs, first.mean.logs)
    assert counts == [1, 1, 1]


def test_other_days_ahead_need_no_new_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("AUDITOR_TABLES", raising=False)
    counts: list[int] = []
    tables, one = Tables(tmp_path, counts.append), wanted()
    _MEMORY.tables.pop(one.key(), None)
    winter = tables.get(one, np.array([30.0, *[0.0] * 11]))
    summer = tables.get(one, np.array([*[0.0] * 5, 30.0, *[0.0] * 6]))
    assert counts == [1]
    assert winter.chance is not None
    assert summer.chance is not None
    assert not np.array_equal(winter.chance.logs, summer.chance.logs)
    assert np.array_equal(winter.mean.logs, summer.mean.logs)


def test_whatever_a_table_is_made_of_is_in_its_name() -> None:
    one = wanted()
    supply = character(load_policy().supply.model_copy(update={"sigma_pct": 0.6}))
    others = [
        one._replace(profile=Profile(one.profile.thresholds, 105.0, 300.0, 0.0)),
        one._replace(supply=supply),
        one._replace(plane=plane_of((3, 1, 0))),
        one._replace(clearness=(0.5,) * 12),
        one._replace(kinds=2),
    ]
    assert len({one.key(), *(other.key() for other in others)}) == 6
    assert wanted().key() == one.key()

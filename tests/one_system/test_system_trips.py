"""Trips of one system: when they fall, and before and after a what-if."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest
from one_system_cases import single

from auditor.audit import audit
from auditor.errors import AuditorError
from auditor.one_system import Case, load
from auditor.one_system.case import _evidence
from auditor.one_system.trips import by_month_and_hour, waits_for
from auditor.one_system.what_if import Change, trip_comparison, what_if
from auditor.prepare import Records
from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]
#: How far the sum of the map may be from the trips a year of the tables, by grid profile: the module
#: `trip_likelihood` states it, and that it is up to a quarter under ten-minute rules.
OFF, OFF_TEN_MINUTES = 0.1, 1 / 6


def placed(folder: Path) -> Case:
    """The system of round figures, in a place and on a plane, so that its likelihood is known; days of one kind."""
    case = single(folder)
    trips = case.policy.trips.model_copy(update={"kinds_of_day": 1})
    case = replace(case, policy=case.policy.model_copy(update={"trips": trips}))
    at = {"latitude_deg": 40.0, "tilt_deg": 20.0, "azimuth_deg": 180.0}
    system = case.records.system.with_columns(pl.lit(value).alias(name) for name, value in at.items())
    return case.with_records(Records(system, case.records.circuit, case.records.unit, case.records.run))


def busiest(store: Store, condition: str) -> Case:
    with open_snapshot(store) as con:
        query = f"SELECT system_id FROM system_result WHERE {condition} ORDER BY trip_days_per_year DESC NULLS LAST"
        return load(con, con.execute(query).fetchall()[0][0])


@pytest.mark.parametrize("condition", ["trip_profile = 'Ennick Valley 2012'", "trip_profile = 'Lowmarsh Rule 9'"])
def test_the_months_and_hours_sum_to_the_trips_a_year(sample_store: SampleStore, condition: str) -> None:
    case = busiest(sample_store[0], condition)
    found = by_month_and_hour(case)
    assert found is not None
    assert found.per_year == case.stored.system["trips_per_year"][0] > 0.0  # type: ignore[union-attr]
    assert found.trips.sum() == pytest.approx(found.per_year, rel=OFF)
    # No sun, no trip: sunrise is after three and sunset before nine at these latitudes, by the sun's time.
    assert found.trips[:, [0, 1, 2, 21, 22, 23]].sum() == 0.0
    assert 9 <= found.trips.sum(axis=0).argmax() <= 14


def test_the_southern_year_is_turned_round(sample_store: SampleStore) -> None:
    """South of the equator the sun stands higher in December than in June, and so trips the output."""
    found = by_month_and_hour(busiest(sample_store[0], "trip_profile = 'Tallis General'"))
    assert found is not None
    assert found.plane[0] < 0.0
    assert found.trips.sum() == pytest.approx(found.per_year, rel=OFF_TEN_MINUTES)
    assert found.trips[[10, 11, 0]].sum() > 3 * found.trips[[4, 5, 6]].sum()


def test_without_an_input_there_is_nothing_to_draw(tmp_path: Path) -> None:
    assert by_month_and_hour(single(tmp_path)) is None, "no latitude"


def test_the_rise_and_the_trip_days_go_together(tmp_path: Path) -> None:
    case = placed(tmp_path)
    same = trip_comparison(what_if(case, []))
    assert same["before"].to_list() == same["after"].to_list()
    assert same["before"].null_count() < same.height
    days = {}
    for size in ("14 AWG", "10 AWG", "6 AWG"):
        done = what_if(case, [Change("home_run_size", size, "1"), Change("supply_level", "105")])
        days[size] = (done.after.circuit["total_rise_pct"][0], done.after.system["trip_days_per_year"][0])
    rises, trips = zip(*days.values(), strict=True)
    assert list(rises) == sorted(rises, reverse=True)
    assert list(trips) == sorted(trips, reverse=True)
    assert trips[0] > 1.2 * trips[2]
    as_recorded = what_if(case, [Change("supply_level", "105")]).after.system["trip_days_per_year"][0]
    assert as_recorded == days["10 AWG"][1]


def test_a_supply_level_stands_for_the_policys_own(tmp_path: Path) -> None:
    case = placed(tmp_path)
    by_pct = what_if(case, [Change("supply_level", "105")]).after.system
    # 105 % of 240 V are 252 V.
    by_volts = what_if(case, [Change("supply_level", "252 V")]).after.system
    assert by_volts["trip_days_per_year"][0] == pytest.approx(by_pct["trip_days_per_year"][0], rel=1e-9)
    supply = case.policy.supply.model_copy(update={"level_pct": 105.0})
    rules = case.policy.model_copy(update={"supply": supply})
    assert by_pct.equals(audit(case.records, case.frames, rules, case.as_of).system)
    assert by_pct["supply_level_pct"][0] == 105.0
    assert by_pct["verdict"][0] == case.results.system["verdict"][0], "no check reads the supply"


def test_a_profile_with_more_room_trips_less(tmp_path: Path) -> None:
    # IEEE 1547-2018 Table 13: category III clears 1.10 within 13 s, category II (Table 12) within 2 s.
    case, level = placed(tmp_path), Change("supply_level", "106")
    now = what_if(case, [level]).after.system
    done = what_if(case, [level, Change("grid_profile", "IEEE 1547-2018 Category III")])
    assert done.after.system["trip_profile"][0] == "IEEE 1547-2018 Category III"
    assert 0.0 < done.after.system["trip_days_per_year"][0] < now["trip_days_per_year"][0]
    assert any("utility's consent" in note for note in done.notes)


def test_what_the_trip_days_wait_for_is_told(tmp_path: Path) -> None:
    done = what_if(single(tmp_path), [Change("supply_level", "105")])
    assert waits_for(done.after.system["trip_missing"][0]) == ["latitude"]
    assert trip_comparison(done)["after"].null_count() == trip_comparison(done).height


@pytest.mark.parametrize(
    ("text", "says"),
    [("high", "write percent of nominal"), ("140", "between 80 and 120"), ("2520 V", "between 80"), ("nan", "write")],
)
def test_a_supply_level_that_cannot_be_is_said(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(AuditorError, match=says):
        what_if(single(tmp_path), [Change("supply_level", text)])


def test_a_run_that_holds_logs_and_no_supplies_tells_its_logs() -> None:
    with duckdb.connect() as con:
        con.execute("CREATE TABLE observed AS SELECT 'S' AS system_id, 1 AS month")
        told = _evidence(con, "S")
        assert told is not None and told.months["month"].to_list() == [1] and told.supplies.height == 0
        assert _evidence(con, "T") is None

"""One system solved directly, against the table, and its map by month and hour against a simulation."""

from __future__ import annotations

import numpy as np
import pytest
from likelihood_cases import PROFILES, days, supply, systems, table, unit_of, weather_of
from trip_simulator import simulate

from auditor.likelihood.direct import month_by_hour, solve_one
from auditor.likelihood.inputs import DayShapes
from auditor.likelihood.results import system_results

BANDS = (0.1, 1.0, 10.0)
WINDOW = np.array([0.0, 0, 0, 0, 0, 30, 0, 0, 0, 0, 0, 0])
HEADLINES = ("trip_days_per_year", "trip_days_per_year_median", "trip_chance_year", "trip_chance_30d")


@pytest.mark.parametrize("name", ["runs on", "ceases", "volt-watt"])
def test_a_system_solved_directly_has_the_columns_of_the_table(name: str) -> None:
    some = systems(2, level_pct=np.array([103.2, 105.0]), units=np.array([1.0, 9.0]), sensing_pct=0.2)
    direct = solve_one(PROFILES[name], supply(), days(), some, WINDOW, BANDS)
    ours = system_results(table(name), some, BANDS)
    assert set(direct.columns) == set(ours.columns)
    assert direct.band.tolist() == ours.band.tolist()
    for column in HEADLINES:
        assert ours.columns[column] == pytest.approx(direct.columns[column], rel=0.03, abs=5e-4), column
    for column in ("supply_share", "service_share", "wiring_share"):
        assert ours.columns[column] == pytest.approx(direct.columns[column], abs=0.02), column


def test_systems_solved_together_are_as_each_alone() -> None:
    some = systems(2, level_pct=np.array([102.0, 104.0]), wiring_pct=np.array([1.0, 4.0]))
    both = solve_one(PROFILES["runs on"], supply(), days(), some, WINDOW, BANDS)
    alone = solve_one(PROFILES["runs on"], supply(), days(), systems(level_pct=104.0, wiring_pct=4.0), WINDOW, BANDS)
    assert all(np.array_equal(both.columns[name][1:], alone.columns[name], equal_nan=True) for name in alone.columns)


def test_a_missing_input_leaves_no_result_there_either() -> None:
    got = solve_one(PROFILES["runs on"], supply(), days(), systems(site_pct=np.nan), WINDOW, BANDS)
    assert list(got.missing) == ["site_pct"]
    assert all(np.isnan(values[0]) for values in got.columns.values())


def test_the_map_by_month_and_hour_sums_to_the_trips_and_lies_in_daylight() -> None:
    got = month_by_hour(PROFILES["runs on"], supply(), days(), systems(), 0)
    assert got.shape == (12, 24)
    direct = solve_one(PROFILES["runs on"], supply(), days(), systems(), WINDOW, BANDS)
    assert got.sum() == pytest.approx(direct.columns["trips_per_year"][0], rel=0.02)
    assert got[:, :4].sum() < 1e-6 * got.sum()
    assert 10 <= got[5].argmax() <= 14
    assert got[1].sum() < 1e-9  # the class holds no such month


def test_the_map_of_a_month_is_what_its_days_hold() -> None:
    """Trips of one day of June with the day's and the site's spread, drawn."""
    f = days().output[4]
    shapes = DayShapes(f[None], np.array([5]), np.array([30.0]))
    got = month_by_hour(PROFILES["runs on"], supply(), shapes, systems(level_pct=104.0, site_pct=0.6), 0)
    weather = weather_of(supply(), f, 5, 104.0, beta=0.5, rise=3.0, site=0.6)
    mean, error = simulate(unit_of(PROFILES["runs on"]), weather, 20_000, 4)["trips"]
    assert abs(got.sum() / 30.0 - mean) < 4 * error

"""The results' columns: what is missing, what belongs to one row only, shares, units, and what an input moves."""

from __future__ import annotations

from dataclasses import fields
from itertools import permutations

import numpy as np
import pytest
from likelihood_cases import PROFILES, day, supply, systems, table, unit_of, weather_of
from scipy.special import ndtri
from trip_simulator import simulate

from auditor.likelihood.attribution import PARTS, shapley, shares
from auditor.likelihood.inputs import DayShapes, Systems
from auditor.likelihood.lookup import Places, trip_days
from auditor.likelihood.results import Assumptions, most_sensitive_unit, system_results
from auditor.likelihood.table import Table, make_table
from auditor.likelihood.units import QUANTILES, unit_at

BANDS = (0.1, 1.0, 10.0)
COLUMNS = {
    "trip_days_per_year", "trip_days_per_year_median", "trip_days_per_year_low", "trip_days_per_year_high",
    "trip_chance_year", "trip_chance_30d", "trips_per_year", "episodes_per_year", "lost_kwh_per_year",
    "curtailed_kwh_per_year", "headroom_supply_pct", "headroom_service_pct", "headroom_wiring_pct", "supply_share",
    "service_share", "wiring_share", "trip_days_saved_at_target", "hours_over", "cessation_hours", "units_off_share",
}  # fmt: skip


def many(n: int = 1500) -> Systems:
    rng = np.random.default_rng(8)
    return systems(
        n,
        level_pct=rng.uniform(100, 107, n),
        site_pct=rng.choice([0.3, 0.8, 1.3], n),
        beta_pct=rng.uniform(0, 3, n),
        beta_sd_pct=rng.uniform(0, 0.6, n),
        service_pct=rng.uniform(0, 2, n),
        wiring_pct=rng.uniform(0, 5, n),
        units=rng.integers(1, 50, n),
        sensing_pct=rng.choice([0.0, 0.3], n),
    )


def picked(all_systems: Systems, rows: object) -> Systems:
    return Systems(**{field.name: getattr(all_systems, field.name)[rows] for field in fields(Systems)})


def test_the_columns_are_those_promised() -> None:
    assert set(system_results(table("runs on"), systems(), BANDS).columns) == COLUMNS


@pytest.mark.parametrize("name", ["runs on", "ceases", "ten minutes, fixed, droop"])
def test_a_systems_results_do_not_depend_on_its_neighbours(name: str) -> None:
    everyone = many()
    together = system_results(table(name), everyone, BANDS)
    for size in (1, 7, 1000):
        for start in (0, 3, 499):
            rows = np.arange(start, min(start + size, 1500))
            alone = system_results(table(name), picked(everyone, rows), BANDS)
            for column, values in alone.columns.items():
                assert np.array_equal(values, together.columns[column][rows], equal_nan=True), column
            assert np.array_equal(alone.band, together.band[rows])


def test_a_missing_input_leaves_no_result_and_is_named() -> None:
    for name in ("level_pct", "site_pct", "beta_pct", "service_pct", "wiring_pct", "units", "sensing_pct"):
        got = system_results(
            table("runs on"), systems(2, **{name: np.array([np.nan, getattr(systems(), name)[0]])}), BANDS
        )
        assert list(got.missing) == [name]
        assert got.missing[name].tolist() == [True, False]
        assert all(np.isnan(values[0]) for values in got.columns.values())
        assert not any(
            np.isnan(values[1]) for values in got.columns.values() if values is not got.columns["wiring_share"]
        )
        assert got.band[0] == -1
    some = system_results(table("runs on"), systems(rated_kw=np.nan, target_pct=np.nan), BANDS)
    empty = {name for name, values in some.columns.items() if np.isnan(values[0])}
    assert empty == {"lost_kwh_per_year", "curtailed_kwh_per_year", "trip_days_saved_at_target"}


def test_shapley_values_against_all_orders_of_arrival() -> None:
    """The definition: a part's mean addition over all orders (Shapley 1953)."""
    rng = np.random.default_rng(1)
    names = ("a", "b", "c")
    worth = {
        frozenset(x for x, bit in zip(names, f"{k:03b}", strict=True) if bit == "1"): rng.random(4) for k in range(8)
    }
    got = shapley(worth, names)
    for name in names:
        added = [
            worth[frozenset(order[: order.index(name) + 1])] - worth[frozenset(order[: order.index(name)])]
            for order in permutations(names)
        ]
        assert np.allclose(got[name], np.mean(added, axis=0))
    assert np.allclose(sum(got.values()), worth[frozenset(names)] - worth[frozenset()])


def test_shares_sum_to_one_and_treat_equals_alike() -> None:
    got = system_results(table("runs on"), many(), BANDS)
    total = sum(got.columns[f"{part}_share"] for part in PARTS)
    assert np.allclose(total[~np.isnan(total)], 1.0)
    # service and wiring act alike on a unit's voltage
    one = system_results(table("runs on"), systems(service_pct=1.4, wiring_pct=2.2), BANDS).columns
    other = system_results(table("runs on"), systems(service_pct=2.2, wiring_pct=1.4), BANDS).columns
    assert one["service_share"][0] == pytest.approx(other["wiring_share"][0], rel=1e-12)
    assert one["supply_share"][0] == pytest.approx(other["supply_share"][0], rel=1e-12)
    none = shares(lambda present: np.zeros(1))
    assert all(np.isnan(share[0]) for share in none.values())


def test_headroom_adds_up_for_a_calm_supply() -> None:
    got = system_results(table("runs on"), systems(level_pct=103.0, beta_pct=0.7), BANDS).columns
    assert got["headroom_supply_pct"][0] == pytest.approx(3.7 + table("runs on").output_dev_pct)
    assert got["headroom_service_pct"][0] == 0.6
    assert got["headroom_wiring_pct"][0] == 2.4


def test_meeting_the_target_saves_what_the_rise_above_it_adds() -> None:
    t = table("runs on")
    over = system_results(t, systems(wiring_pct=3.5), BANDS).columns
    at_target = system_results(t, systems(wiring_pct=2.0), BANDS).columns
    saved = over["trip_days_per_year"] - at_target["trip_days_per_year"]
    assert over["trip_days_saved_at_target"][0] == pytest.approx(saved[0])
    assert system_results(t, systems(wiring_pct=1.5), BANDS).columns["trip_days_saved_at_target"][0] == 0.0


def test_bands_take_the_boundaries_given() -> None:
    t = table("runs on")
    days = system_results(t, many(), BANDS)
    expected = [sum(x >= edge for edge in BANDS) for x in days.columns["trip_days_per_year"]]
    assert days.band.tolist() == expected


def test_the_most_sensitive_input_is_an_assumed_one_that_moves_most() -> None:
    t = table("runs on")
    ranges = {"level_pct": 1.0, "beta_pct": 0.4, "service_pct": 0.1}
    yes, no = np.array([True]), np.array([False])
    for assumed, expected in (((yes, yes, yes), "level_pct"), ((no, yes, yes), "beta_pct"), ((no, no, no), "")):
        told = Assumptions(dict(zip(ranges, assumed, strict=True)), ranges, {})
        assert system_results(t, systems(), BANDS, told).most_sensitive_input[0] == expected
    # an assumption inside the table moves with tables of its own
    other = table("one second")
    told = Assumptions({"beta_pct": yes, "clearing": yes}, {"beta_pct": 0.001}, {"clearing": (t, other)})
    assert system_results(t, systems(), BANDS, told).most_sensitive_input[0] == "clearing"


def solo(name: str, f: np.ndarray) -> Table:
    """A table of one day of June."""
    return make_table(PROFILES[name], supply(), DayShapes(f[None], np.array([5]), np.array([1.0])), np.zeros(12))


@pytest.mark.parametrize(
    ("name", "level", "rise", "beta", "units", "sensing", "room"),
    [
        ("runs on", 104.5, 3.0, 0.5, 16, 0.3, 0.3),
        ("runs on", 105.5, 3.0, 0.5, 8, 0.5, 0.3),
        ("runs on", 104.5, 6.0, 0.5, 16, 0.5, 0.3),
        ("ten minutes, sliding", 104.0, 4.0, 1.0, 12, 0.4, 0.4),
    ],
)
def test_units_with_offsets_against_a_simulation_of_all_of_them(
    name: str, level: float, rise: float, beta: float, units: int, sensing: float, room: float
) -> None:
    """The chance of any trip within the error of the draw; the loss over all units is an approximation."""
    f = day(5, 1.0)
    t = solo(name, f)
    drawn = simulate(
        unit_of(PROFILES[name]),
        weather_of(supply(), f, 5, level, beta=beta, rise=rise, units=units, offset=sensing), 3000, 9,
    )  # fmt: skip
    # the simulation draws the day's spread anew each day, with offsets anew as well
    one = systems(
        level_pct=level, site_pct=0.0, beta_pct=beta, service_pct=0.0, wiring_pct=rise, units=units, sensing_pct=sensing
    )
    any_trip = trip_days(t, most_sensitive_unit(t.trip_output, one))[0]
    assert abs(any_trip - drawn["tripped"][0]) < 4.2 * drawn["tripped"][1] + 0.02
    lost_kwh = system_results(t, one, BANDS).columns["lost_kwh_per_year"][0]
    assert lost_kwh / 5.0 == pytest.approx(drawn["lost_h"][0], rel=room)


def test_a_single_unit_is_alone() -> None:
    for quantile in QUANTILES:
        offset, on = unit_at(quantile, np.array([1.0, 9.0, 9.0]), np.array([0.3, 0.3, 0.0]), True)
        assert on[0] == on[2] == 1.0
        assert on[1] < 1.0
        assert offset[0] == pytest.approx(0.3 * ndtri(quantile))


def test_an_uncertain_sun_widens_the_answer() -> None:
    """Against the mean over drawn suns, each known: the shift of the level at the output of trips stands for it."""
    t = table("runs on")
    rng = np.random.default_rng(6)
    beta = np.maximum(rng.normal(1.5, 0.4, 20_000), 0.0)
    n = beta.size
    drawn = trip_days(t, Places(np.full(n, 103.0), np.full(n, 3.0), beta, np.full(n, 0.6))).mean()
    ours = system_results(t, systems(level_pct=103.0, beta_pct=1.5, beta_sd_pct=0.4, site_pct=0.6), BANDS)
    assert ours.columns["trip_days_per_year"][0] == pytest.approx(drawn, rel=0.06)

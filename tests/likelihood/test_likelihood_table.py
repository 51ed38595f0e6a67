"""The table: what interpolation costs, a year against a simulation, and the sentences it has to bear out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from likelihood_cases import PROFILES, day, days, one_day, supply, table, unit_of, weather_of
from scipy.stats import norm
from trip_simulator import simulate

from auditor.likelihood.inputs import DayShapes
from auditor.likelihood.lookup import Places, loss_results, trip_days, trip_results
from auditor.likelihood.table import Table, make_table

KINDS = ("runs on", "ceases", "volt-watt", "ten minutes, fixed, droop", "ten minutes, sliding")


def at(level: float, rise: float, beta: float, site: float) -> Places:
    return Places(np.array([level]), np.array([rise]), np.array([beta]), np.array([site]))


@pytest.mark.parametrize("name", KINDS)
def test_a_year_with_an_uncertain_site_is_the_mean_over_simulated_sites(name: str) -> None:
    """Sites drawn apart from each other, each day of each shape; the most that is asked of the whole table."""
    profile, s, shapes = PROFILES[name], supply(), days()
    level, rise, beta, site = profile.first_pct - 6.2, 2.7, 1.1, 0.9
    drawn = dict.fromkeys(("tripped", "trips", "lost_h", "curtailed_h", "over_h", "ceased_h"), 0.0)
    spread = dict(drawn)
    for k, (f, month, weight) in enumerate(zip(shapes.output, shapes.month, shapes.days, strict=True)):
        got = simulate(
            unit_of(profile), weather_of(s, f, int(month), level, beta=beta, rise=rise, site=site), 1500, 70 + k
        )
        for what in drawn:
            drawn[what] += weight * got[what][0]
            spread[what] += (weight * got[what][1]) ** 2
    trips = trip_results(table(name), at(level, rise, beta, site))
    losses = loss_results(table(name), at(level, rise, beta, site))
    ours = {"tripped": trips["mean"], "trips": trips["trips"], **{k: losses[k] for k in drawn if k in losses}}
    for what, value in ours.items():
        assert abs(value[0] - drawn[what]) <= 4 * np.sqrt(spread[what]) + 0.02 * drawn[what], what


def test_quantiles_are_the_answers_at_the_sites_quantiles() -> None:
    """The answer grows with the level, so its quantiles are those of the level."""
    t = table("runs on")
    got = trip_results(t, at(103.4, 2.7, 1.1, 0.8))
    for what, chance in (("median", 0.5), ("low", 0.1), ("high", 0.9)):
        there = trip_days(t, at(103.4 + 0.8 * norm.ppf(chance), 2.7, 1.1, 0.0))
        assert got[what][0] == pytest.approx(there[0], rel=0.02)


def test_the_chance_of_a_year_is_the_mean_over_sites_of_the_product_over_days() -> None:
    t, z = table("runs on"), np.linspace(-4.5, 4.5, 181)
    weight = norm.pdf(z) / norm.pdf(z).sum()
    none = np.zeros(z.size)
    for k, place in enumerate(z):
        none[k] = 1 - trip_results(t, at(103.0 + 0.8 * place, 2.7, 1.1, 0.0))["chance_year"][0]
    got = trip_results(t, at(103.0, 2.7, 1.1, 0.8))["chance_year"][0]
    assert got == pytest.approx(1 - np.sum(weight * none), rel=0.01)


def test_the_chance_at_a_known_site_is_the_product_over_its_days() -> None:
    level, rise, beta = 103.2, 2.7, 1.1
    chance = {}
    for f, month in zip(days().output, days().month, strict=True):
        chance.setdefault(int(month), []).append(
            one_day(PROFILES["runs on"], supply(), f, int(month), level, rise, beta)["tripped"]
        )
    by_month = {month: np.mean(both) for month, both in chance.items()}
    known = trip_results(table("runs on"), at(level, rise, beta, 0.0))
    per_month = 365.0 / 4
    survived = np.prod([(1 - q) ** per_month for q in by_month.values()])
    assert known["chance_year"][0] == pytest.approx(1 - survived, rel=0.02)
    assert known["mean"][0] == pytest.approx(per_month * sum(by_month.values()), rel=0.02)
    # the coming thirty days all lie in the sixth month
    assert known["chance_30d"][0] == pytest.approx(1 - (1 - by_month[5]) ** 30, rel=0.02)


def test_a_poisson_rate_of_trips_overstates_the_chance() -> None:
    """As in the design: trips come in clusters and sites differ, so 1 − exp(−rate) is too high."""
    got = trip_results(table("runs on"), at(102.3, 2.7, 1.1, 1.0))
    poisson = 1 - np.exp(-got["trips"][0])
    assert poisson > 1.3 * got["chance_year"][0]


def test_the_median_alone_misleads() -> None:
    """Median of a few hundredths a year, mean above one."""
    got = trip_results(table("runs on"), at(101.2, 2.7, 1.1, 1.4))
    assert got["median"][0] < 0.1
    assert got["mean"][0] > 1.0


def test_whether_noon_runs_high_or_low_decides() -> None:
    """One mean and spread of the year gives many hours or few: the mean by hour decides, here as in simulated slots."""
    wave = np.cos((np.arange(24) + 0.5 - 12.5) / 12 * np.pi)[None, :]
    hours = {}
    for name, sign in (("high", 1.0), ("low", -1.0)):
        s = replace(supply(), dev_pct=np.tile(sign * 0.9 * wave, (12, 1)))
        ours = one_day(PROFILES["runs on"], s, day(5, 1.0), 5, 105.4, 3.0, 0.5)["over_h"]
        drawn = simulate(
            unit_of(PROFILES["runs on"]), weather_of(s, day(5, 1.0), 5, 105.4, beta=0.5, rise=3.0), 6000, 3
        )
        assert abs(ours - drawn["over_h"][0]) < 4 * drawn["over_h"][1] + 0.004 * ours
        hours[name] = ours
    assert hours["high"] > 5 * hours["low"]


def test_leaving_out_one_percent_of_the_neighbours_sun_halves_the_hours_or_worse() -> None:
    s = supply(sigma_pct=1.1, day_pct=1.0)
    with_sun, without = (
        one_day(PROFILES["runs on"], s, day(5, 1.0), 5, 105.5, 3.0, beta)["over_h"] for beta in (1.0, 0.0)
    )
    assert without < 0.6 * with_sun
    drawn = simulate(unit_of(PROFILES["runs on"]), weather_of(s, day(5, 1.0), 5, 105.5, beta=0.0, rise=3.0), 6000, 3)
    assert abs(without - drawn["over_h"][0]) < 4 * drawn["over_h"][1] + 0.004 * without


@pytest.mark.parametrize("name", KINDS)
def test_more_level_rise_or_sun_never_means_fewer_trip_days(name: str) -> None:
    t, n = table(name), 60
    first = t.first_pct
    base = {"level_pct": np.full(n, first - 5.5), "rise_pct": np.full(n, 2.0), "beta_pct": np.full(n, 1.0)}
    for field, values in (
        ("level_pct", np.linspace(first - 11, first - 1, n)),
        ("rise_pct", np.linspace(0, 8, n)),
        ("beta_pct", np.linspace(0, 5, n)),
    ):
        for site in (0.0, 0.7, 2.0):
            found = trip_days(t, Places(**(base | {field: values}), site_pct=np.full(n, site)))
            assert np.all(np.diff(found) >= -0.01 * found[1:] - 1e-6)


def test_a_class_without_output_has_no_trips() -> None:
    dark = DayShapes(np.zeros((2, 288)), np.array([0, 1]), np.array([30.0, 30.0]))
    t = make_table(PROFILES["runs on"], supply(), dark, np.zeros(12))
    assert trip_days(t, at(105.0, 1.0, 0.0, 0.5))[0] < 1e-9
    assert t.output_dev_pct == 0.0


def test_a_table_is_the_same_each_time() -> None:
    window = np.array([0.0, 0, 0, 0, 0, 30, 0, 0, 0, 0, 0, 0])
    first, second = table("runs on").as_arrays(), make_table(PROFILES["runs on"], supply(), days(), window).as_arrays()
    assert all(np.array_equal(first[name], second[name]) for name in first)


@pytest.mark.parametrize("name", ["runs on", "volt-watt"])
def test_a_table_goes_through_a_file_unchanged(name: str, tmp_path: Path) -> None:
    t = table(name)
    arrays = t.as_arrays()
    np.savez(tmp_path / "table.npz", **arrays)
    with np.load(tmp_path / "table.npz") as held:
        again = Table.from_arrays(dict(held))
    for key, values in again.as_arrays().items():
        assert values.dtype == arrays[key].dtype
        assert np.array_equal(values, arrays[key])
    places = at(103.4, 2.7, 1.1, 0.8)
    for ours, theirs in (
        (trip_results(t, places), trip_results(again, places)),
        (loss_results(t, places), loss_results(again, places)),
    ):
        assert all(np.array_equal(ours[key], theirs[key]) for key in ours)
    assert (again.relieved, again.ceases, again.count) == (t.relieved, t.ceases, t.count)
    assert sum(values.nbytes for values in arrays.values()) < 3e6


def test_a_table_of_the_headline_only_has_the_same_trip_days() -> None:
    t = table("runs on")
    short = make_table(PROFILES["runs on"], supply(), days(), np.zeros(12), headline_only=True)
    assert set(short.as_arrays()) == {key for key in t.as_arrays() if key.startswith(("numbers", "mean"))}
    assert np.array_equal(short.mean.logs, t.mean.logs)
    with pytest.raises(ValueError, match="trip-days only"):
        trip_results(short, at(103.4, 2.7, 1.1, 0.8))


def test_another_day_effect_is_that_of_a_table_with_it() -> None:
    """The mean asks for the spread of the level, be it of the day or of the site."""
    places = at(103.0, 2.7, 1.1, 0.7)
    for day_pct in (0.2, 0.9):
        other = make_table(PROFILES["runs on"], supply(day_pct=day_pct), days(), np.zeros(12), headline_only=True)
        found = trip_days(table("runs on"), places, day_pct)[0]
        assert found == pytest.approx(trip_days(other, places)[0], rel=0.015)
        assert abs(found / trip_days(table("runs on"), places)[0] - 1) > 0.1

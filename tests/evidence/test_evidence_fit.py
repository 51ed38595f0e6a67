"""Known supplies are recovered from simulated readings, and what readings cannot tell stays unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from supply_simulator import Truth, mean_of, simulate

from auditor.evidence.fit import SupplyFit, fit_supply
from auditor.evidence.series import Readings, blocks_of, usable
from auditor.likelihood.inputs import Supply

#: A prior that is wrong throughout.
PRIOR = Supply(np.tile(0.2 * np.sin(np.arange(24) / 24 * 2 * np.pi), (12, 1)), 0.9, 0.8, 0.9, 0.5)
#: Days of the months of 2023, from the calendar.
MONTH_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
TRUTHS = (
    Truth(),
    Truth(sigma=0.4, rho=0.85, day=0.8, peak=0.5, beta=2.5),
    Truth(sigma=0.9, rho=0.97, day=0.3, peak=0.15, beta=0.0, noon=0.8),
)


def true_means(truth: Truth) -> np.ndarray:
    return mean_of(truth, np.arange(12)[:, None], np.arange(24)[None, :])


def true_level(truth: Truth) -> float:
    return float((true_means(truth).mean(axis=1) * MONTH_DAYS).sum() / 365)


def fit(truth: Truth, columns: dict[str, np.ndarray], prior: Supply = PRIOR) -> SupplyFit:
    return fit_supply(Readings(**columns), truth.rise, prior)


def kept(columns: dict[str, np.ndarray], rows: np.ndarray) -> dict[str, np.ndarray]:
    return {name: values[rows] for name, values in columns.items()}


def month(columns: dict[str, np.ndarray]) -> np.ndarray:
    return columns["start"].astype("datetime64[M]").astype(int) % 12


@pytest.mark.parametrize("interval_s", [300, 600, 900])
@pytest.mark.parametrize("truth", TRUTHS, ids=["middle", "quick", "slow"])
def test_a_year_is_recovered(truth: Truth, interval_s: int) -> None:
    found = fit(truth, simulate(truth, 7, interval_s))
    assert found.level_pct == pytest.approx(true_level(truth), abs=3 * found.level_se_pct)
    assert found.level_se_pct < 0.1
    assert found.beta_pct == pytest.approx(truth.beta, abs=3 * found.beta_se_pct)
    assert found.beta_se_pct < 0.3
    assert found.sigma_pct == pytest.approx(truth.sigma, rel=0.08)
    # what counts is how fast the voltage forgets, 1 − ρ
    assert 1 - found.rho == pytest.approx(1 - truth.rho, rel=0.25)
    assert found.day_pct == pytest.approx(truth.day, abs=0.1)
    assert found.peak_pct == pytest.approx(truth.peak, rel=0.04)
    # each cell's mean is of 30 days
    error = found.level_pct + found.dev_pct - true_means(truth)
    assert np.sqrt(np.mean(error**2)) < np.hypot(truth.sigma, truth.day) / np.sqrt(30) + 0.1
    assert not found.prior_cells.any()
    assert found.used == 365 * 86400 // interval_s
    assert (found.left_out, found.unknown) == ({}, {})


def test_gaps_and_missing_values_change_little() -> None:
    truth = TRUTHS[0]
    columns = simulate(truth, 11, 900)
    rng = np.random.default_rng(5)
    columns["mean_pct"][rng.random(columns["mean_pct"].size) < 0.1] = np.nan
    columns["max_pct"][rng.random(columns["mean_pct"].size) < 0.3] = np.nan
    hole = rng.random(365) < 0.3
    rows = ~np.repeat(hole, 96) & (rng.random(columns["mean_pct"].size) > 0.05)
    found = fit(truth, kept(columns, rows))
    assert found.level_pct == pytest.approx(true_level(truth), abs=3 * found.level_se_pct)
    assert found.sigma_pct == pytest.approx(truth.sigma, rel=0.12)
    assert 1 - found.rho == pytest.approx(1 - truth.rho, rel=0.3)
    assert found.peak_pct == pytest.approx(truth.peak, rel=0.05)
    assert found.beta_pct == pytest.approx(truth.beta, abs=3 * found.beta_se_pct)
    assert found.left_out == {"no voltage": int(np.isnan(columns["mean_pct"][rows]).sum())}


def test_half_a_year_keeps_the_priors_season_and_says_so() -> None:
    truth = replace(TRUTHS[0], season=0.5)
    columns = simulate(truth, 13, 900)
    prior = replace(PRIOR, dev_pct=PRIOR.dev_pct + 0.5 * np.cos(np.arange(12) / 6 * np.pi)[:, None])
    whole = fit(truth, columns, prior)
    found = fit(truth, kept(columns, (month(columns) >= 3) & (month(columns) < 9)), prior)
    assert (
        found.prior_cells.tolist() == np.repeat(~np.isin(np.arange(12), np.arange(3, 9)), 24).reshape(12, 24).tolist()
    )
    assert found.level_pct == pytest.approx(true_level(truth), abs=2 * found.level_se_pct)
    assert found.level_se_pct > 2 * whole.level_se_pct
    # the prior's season lies one above the other, whatever the hour
    unseen = found.dev_pct[[0, 10]]
    assert unseen[0] - unseen[1] == pytest.approx(np.full(24, prior.dev_pct[0, 0] - prior.dev_pct[10, 0]), abs=1e-9)
    # and a prior without season makes an error that the standard error tells
    flat = fit(truth, kept(columns, (month(columns) >= 3) & (month(columns) < 9)))
    assert flat.level_pct < true_level(truth) - 0.1
    assert flat.level_pct == pytest.approx(true_level(truth), abs=3 * flat.level_se_pct)


@pytest.mark.long
@pytest.mark.parametrize(("alike", "every"), [(0.0, 1), (0.0, 3), (0.6, 1)])
def test_the_standard_errors_are_honest(alike: float, every: int) -> None:
    """Over 40 years of a site whose sun, days and noise are drawn anew, errors in standard errors spread by about 1.

    Their mean square over 40 draws has a standard deviation of √(2/40) = 0.22. Days that are alike for long are told
    too well: at a correlation of 0.6 from day to day by 1.25 (a mean square of 1.6), at 0.8 by 1.6 (2.5).
    """
    truth = replace(TRUTHS[0], alike=alike)
    dark = replace(truth, beta=0.0, rise=0.0)
    errors: dict[str, list[float]] = {"level": [], "slope": [], "level without sun": []}
    for seed in range(40):
        columns = simulate(truth, 100 + seed, 900)
        rows = np.arange(columns["start"].size) // 96 % every == 0
        found = fit(truth, kept(columns, rows))
        errors["level"].append((found.level_pct - true_level(truth)) / found.level_se_pct)
        errors["slope"].append((found.beta_pct - truth.beta) / found.beta_se_pct)
        columns["mean_pct"] -= (truth.beta + truth.rise) * columns["own_output"]
        found = fit(dark, kept(columns, rows) | {"own_output": None})
        errors["level without sun"].append((found.level_pct - true_level(truth)) / found.level_se_pct)
    for name, told in errors.items():
        assert 0.5 < np.mean(np.square(told)) < (1.45 if alike == 0.0 else 2.4), name
        assert abs(np.mean(told)) < 3 / np.sqrt(40), name


def test_the_time_of_day_is_not_taken_for_the_sun() -> None:
    """A voltage that is high at noon and follows no cloud has no slope on the sun."""
    truth = Truth(beta=0.0, noon=2.0, sigma=0.1, day=0.1)
    found = fit(truth, simulate(truth, 17, 900))
    assert found.beta_pct == pytest.approx(0.0, abs=3 * found.beta_se_pct)
    assert found.beta_se_pct < 0.06
    assert found.dev_pct[:, 12].mean() - found.dev_pct[:, 3].mean() == pytest.approx(2.0, abs=0.1)


def test_a_supply_without_noise_is_exact() -> None:
    """A level, a course of the day, a month and a single cell, put together by hand, come back with the slope."""
    count = 365 * 96
    start = np.datetime64("2023-01-01", "s") + np.arange(count) * np.timedelta64(900, "s")
    hour, of_month = np.arange(count) // 4 % 24, start.astype("datetime64[M]").astype(int) % 12
    dev = np.zeros((12, 24))
    dev[:, 19] -= 1.0
    dev[1] += 2.0
    dev[5, 14] += 0.8
    dev -= (dev.mean(axis=1) * MONTH_DAYS).sum() / 365
    sun = np.where((hour >= 9) & (hour < 16), np.random.default_rng(2).random(365).repeat(96), 0.0)
    v = 102.0 + dev[of_month, hour] + 1.5 * sun + 2.5 * sun
    found = fit_supply(Readings(start, np.full(count, 900.0), v, own_output=sun), 2.5, PRIOR)
    assert found.beta_pct == pytest.approx(1.5, abs=1e-9)
    assert found.level_pct == pytest.approx(102.0, abs=0.02)
    assert found.dev_pct == pytest.approx(dev, abs=0.2)
    assert np.sqrt(np.mean((found.dev_pct - dev) ** 2)) < 0.03
    assert (found.dev_pct.mean(axis=1) * MONTH_DAYS).sum() == pytest.approx(0.0, abs=1e-9)


def test_sun_is_not_own_output_while_the_system_is_off() -> None:
    """Through a week of trips at noon the neighbours' sun still lifts the voltage."""
    truth = TRUTHS[0]
    columns = simulate(truth, 19, 900)
    off = (np.arange(columns["start"].size) // 96 % 3 == 0) & (columns["own_output"] > 0.4)
    sun = columns["own_output"].copy()
    columns["mean_pct"] = np.where(off, columns["mean_pct"] - truth.rise * sun, columns["mean_pct"])
    columns["own_output"] = np.where(off, 0.0, sun)
    told = fit(truth, {**columns, "sun": sun})
    assert told.beta_pct == pytest.approx(truth.beta, abs=3 * told.beta_se_pct)


def test_each_figure_stands_by_itself() -> None:
    truth = TRUTHS[0]
    columns = simulate(truth, 23, 900)
    without = {**columns, "max_pct": None, "own_output": None}
    found = fit_supply(Readings(**without), 0.0, PRIOR)
    assert set(found.unknown) == {"peak_pct", "beta_pct"}
    assert np.isnan([found.peak_pct, found.beta_pct, found.beta_se_pct]).all()
    supply = found.supply(PRIOR)
    assert supply.peak_pct == PRIOR.peak_pct
    assert (supply.sigma_pct, supply.rho, supply.day_pct) == (found.sigma_pct, found.rho, found.day_pct)
    # before a system is there its output is nothing, and tells no sun
    zero = {**columns, "own_output": np.zeros(columns["start"].size)}
    assert fit_supply(Readings(**zero), np.nan, PRIOR).unknown["beta_pct"] == "neither own output nor sun is known"


def test_an_unknown_own_rise_leaves_only_the_dark() -> None:
    truth = TRUTHS[0]
    columns = simulate(truth, 29, 900)
    found = fit_supply(Readings(**columns), np.nan, PRIOR)
    assert found.left_out == {"own rise not known": int((columns["own_output"] > 0).sum())}
    assert {"beta_pct", "sigma_pct", "rho", "day_pct", "peak_pct"} - set(found.unknown) <= {"peak_pct"}
    assert found.prior_cells[:, 12].all()
    # most hours of daytime keep the prior's course of the day, whose assumed spread is 0.3 %
    assert 0.15 < found.level_se_pct < 0.35
    assert fit_supply(Readings(**{**columns, "own_output": None}), 2.0, PRIOR).used == 0


def test_a_few_days_tell_the_level_and_little_else() -> None:
    truth = TRUTHS[0]
    columns = kept(simulate(truth, 31, 300), np.arange(5 * 288))
    found = fit(truth, columns)
    assert {"sigma_pct", "rho", "day_pct", "beta_pct"} <= set(found.unknown)
    assert found.level_se_pct > 0.4
    assert found.level_pct == pytest.approx(true_level(truth), abs=3 * found.level_se_pct)


def test_nothing_is_told_by_nothing() -> None:
    empty = np.zeros(0)
    found = fit_supply(Readings(empty.astype("datetime64[s]"), empty, empty), 1.0, PRIOR)
    assert np.isnan([found.level_pct, found.level_se_pct, found.sigma_pct, found.beta_pct]).all()
    assert np.array_equal(found.dev_pct, PRIOR.dev_pct)
    assert found.supply(PRIOR) is not PRIOR
    assert set(found.unknown) == {"level_pct", "sigma_pct", "rho", "day_pct", "peak_pct", "beta_pct"}


def test_readings_are_left_out_by_reason() -> None:
    start = np.array(["2023-06-01T12:00", "2023-06-01T12:05", "NaT", "2023-06-01T12:10", "2023-06-01T12:10",
                      "2023-06-01T12:20", "2023-06-01T12:25", "2023-06-01T12:30"], "datetime64[s]")  # fmt: skip
    mean = np.array([101.0, np.nan, 101.0, 101.0, 101.0, 0.4, 101.0, 101.0])
    own = np.array([0.5, 0.5, 0.5, 0.5, 0.5, 0.5, np.nan, 0.5])
    length = np.array([300.0, 300, 300, 300, 300, 300, 300, 1800])
    series, left_out = usable(Readings(start, length, mean, own_output=own), 2.0)
    assert left_out == {
        "no voltage": 1, "no time": 1, "begins within another reading": 1, "own output not known": 1,
        "voltage outside 70 to 130 % of nominal": 1, "not 60 to 900 s long": 1,
    }  # fmt: skip
    assert series.v_pct.tolist() == [100.0, 100.0]


def test_several_legs_and_ragged_columns_are_refused() -> None:
    start = np.array(["2023-06-01T12:00", "2023-06-01T12:05"], "datetime64[s]")
    readings = Readings(start, np.full(2, 300.0), np.full(2, 101.0))
    with pytest.raises(ValueError, match="legs"):
        fit_supply(replace(readings, leg=np.array(["L1-N", "L2-N"])), 0.0, PRIOR)
    with pytest.raises(ValueError, match="one value"):
        fit_supply(replace(readings, mean_pct=np.ones(3)), 0.0, PRIOR)


def test_short_readings_are_averaged_to_whole_slots() -> None:
    """Two minutes fit five in blocks of ten: two slots. Seven do not divide the day with any slot."""
    start = np.datetime64("2023-06-01T00:00", "s") + np.arange(720) * np.timedelta64(120, "s")
    v = np.repeat(np.arange(144.0), 5) / 144 + 100
    top = v + 0.5
    top[3] += 0.25
    v[7] = np.nan
    series, _ = usable(Readings(start, np.full(720, 120.0), v, max_pct=top), 0.0)
    blocks = blocks_of(series, 300.0)
    assert blocks is not None
    assert (blocks.slots, blocks.v_pct.shape) == (2, (1, 144))
    assert np.isnan(blocks.v_pct[0, 1])
    assert blocks.v_pct[0, 2:] == pytest.approx(np.arange(2, 144) / 144 + 100)
    assert blocks.peak_pct[0, [0, 2]] == pytest.approx([0.75, 0.5])
    odd, _ = usable(Readings(start, np.full(720, 70.0), v), 0.0)
    assert blocks_of(odd, 300.0) is None


def test_minutes_give_the_same_as_slots() -> None:
    truth = TRUTHS[0]
    columns = kept(simulate(truth, 37, 300), np.arange(60 * 288))
    minutes = {name: np.repeat(values, 5) for name, values in columns.items()}
    minutes["start"] = minutes["start"] + np.tile(np.arange(5), columns["start"].size) * np.timedelta64(60, "s")
    minutes["duration_s"] = np.full(minutes["start"].size, 60.0)
    one, five = fit(truth, minutes), fit(truth, columns)
    for name in ("level_pct", "sigma_pct", "rho", "day_pct", "peak_pct", "beta_pct", "beta_se_pct"):
        assert getattr(one, name) == pytest.approx(getattr(five, name), rel=1e-6), name

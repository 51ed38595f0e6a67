"""A measured output series in place of the model."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.likelihood.output import day_shapes, measured_shapes


def series(first: str, days: int, step_s: int) -> tuple[np.ndarray, np.ndarray]:
    """Times and a power that tells its place: day number plus a thousandth of the step's number [kW]."""
    count = 86400 // step_s
    start = np.datetime64(first, "s") + np.arange(days * count) * np.timedelta64(step_s, "s")
    number = np.arange(days * count)
    return start, (number // count + 1) * 1.0 + (number % count) / 1000.0


def test_whole_days_share_their_month() -> None:
    start, power = series("2024-01-30", 4, 900)
    got = measured_shapes(start, power, 10.0, 900)
    assert got.shapes.output.shape == (4, 288)
    assert got.shapes.month.tolist() == [0, 0, 1, 1]
    assert got.shapes.days.tolist() == [15.5, 15.5, 14.0, 14.0]
    # a quarter of an hour is held for three slots
    assert got.shapes.output[1, 3:6] == pytest.approx([0.2001] * 3)
    assert got.absent_months == tuple(range(2, 12))
    assert got.dropped == ()


def test_minutes_are_averaged() -> None:
    start, power = series("2024-06-01", 1, 60)
    got = measured_shapes(start, power, 10.0, 60)
    assert got.shapes.output[0, :2] == pytest.approx([0.1002, 0.1007])


def test_order_does_not_matter() -> None:
    start, power = series("2024-06-01", 2, 300)
    mixed = np.random.default_rng(1).permutation(start.size)
    one, other = measured_shapes(start, power, 10.0, 300), measured_shapes(start[mixed], power[mixed], 10.0, 300)
    assert np.array_equal(one.shapes.output, other.shapes.output)


@pytest.mark.parametrize("fault", ["gap", "nan", "twice", "disputed", "shifted"])
def test_a_day_that_is_not_whole_is_dropped_and_named(fault: str) -> None:
    start, power = series("2024-06-01", 3, 300)
    if fault == "gap":
        start, power = np.delete(start, 300), np.delete(power, 300)
    elif fault == "nan":
        power[300] = np.nan
    elif fault == "twice":
        start[301] = start[300]
    elif fault == "disputed":
        start, power = np.append(start, start[300]), np.append(power, 9.0)
    else:
        start[300] += np.timedelta64(60, "s")
    got = measured_shapes(start, power, 10.0, 300)
    assert got.dropped == ("2024-06-02",)
    assert got.shapes.output.shape == (2, 288)
    assert got.shapes.days.tolist() == [15.0, 15.0]


def test_the_model_fills_months_that_were_not_measured() -> None:
    model = day_shapes(35.0, 0.0, 20.0, 180.0, 1.2, [0.5] * 12)
    start, power = series("2024-06-01", 3, 300)
    got = measured_shapes(start, power, 10.0, 300, model=model)
    assert got.modelled_months == (0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 11)
    assert got.absent_months == ()
    assert got.shapes.month_days() == pytest.approx(model.month_days())
    assert (got.shapes.month == 5).sum() == 3
    july = got.shapes.month == 6
    assert np.array_equal(got.shapes.output[july], model.output[model.month == 6])


def test_values_beyond_rated_and_below_zero_are_cut() -> None:
    start, power = series("2024-06-01", 1, 300)
    power[:] = 5.0
    power[:2] = [-0.02, 10.5]
    got = measured_shapes(start, power, 10.0, 300)
    assert got.shapes.output[0, :3].tolist() == [0.0, 1.0, 0.5]
    assert got.above_rated == 1


def test_what_does_not_fit_is_refused() -> None:
    start, power = series("2024-06-01", 1, 300)
    with pytest.raises(ValueError, match="one time"):
        measured_shapes(start[1:], power, 10.0, 300)
    with pytest.raises(ValueError, match="rated"):
        measured_shapes(start, power, float("nan"), 300)
    with pytest.raises(ValueError, match="step"):
        measured_shapes(start, power, 10.0, 420)
    with pytest.raises(ValueError, match="whole"):
        measured_shapes(start[1:], power[1:], 10.0, 300)

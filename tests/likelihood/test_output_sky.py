"""The simulated sky: its correlation, its limits, and that equal inputs give equal days."""

from __future__ import annotations

import numpy as np
import pytest

from auditor.likelihood import sky

SLOT_S = 300.0


def kt_of(
    mean: float, latitude: float = 35.0, sequences: int = 2
) -> tuple[sky.Sun, np.ndarray, np.ndarray, np.ndarray]:
    sun = sky.sun_over(latitude, 0.0, SLOT_S)
    day = np.tile(sky.day_clearness(mean, 5), 12)
    month = np.repeat(np.arange(12), 5)
    return sun, day, month, sky.slot_clearness(sun, day, month, sequences, SLOT_S)


@pytest.mark.parametrize("day", [0.2, 0.5, 0.7])
def test_deviations_fade_by_the_published_hourly_correlation(day: float) -> None:
    drawn = sky.deviations(np.array([day]), np.array([5]), 2000, 288, SLOT_S)[0]
    hour = 12
    got = np.mean(drawn[:, hour:] * drawn[:, :-hour])
    published = 0.38 + 0.06 * np.cos(7.4 * day - 2.5)
    assert got == pytest.approx(published, abs=0.02)
    # an AR(1) process keeps no more of two hours ago than the square, and its spread is 1 from the first slot on
    assert np.mean(drawn[:, 24:] * drawn[:, :-24]) == pytest.approx(published**2, abs=0.02)
    assert drawn[:, [0, 100, 287]].std(axis=0) == pytest.approx([1.0] * 3, abs=0.06)


def test_each_day_has_its_own_clearness() -> None:
    sun, day, month, kt = kt_of(0.5)
    above = sun.horizontal_w_m2[month][:, None, :]
    got = (kt * above).sum(axis=-1) / above.sum(axis=-1)
    assert got == pytest.approx(np.broadcast_to(day[:, None], got.shape), abs=0.04)
    summer = np.isin(month, [4, 5, 6])
    assert got[summer] == pytest.approx(np.broadcast_to(day[:, None], got.shape)[summer], abs=0.002)


def test_no_slot_is_below_zero_or_above_the_clean_sky() -> None:
    sun, _, month, kt = kt_of(0.7)
    assert kt.min() >= 0.0
    assert np.all(kt <= sun.clear[month][:, None, :])
    assert np.all(kt[np.broadcast_to(sun.sin_height[month][:, None, :], kt.shape) == 0.0] == 0.0)


def test_sequences_depend_on_nothing_but_their_own_numbers() -> None:
    day, month = sky.day_clearness(0.5, 5), np.full(5, 6)
    alone = sky.deviations(day, month, 2, 288, SLOT_S)
    among = sky.deviations(np.tile(day, 2), np.repeat([3, 6], 5), 3, 288, SLOT_S)
    assert np.array_equal(alone, among[5:, :2])
    assert not np.array_equal(among[:5], among[5:])
    assert not np.array_equal(alone[:, 0], alone[:, 1])

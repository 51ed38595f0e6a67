"""The machine against a direct simulation that shares no code with it, and against days that can be told by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from likelihood_cases import PROFILES, day, one_day, supply, unit_of, weather_of
from trip_simulator import simulate

from auditor.likelihood.inputs import DayShapes, Profile, Threshold
from auditor.likelihood.machine import solve_days
from auditor.likelihood.slot import Points

#: profile, level, own rise, neighbours' sun [% of nominal], month, broken clouds, changes of the supply
SETTINGS = [
    ("runs on", 102.0, 3.0, 0.5, 5, False, {}),
    ("runs on", 102.8, 3.0, 0.5, 5, False, {}),
    ("runs on", 103.5, 3.0, 0.5, 5, False, {}),
    ("runs on", 104.5, 3.0, 1.0, 5, True, {}),
    ("runs on", 107.0, 0.5, 0.2, 0, False, {"rho": 0.8}),
    ("runs on", 104.0, 3.0, 1.0, 3, True, {"rho": 0.98, "sigma_pct": 0.9}),
    ("runs on", 106.0, 6.0, 1.0, 5, False, {"peak_pct": 0.1}),
    ("one second", 104.0, 3.0, 1.0, 5, False, {"peak_pct": 0.6}),
    ("one second", 105.0, 3.0, 1.0, 8, True, {"day_pct": 1.0}),
    ("ceases", 105.0, 3.0, 2.0, 5, False, {}),
    ("ceases", 106.5, 4.0, 2.0, 5, True, {}),
    ("ceases", 104.0, 1.0, 4.0, 8, False, {"sigma_pct": 1.0}),
    ("ceases and droops", 106.0, 4.0, 2.0, 5, False, {}),
    ("volt-watt", 103.5, 4.0, 1.0, 5, False, {}),
    ("volt-watt", 105.0, 2.0, 2.0, 5, True, {}),
    ("volt-watt", 104.5, 8.0, 0.0, 3, False, {"peak_pct": 0.6}),
    ("volt-watt and volt-var", 104.5, 4.0, 1.0, 5, False, {}),
    ("volt-watt and volt-var", 105.5, 3.0, 2.0, 8, True, {}),
    ("ten minutes, fixed, droop", 108.0, 4.0, 1.0, 5, False, {}),
    ("ten minutes, fixed, droop", 109.0, 3.0, 2.0, 5, True, {}),
    ("ten minutes, fixed", 104.5, 3.0, 1.0, 5, False, {}),
    ("ten minutes, fixed", 105.5, 3.0, 1.0, 5, True, {"rho": 0.8}),
    ("ten minutes, fixed", 106.5, 0.5, 0.5, 0, False, {"sigma_pct": 1.0}),
    ("ten minutes, sliding", 104.5, 3.0, 1.0, 5, False, {}),
    ("ten minutes, sliding", 105.5, 3.0, 1.0, 5, True, {"rho": 0.8}),
    ("ten minutes, sliding", 104.0, 2.0, 2.0, 3, False, {"rho": 0.98, "day_pct": 0.9}),
    ("twenty seconds", 107.0, 4.0, 1.0, 5, False, {}),
    ("twenty seconds", 108.5, 4.0, 1.0, 5, True, {}),
    ("long delay", 103.0, 3.0, 1.0, 5, False, {"day_pct": 0.8}),
    ("long delay", 102.5, 5.0, 0.5, 5, True, {}),
    ("runs on", 110.5, 3.0, 1.0, 5, False, {}),
]
DAYS = 3000


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: f"{s[0]}, {s[1]}, {s[2]}, {s[3]}, {s[4]}{s[5]}")
def test_the_machine_agrees_with_a_direct_simulation(setting: tuple) -> None:
    name, level, rise, beta, month, broken, changes = setting
    s, f = supply(**changes), day(month, 0.8 if broken else 1.0, broken)
    drawn = simulate(unit_of(PROFILES[name]), weather_of(s, f, month, level, beta=beta, rise=rise), DAYS, seed=11)
    ours = one_day(PROFILES[name], s, f, month, level, rise, beta)
    for what, (mean, error) in drawn.items():
        if what == "off":
            continue
        # where few events are drawn, their spread is told better by what is expected
        room = 4.2 * max(error, np.sqrt(max(ours[what], 0.0) / DAYS) * (what != "curtailed_h")) + 0.004 * mean
        if what == "episodes":
            # a unit's age since its trip is kept coarsely, and not at all while it waits for the ceiling
            room += (0.05 if mean < 0.5 else 0.28) * mean
        assert abs(ours[what] - mean) <= room, (what, ours[what], mean, error)


def test_the_settings_run_from_one_trip_day_in_years_to_daily() -> None:
    chances = []
    for name, level, rise, beta, month, broken, changes in (SETTINGS[0], SETTINGS[-1]):
        f = day(month, 0.8 if broken else 1.0, broken)
        chances.append(one_day(PROFILES[name], supply(**changes), f, month, level, rise, beta)["tripped"])
    assert min(chances) < 2 / 3650
    assert max(chances) > 0.95


def test_rare_trips_against_a_long_simulation() -> None:
    """One trip-day in about five years: 80,000 days drawn."""
    s, f = supply(), day(5, 1.0)
    ours = one_day(PROFILES["runs on"], s, f, 5, 102.2, 3.0, 0.5)
    assert 0.3 < ours["tripped"] * 3650 < 3.0
    unit, weather = unit_of(PROFILES["runs on"]), weather_of(s, f, 5, 102.2, beta=0.5, rise=3.0)
    drawn = np.mean([simulate(unit, weather, 40_000, seed)["tripped"][0] for seed in range(2)])
    assert abs(drawn - ours["tripped"]) < 4 * np.sqrt(ours["tripped"] / 80_000)


CALM = {"sigma_pct": 0.0, "day_pct": 0.0, "peak_pct": 0.0, "dev_pct": np.zeros((12, 24))}


def square(first: int, last: int, value: float = 1.0) -> np.ndarray:
    f = np.zeros(288)
    f[first:last] = value
    return f


def test_without_noise_a_voltage_under_the_threshold_never_trips_and_one_above_always_does() -> None:
    profile, s = PROFILES["runs on"], supply(**CALM)
    below = one_day(profile, s, square(100, 200), 5, 106.9, 3.0, 0.0)
    above = one_day(profile, s, square(100, 200), 5, 107.1, 3.0, 0.0)
    assert below["tripped"] == below["lost_h"] == 0.0
    assert above["tripped"] == 1.0
    # 107.1 % lies over the return ceiling of 105 %: the unit trips once, in the middle of the first slot, and stays off
    assert above["trips"] == 1.0
    assert above["lost_h"] == pytest.approx((100 - 0.5) / 12)
    assert above["over_h"] == pytest.approx(100 / 12)


def test_without_noise_the_cycle_of_trip_delay_and_ramp_can_be_counted() -> None:
    """Level 104, rise 7: under the ceiling without own output.

    Trip in the middle of slot 0, off for 300 s, a ramp of 300 s at half output on average (107.5 %, no trip), full
    again, trip: every third slot.
    """
    profile, s = PROFILES["runs on"], supply(**CALM)
    got = one_day(profile, s, square(120, 150), 5, 104.0, 7.0, 0.0)
    assert got["trips"] == 10.0
    assert got["episodes"] == 1.0
    # lost in each cycle of three slots: half a slot, half a slot, half a slot
    assert got["lost_h"] == pytest.approx(10 * 1.5 / 12)


def test_without_noise_a_ceasing_unit_loses_its_output_and_does_not_trip() -> None:
    got = one_day(PROFILES["ceases"], supply(**CALM), square(100, 200), 5, 108.0, 3.0, 0.0)
    assert got["tripped"] == 0.0
    assert got["ceased_h"] == got["lost_h"] == pytest.approx(100 / 12)
    alone = one_day(PROFILES["ceases"], supply(**CALM), square(100, 200), 5, 110.5, 3.0, 0.0)
    assert alone["tripped"] == 1.0


def test_without_noise_a_sliding_mean_trips_where_a_fixed_one_does_not() -> None:
    """Two slots over the threshold that straddle two fixed intervals."""
    s = supply(**CALM)
    f = square(100, 200, 0.5)
    f[101:103] = 1.0
    fixed = one_day(PROFILES["ten minutes, fixed"], s, f, 5, 106.0, 5.0, 0.0)
    sliding = one_day(PROFILES["ten minutes, sliding"], s, f, 5, 106.0, 5.0, 0.0)
    assert fixed["tripped"] == 0.0  # mean of 108.5 and 111
    assert sliding["tripped"] == 1.0


def test_more_rise_or_level_never_means_fewer_trip_days() -> None:
    f = day(5, 1.0)
    shapes = DayShapes(f[None], np.array([5]), np.array([1.0]))
    n = 10
    for profile in PROFILES.values():
        low, same = profile.first_pct - 5.0, np.ones(n)
        points = Points(
            np.concatenate([low * same, np.linspace(low - 4, low + 6, n), low * same]),
            np.concatenate([np.linspace(0, 8, n), 3.0 * same, 2.0 * same]),
            np.concatenate([0.5 * same, 0.5 * same, np.linspace(0, 5, n)]),
        )
        for chance in solve_days(profile, supply(), shapes, points).tripped[0].reshape(3, n):
            assert np.all(np.diff(chance) >= -1e-9 * chance[1:] - 1e-13)


def test_the_ten_minute_slot_judges_the_slot_itself() -> None:
    """With slots of ten minutes a ten-minute rule is a step at the slot's mean."""
    s, f = supply(slot_s=600.0, rho=0.9), day(5, 1.0)[::2]
    profile = PROFILES["ten minutes, fixed"]
    ours = one_day(profile, s, f, 5, 104.5, 3.0, 1.0)
    drawn = simulate(unit_of(profile, 600.0), weather_of(s, f, 5, 104.5, beta=1.0, rise=3.0), 4000, 5)
    for what in ("tripped", "trips", "episodes", "lost_h"):
        assert abs(ours[what] - drawn[what][0]) <= 4.2 * drawn[what][1]


def test_slots_that_are_no_part_of_ten_minutes_are_refused() -> None:
    with pytest.raises(ValueError, match="300 s or 600 s"):
        one_day(PROFILES["ten minutes, fixed"], supply(slot_s=900.0), day(5, 1.0)[::3], 5, 104.0, 3.0, 0.0)


def test_finer_voltage_nodes_change_little() -> None:
    shapes = DayShapes(day(5, 1.0)[None], np.array([5]), np.array([1.0]))
    for profile in PROFILES.values():
        level = profile.first_pct - np.linspace(3.0, 6.5, 8)
        points = Points(level, np.full(8, 3.0), np.full(8, 0.5))
        coarse, fine = (solve_days(profile, supply(), shapes, points, finer).tripped[0] for finer in (1.0, 2.0))
        judged = fine > 3e-3
        assert np.all(np.abs(coarse / fine - 1)[judged] < 0.03)


def test_a_profile_needs_thresholds() -> None:
    with pytest.raises(ValueError, match="threshold"):
        Profile((), 105.0, 300.0, 300.0)
    with pytest.raises(ValueError, match="instant"):
        Profile((Threshold(110.0, 3.0, True),), 105.0, 300.0, 300.0, ceases=True)
    with pytest.raises(ValueError, match="rho"):
        replace(supply(), rho=1.0)

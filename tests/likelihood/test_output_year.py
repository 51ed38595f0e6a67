"""A year's output against closed forms, symmetry, and what is commonly known of solar systems."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sin

import numpy as np
import pytest
from pvlib import solarposition

from auditor.likelihood import plane, sky
from auditor.likelihood.inputs import DayShapes
from auditor.likelihood.output import day_shapes

CLEARNESS = [0.5] * 12


def energy(shapes: DayShapes) -> float:
    """Hours at rated output a year."""
    return float((shapes.days[:, None] * shapes.output).sum() * 24.0 / shapes.output.shape[1])


def month_mean(shapes: DayShapes) -> np.ndarray:
    """Expected output by month and slot, (12, slots)."""
    return np.stack([shapes.output[shapes.month == m].mean(axis=0) for m in range(12)])


def test_shapes_stand_for_a_year() -> None:
    shapes = day_shapes(35.0, -105.0, 20.0, 180.0, 1.2, CLEARNESS)
    assert shapes.output.shape == (120, 288)
    assert shapes.days.sum() == pytest.approx(365.0)
    assert shapes.month_days() == pytest.approx(sky.MONTH_LENGTH)
    assert shapes.output.min() == 0.0
    assert shapes.output.max() <= 1.0
    again = day_shapes(35.0, -105.0, 20.0, 180.0, 1.2, CLEARNESS)
    assert np.array_equal(shapes.output, again.output)


def light_by_hand(kt: float, height_deg: float, turn_deg: float, normal: float, tilt_deg: float) -> float:
    """Erbs (1982) eq. 1, Hay and Davies, ASHRAE 93-77; turn is the sun's azimuth less the plane's."""
    sine = sin(radians(height_deg))
    ground = kt * normal * sine
    share = 0.9511 - 0.1604 * kt + 4.388 * kt**2 - 16.638 * kt**3 + 12.336 * kt**4
    direct = (ground - share * ground) / sine
    tilt = radians(tilt_deg)
    cosine = sine * cos(tilt) + cos(radians(height_deg)) * sin(tilt) * cos(radians(turn_deg))
    isotropy = direct / normal
    around = share * ground * isotropy * cosine / sine
    sky_part = share * ground * (1.0 - isotropy) * (1.0 + cos(tilt)) / 2.0
    from_ground = 0.2 * ground * (1.0 - cos(tilt)) / 2.0
    return (direct * cosine + around) * (1.0 - 0.05 * (1.0 / cosine - 1.0)) + (sky_part + from_ground) * 0.95


@pytest.mark.parametrize(("month", "hour"), [(0, 12), (3, 10), (5, 15), (9, 9)])
@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 180.0), (30.0, 180.0), (20.0, 120.0)])
def test_light_on_the_plane_is_the_published_equations(month: int, hour: int, tilt: float, azimuth: float) -> None:
    sun = sky.sun_over(35.0, 0.0, 3600.0)
    kt = np.full((1, 24), 0.55)
    got = plane.plane_w_m2(plane.Sky.of(sun, np.array([month]), kt), tilt, azimuth)[0, hour]
    height = 90.0 - sun.zenith_deg[month, hour]
    day = 2.0 * np.pi * (sky.MONTH_DAY[month] - 1) / 365.0
    # Spencer (1971), with the solar constant of 1366.1 W/m²
    normal = 1366.1 * (
        1.00011 + 0.034221 * cos(day) + 0.00128 * sin(day) + 0.000719 * cos(2 * day) + 7.7e-05 * sin(2 * day)
    )
    wanted = light_by_hand(0.55, height, sun.azimuth_deg[month, hour] - azimuth, normal, tilt)
    assert got == pytest.approx(wanted, rel=1e-6)


def test_heat_losses_and_clipping_worked_by_hand() -> None:
    """King, Boyson and Kratochvil (2004), eqs. 11 and 12, close roof mount, 800 W/m², 25 °C, 1 m/s.

    exp(−2.98 − 0.0471) = 0.048456; the module is at 25 + 38.765, the cell at 64.565 °C; the factor is
    1 − 0.0035·39.565 = 0.861523, and 0.8·0.861523·0.88 = 0.606512.
    """
    light, ambient = np.array([[800.0]]), np.array([[25.0]])
    assert plane.output_of(light, ambient, 1.0, plane.Losses())[0, 0] == pytest.approx(0.606512, abs=2e-5)
    assert plane.output_of(light, ambient, 1.5, plane.Losses())[0, 0] == pytest.approx(0.909768, abs=3e-5)
    assert plane.output_of(light, ambient, 1.7, plane.Losses())[0, 0] == 1.0


def test_yield_is_what_such_systems_give() -> None:
    """Common knowledge: 1300 to 1700 kWh a year per kW of modules, tilted 30° south at 35° N under a sunny sky."""
    shapes = day_shapes(35.0, -105.0, 30.0, 180.0, 1.0, [0.55] * 12)
    assert 1300.0 < energy(shapes) < 1700.0
    # a flat plane at 51° N under a London sky gives some 700 to 900
    dull = [0.3, 0.35, 0.38, 0.42, 0.44, 0.44, 0.44, 0.44, 0.42, 0.38, 0.32, 0.28]
    assert 700.0 < energy(day_shapes(51.0, 0.0, 0.0, 180.0, 1.0, dull)) < 950.0


def test_south_is_even_around_the_suns_noon() -> None:
    longitude = -109.0
    shapes = day_shapes(35.0, longitude, 25.0, 180.0, 1.1, CLEARNESS, sequences=60)
    mean = month_mean(shapes)
    hour = (np.arange(288) + 0.5) / 12.0
    centre_h = (mean * hour).sum(axis=1) / mean.sum(axis=1)
    late_h = (-105.0 - longitude) / 15.0
    noon_h = 12.0 + late_h - solarposition.equation_of_time_spencer71(sky.MONTH_DAY) / 60.0
    assert centre_h == pytest.approx(noon_h, abs=0.1)
    assert np.mean(centre_h - noon_h) == pytest.approx(0.0, abs=0.03)


def test_east_and_west_mirror_each_other_and_come_early_and_late() -> None:
    east = month_mean(day_shapes(35.0, 0.0, 30.0, 90.0, 1.1, CLEARNESS, sequences=60))
    west = month_mean(day_shapes(35.0, 0.0, 30.0, 270.0, 1.1, CLEARNESS, sequences=60))
    assert east.sum() == pytest.approx(west.sum(), rel=0.01)
    hour = (np.arange(288) + 0.5) / 12.0
    centre = [(part * hour).sum() / part.sum() for part in (east, west)]
    assert centre[0] < 11.4
    assert centre[1] > 12.6
    assert sum(centre) / 2.0 == pytest.approx(12.0, abs=0.05)


def test_south_of_the_equator_the_year_turns() -> None:
    north = day_shapes(35.0, 0.0, 25.0, 180.0, 1.0, CLEARNESS)
    south = day_shapes(-35.0, 0.0, 25.0, 0.0, 1.0, CLEARNESS)
    assert energy(south) == pytest.approx(energy(north), rel=0.01)
    half_a_year = month_mean(south).mean(axis=1)[(np.arange(12) + 6) % 12]
    assert half_a_year == pytest.approx(month_mean(north).mean(axis=1), rel=0.12)


def test_a_larger_array_clips_and_a_smaller_does_not() -> None:
    def of(ratio: float) -> DayShapes:
        return day_shapes(35.0, 0.0, 25.0, 180.0, ratio, [0.6] * 12)

    small, large = of(0.8), of(1.5)
    assert small.output.max() < 1.0
    assert (large.output == 1.0).mean() > 0.02
    assert energy(large) / 1.5 < energy(small) / 0.8
    # what is not clipped grows with the ratio alone
    free = large.output < 1.0
    assert large.output[free] / 1.5 == pytest.approx(small.output[free] / 0.8, rel=1e-12)


def test_polar_night_is_dark_and_the_midnight_sun_shines() -> None:
    shapes = day_shapes(75.0, 20.0, 30.0, 180.0, 1.2, CLEARNESS)
    assert np.all(shapes.output[shapes.month == 11] == 0.0)
    assert np.all(month_mean(shapes)[5] > 0.0)
    assert np.isfinite(day_shapes(90.0, 0.0, 30.0, 180.0, 1.2, CLEARNESS).output).all()


def test_heat_lowers_output() -> None:
    cool = day_shapes(35.0, 0.0, 25.0, 180.0, 1.0, CLEARNESS, losses=plane.Losses(ambient_c=(10.0,) * 12))
    warm = day_shapes(35.0, 0.0, 25.0, 180.0, 1.0, CLEARNESS, losses=plane.Losses(ambient_c=(30.0,) * 12))
    # 20 K at 0.35 % a kelvin, of a factor that is near 0.9
    assert energy(warm) / energy(cool) == pytest.approx(1.0 - 20.0 * 0.0035 / 0.93, abs=0.01)


def test_slots_of_another_length_give_the_same_year() -> None:
    fine = day_shapes(35.0, 0.0, 25.0, 180.0, 1.0, CLEARNESS)
    coarse = day_shapes(35.0, 0.0, 25.0, 180.0, 1.0, CLEARNESS, slot_s=600.0)
    assert coarse.output.shape == (120, 144)
    assert energy(coarse) == pytest.approx(energy(fine), rel=0.02)


@pytest.mark.parametrize(
    "wrong",
    [
        {"latitude_deg": np.nan},
        {"tilt_deg": 95.0},
        {"dc_ac_ratio": 0.0},
        {"longitude_deg": 200.0},
        {"clearness_by_month": [0.5] * 11},
        {"clearness_by_month": [np.nan] * 12},
        {"slot_s": 7.0},
        {"losses": replace(plane.Losses(), ambient_c=(20.0,))},
    ],
)
def test_a_missing_or_impossible_fact_is_refused(wrong: dict[str, object]) -> None:
    facts: dict[str, object] = {
        "latitude_deg": 35.0,
        "longitude_deg": 0.0,
        "tilt_deg": 20.0,
        "azimuth_deg": 180.0,
        "dc_ac_ratio": 1.2,
        "clearness_by_month": CLEARNESS,
    }
    with pytest.raises(ValueError, match=r"known|outside|needed|divide"):
        day_shapes(**{**facts, **wrong})  # type: ignore[arg-type]


def test_incidence_never_exceeds_a_right_angle() -> None:
    """A north wall at noon gets no beam: only sky and ground remain, less than a third of what a south wall gets."""
    sun = sky.sun_over(50.0, 0.0, 3600.0)
    kt = np.full((1, 24), 0.6)
    light = plane.Sky.of(sun, np.array([0]), kt)
    north, south = (plane.plane_w_m2(light, 90.0, az)[0, 12] for az in (0.0, 180.0))
    assert 0.0 < north < south / 3.0

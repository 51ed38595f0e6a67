"""Device sizes and roof temperatures of the NEC."""

from __future__ import annotations

import math

import pytest

from auditor.catalog import load_catalog
from auditor.electrical.ampacity import BREAKER_SIZES_A, ampacity_exceeds_a, roof_adder_c


def test_sizes_are_those_of_the_catalog() -> None:
    assert list(BREAKER_SIZES_A) == load_catalog().frames()["standard_breaker"]["amps"].to_list()


@pytest.mark.parametrize(
    ("device_a", "exceeds_a"),
    [
        # 2 AWG copper of 115 A takes 125 A, the next size above 110 A (public training text on 240.4(B)).
        (125.0, 110.0),
        (20.0, 15.0),
        (15.0, 0.0),
        (800.0, 700.0),
    ],
)
def test_the_next_standard_size_may_protect(device_a: float, exceeds_a: float) -> None:
    assert ampacity_exceeds_a(device_a) == exceeds_a


def test_above_800_a_the_ampacity_is_the_device() -> None:
    assert ampacity_exceeds_a(1000.0) == pytest.approx(1000.0)
    assert ampacity_exceeds_a(1000.0) < 1000.0


def test_a_device_that_is_not_standard_has_no_answer() -> None:
    with pytest.raises(ValueError, match="not in tuple"):
        ampacity_exceeds_a(18.0)


@pytest.mark.parametrize(
    ("clearance_mm", "year", "adder_c"),
    [
        # From memory: the table of 2008 to 2014, and the single 33 °C since 2017.
        (10.0, 2014, 33.0),
        (13.0, 2011, 33.0),
        (50.0, 2014, 22.0),
        (200.0, 2008, 17.0),
        (500.0, 2014, 14.0),
        (1000.0, 2014, 0.0),
        (10.0, 2017, 33.0),
        (50.0, 2020, 0.0),
        (10.0, 2005, 0.0),
    ],
)
def test_a_sunlit_roof_adds_by_clearance_and_edition(clearance_mm: float, year: int, adder_c: float) -> None:
    assert roof_adder_c(clearance_mm, year) == adder_c


def test_an_unknown_clearance_adds_an_unknown_temperature() -> None:
    assert math.isnan(roof_adder_c(math.nan, 2020))

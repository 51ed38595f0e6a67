"""Overcurrent device sizes and temperature rules of the NEC, as plain numbers and functions."""

from __future__ import annotations

import math

#: Standard ampere ratings of fuses and inverse-time breakers, NEC 240.6(A), as printed in EC&M, 14 March 2019.
BREAKER_SIZES_A = (
    15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 125.0, 150.0, 175.0, 200.0,
    225.0, 250.0, 300.0, 350.0, 400.0, 450.0, 500.0, 600.0, 700.0, 800.0, 1000.0, 1200.0, 1600.0, 2000.0, 2500.0,
    3000.0, 4000.0, 5000.0, 6000.0,
)  # fmt: skip

#: Additional standard ratings of fuses, NEC 240.6(A); since 2023 the 10 A breaker too (the latter from memory).
FUSE_SIZES_A = (1.0, 3.0, 6.0, 10.0, 601.0)

#: Continuous current counts at 125 %: NEC 210.19(A)(1), 215.2(A)(1), 690.8(B)(1), 705.28; equal in 2011 to 2023.
CONTINUOUS_FACTOR = 1.25

#: Up to this rating the next standard size above the ampacity may protect a conductor, NEC 240.4(B); above it the
#: ampacity must be the device's own rating, 240.4(C) [A].
NEXT_SIZE_UP_TO_A = 800.0

#: Highest ambient [°C] for which the ambient table has a factor, by conductor rating [°C], NEC Table 310.15(B)(1).
HIGHEST_AMBIENT_C = {60: 55.0, 75: 70.0, 90: 85.0}


def ampacity_exceeds_a(device_a: float) -> float:
    """Return what a conductor's ampacity must exceed [A] for a standard device [A] to protect it.

    NEC 240.4(B): the device may be the next standard size above the ampacity, so the ampacity must exceed the size
    below the device; 240.4(C): above 800 A it must be the device's rating itself. Small conductors have limits of
    their own, 240.4(D), which are not in here. ValueError where the device is not a standard breaker.
    """
    place = BREAKER_SIZES_A.index(device_a)
    if device_a > NEXT_SIZE_UP_TO_A:
        return math.nextafter(device_a, 0)
    return BREAKER_SIZES_A[place - 1] if place else 0.0


def roof_adder_c(clearance_mm: float, edition_year: int) -> float:
    """Return what a raceway in sunlight above a roof adds to the ambient temperature [°C]; NaN for a NaN clearance.

    `clearance_mm` is from the roof to the bottom of the raceway. From memory: NEC 2008 to 2014, Table 310.15(B)(2)(c)
    and 310.15(B)(3)(c): 33 °C up to 13 mm, 22 up to 90, 17 up to 300, 14 up to 900. In 2017 and 2020, 310.15(B)(3)(c),
    then 310.15(B)(2): 33 °C below 7/8 in (23 mm); since 2023 below 3/4 in (19 mm); else none. Before 2008: none. Type
    XHHW-2 is excepted since 2014; this function does not know the insulation.
    """
    if math.isnan(clearance_mm):
        return math.nan
    if edition_year >= 2023:
        return 33.0 if clearance_mm < 19 else 0.0
    if edition_year >= 2017:
        return 33.0 if clearance_mm < 23 else 0.0
    if edition_year >= 2008:
        steps = ((13, 33.0), (90, 22.0), (300, 17.0), (900, 14.0))
        return next((adder for up_to, adder in steps if clearance_mm <= up_to), 0.0)
    return 0.0

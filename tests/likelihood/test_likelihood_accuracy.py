"""What interpolation in a table costs, for every kind of profile, against the machine solved at the place itself."""

from __future__ import annotations

import numpy as np
import pytest
from likelihood_cases import PROFILES, days, supply, table

from auditor.likelihood.accuracy import interpolation_error
from auditor.likelihood.inputs import Profile, Threshold
from auditor.likelihood.table import make_table
from auditor.policy import load_policy
from auditor.trips.supply import character

KINDS = ("runs on", "ceases", "volt-watt", "ten minutes, fixed, droop", "ten minutes, sliding")
BETWEEN = ((1.3, 0.8), (4.6, 2.3))
#: Thresholds well above the return ceiling: around an own rise of the difference, a unit goes from one trip a day to
#: many.
CEILING_BELOW = Profile(
    (Threshold(258 / 2.3, 3.0, True), Threshold(265 / 2.3, 2.0), Threshold(275 / 2.3, 0.2)), 110.0, 60.0, 360.0,
    mean_slides=True,
)  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_interpolation_costs_less_than_two_percent(name: str) -> None:
    error = interpolation_error(table(name), PROFILES[name], supply(), days(), BETWEEN)
    assert error["mean"] < 0.02, error
    if name.startswith("ten minutes"):
        assert error["trips"] < 0.25, error
        assert error["episodes"] < 0.06, error
        assert error["lost_h"] < 0.3, error


@pytest.mark.long
def test_a_ten_minute_rule_on_the_policys_slow_supply() -> None:
    """Little noise that changes slowly, and own rises between the nodes where the trips of a day jump."""
    slow = character(load_policy().supply)
    made = make_table(CEILING_BELOW, slow, days(), np.full(12, 2.5))
    error = interpolation_error(made, CEILING_BELOW, slow, days(), ((1.7, 0.8), (2.79, 0.8), (3.6, 1.7)))
    assert error["mean"] < 0.03, error
    assert error["trips"] < 1 / 6, error
    assert error["episodes"] < 0.06, error
    assert error["lost_h"] < 0.3, error

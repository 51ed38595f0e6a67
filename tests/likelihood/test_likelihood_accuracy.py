"""What interpolation in a table costs, for every kind of profile, against the machine solved at the place itself."""

from __future__ import annotations

import pytest
from likelihood_cases import PROFILES, days, supply, table

from auditor.likelihood.accuracy import interpolation_error

KINDS = ("runs on", "ceases", "volt-watt", "ten minutes, fixed, droop", "ten minutes, sliding")
BETWEEN = ((1.3, 0.8), (4.6, 2.3))


@pytest.mark.long
@pytest.mark.parametrize("name", KINDS)
def test_interpolation_costs_less_than_two_percent(name: str) -> None:
    error = interpolation_error(table(name), PROFILES[name], supply(), days(), BETWEEN)
    assert error["mean"] < 0.02, error

"""The never-tripped state along whole lines, and figures without a chain, against the whole machine."""

from __future__ import annotations

import numpy as np
import pytest
from likelihood_cases import PROFILES, days, supply
from scipy.stats import norm

from auditor.likelihood.grid import nodes_for
from auditor.likelihood.inputs import DayShapes
from auditor.likelihood.machine import solve_days
from auditor.likelihood.slot import Points
from auditor.likelihood.static import static_hours
from auditor.likelihood.survival import Lines, day_chances


@pytest.mark.parametrize("name", list(PROFILES))
def test_lines_of_levels_have_the_machines_chances(name: str) -> None:
    profile, s = PROFILES[name], supply()
    nodes = nodes_for(profile, s)
    own, beta = np.array([0.0, 3.0]), np.array([0.5, 1.5])
    low = profile.first_pct - nodes.margin_pct[-1] - own - beta
    few = DayShapes(days().output[:5:2], days().month[:5:2], days().days[:5:2])
    found = day_chances(profile, s, few, Lines(own, beta, low, nodes.cells, nodes.count), nodes.spacing_pct)
    for pair in range(2):
        level = low[pair] + nodes.spacing_pct * np.arange(nodes.count)
        points = Points(level, np.full(level.size, own[pair]), np.full(level.size, beta[pair]))
        machine = solve_days(profile, s, few, points).tripped
        seen = machine > 3e-6
        assert found[:, pair][seen] == pytest.approx(machine[seen], rel=3e-3)
        assert np.all(found[:, pair][~seen] < 4e-6)


def test_without_noise_the_lines_are_told_by_hand() -> None:
    """A threshold of 110 %, no spread: 107 % and a rise of 3 % reach it, lower levels do not."""
    profile, s = PROFILES["runs on"], supply(sigma_pct=0.0, peak_pct=0.0, dev_pct=np.zeros((12, 24)))
    f = np.zeros((1, 288))
    f[0, 100:200] = 1.0
    lines = Lines(np.array([3.0]), np.array([0.0]), np.array([105.9]), 1, 5)
    found = day_chances(profile, s, DayShapes(f, np.array([5]), np.ones(1)), lines, 0.5)
    assert found[0, 0].tolist() == [0.0, 0.0, 0.0, 1.0, 1.0]


@pytest.mark.parametrize("name", ["runs on", "volt-watt", "ceases and droops", "volt-watt and volt-var"])
def test_hours_without_a_chain_are_those_of_a_unit_that_never_trips(name: str) -> None:
    """Against sums over slots: the normal law for hours, and the machine where nothing trips for curtailment."""
    profile, s, shapes = PROFILES[name], supply(), days()
    own, beta, low, count = np.array([2.0, 4.0]), np.array([1.0, 0.5]), np.array([101.0, 101.0]), 8
    over, ceased, curtailed = static_hours(profile, s, shapes, own, beta, low, 0.5, count)
    level = low[0] + 0.5 * np.arange(count)
    for pair in range(2):
        found = solve_days(profile, s, shapes, Points(level, np.full(count, own[pair]), np.full(count, beta[pair])))
        machine = shapes.days @ found.over_h
        seen = machine > 1.0
        assert over[pair][seen] == pytest.approx(machine[seen], rel=0.03)
        calm = shapes.days @ found.trips < 0.05
        assert curtailed[pair][calm] == pytest.approx((shapes.days @ found.curtailed_h)[calm], rel=0.02, abs=0.05)
        assert ceased[pair][calm] == pytest.approx((shapes.days @ found.ceased_h)[calm], rel=0.05, abs=0.05)
    if name == "runs on":
        hours = np.arange(288) // 12
        lit = shapes.output > 0
        mean = s.dev_pct[shapes.month][:, hours] + 5.0 * shapes.output / 5.0 * 3.0
        law = [(shapes.days[:, None] * lit * norm.sf((110.0 - x - mean) / 0.6)).sum() / 12 for x in level]
        assert over[0] == pytest.approx(law, rel=0.01, abs=0.01)

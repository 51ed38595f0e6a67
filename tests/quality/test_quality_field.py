"""The field sample: visits, inclusion probabilities, and an estimate that holds what it says."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from auditor.quality import field


def portfolio(**sizes: int) -> pl.DataFrame:
    rows = [(f"{name[0]}{n:04d}", name) for name, size in sizes.items() for n in range(size)]
    return pl.DataFrame(rows, schema=["system_id", "stratum"], orient="row")


def test_visits_go_where_they_tell_most() -> None:
    # Neyman 1934: in proportion to N sqrt(p q), here 100 x 0.5 to 100 x 0.3.
    assert field.allocated([100, 100], [0.5, 0.1], 40).tolist() == [25, 15]
    # No stratum takes more than it has, nor less than two.
    assert field.allocated([5, 100], [0.5, 0.01], 60).tolist() == [5, 55]
    assert field.allocated([1000, 4], [0.5, 0.01], 20).tolist() == [18, 2]
    assert field.allocated([3, 1], [0.5, 0.5], 20).tolist() == [3, 1]
    with pytest.raises(ValueError, match="3 visits are too few: the strata need 4"):
        field.allocated([10, 10], [0.5, 0.5], 3)


def test_a_seed_draws_the_same_systems_in_any_order() -> None:
    systems = portfolio(fail=30, unknown=20, **{"pass": 150})
    drawn = field.drawn(systems, 24, 7)
    assert drawn.equals(field.drawn(systems.reverse(), 24, 7))
    assert set(drawn["system_id"]) != set(field.drawn(systems, 24, 8)["system_id"])
    assert drawn.height == 24
    # The inclusion probabilities of all systems add up to the visits.
    strata = drawn.unique("stratum")
    assert (strata["chance"] * strata["stratum_systems"]).sum() == pytest.approx(24)


def test_every_system_has_its_chance() -> None:
    systems = portfolio(fail=10, **{"pass": 40})
    seeds = 600
    drawn = pl.concat([field.drawn(systems, 12, seed) for seed in range(seeds)])
    counts = drawn.group_by("system_id", "chance").len()
    assert counts.height == 50
    off = (counts["len"] / seeds - counts["chance"]) / (counts["chance"] * (1 - counts["chance"]) / seeds).sqrt()
    assert off.abs().max() < 4


def test_the_estimate_by_hand() -> None:
    # 100 systems of which 10 visited, 3 deficient; 300 of which 10 visited, 1 deficient.
    found = pl.DataFrame({
        "stratum": ["fail"] * 10 + ["pass"] * 11, "stratum_systems": [100] * 10 + [300] * 11,
        "deficient": [True] * 3 + [False] * 7 + [True] + [False] * 9 + [None],
    })  # fmt: skip
    told = field.estimated(found)
    assert told.share == pytest.approx(0.25 * 0.3 + 0.75 * 0.1)
    # Cochran 1977, eq. 5.7: W^2 (1 - n/N) p q / (n - 1), with 3.5 and 7.5, 1.5 and 9.5 of 11 findings.
    first, second = 3.5 / 11, 1.5 / 11
    variance = 0.0625 * 0.9 * first * (1 - first) / 9 + 0.5625 * (1 - 10 / 300) * second * (1 - second) / 9
    share = 0.25 * first + 0.75 * second
    assert told.effective == pytest.approx(share * (1 - share) / variance)
    assert (told.systems, told.visited) == (400, 20)
    assert told.low < 0.15 < told.high
    with pytest.raises(ValueError, match="two results"):
        field.estimated(found.head(1))


def test_who_visits_all_knows() -> None:
    found = pl.DataFrame({"stratum": ["fail"] * 3, "stratum_systems": [3] * 3, "deficient": [True, True, False]})
    told = field.estimated(found)
    assert told.share == told.low == told.high == pytest.approx(2 / 3)


@pytest.mark.parametrize("shares", [(0.6, 0.3, 0.08), (0.98, 0.5, 0.01)], ids=["even", "sharp"])
def test_intervals_hold_the_truth_as_often_as_they_say(shares: tuple[float, ...]) -> None:
    rng = np.random.default_rng(2)
    systems = portfolio(fail=120, unknown=60, **{"pass": 420})
    by_stratum = dict(zip(("fail", "unknown", "pass"), shares, strict=True))
    chance = systems["stratum"].replace_strict(by_stratum).to_numpy()
    systems = systems.with_columns(deficient=pl.Series(rng.random(600) < chance))
    truth, held, found = systems["deficient"].mean(), 0, []
    for seed in range(300):
        told = field.estimated(field.drawn(systems, 60, seed).join(systems.drop("stratum"), on="system_id"))
        held += told.low <= truth <= told.high
        found.append(told.share)
    assert held / 300 > 0.92
    assert np.mean(found) == pytest.approx(truth, abs=4 * np.std(found) / np.sqrt(300))

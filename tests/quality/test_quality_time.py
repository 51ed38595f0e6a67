"""Counts over time, causes and repeated faults, against published values, reference libraries and hand arithmetic."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from auditor.quality import over_time, patterns, timeline


def test_p_chart() -> None:
    # NIST/SEMATECH e-Handbook 6.3.3.2: mean share 0.2313, samples of 50.
    low, high = over_time.p_chart(0.2313, 50)
    assert (float(low), float(high)) == pytest.approx((0.0524, 0.4102), abs=5e-5)
    low, high = over_time.share_limits([0.2313 * 50, 0.5], [50, 50])
    assert (low[0], high[0]) == pytest.approx((0.0524, 0.4102), abs=5e-5)
    # Where half a failure is expected, the exact tail counts: with 3 failures or fewer of 50 lies 0.9983 of the
    # binomial with chance 0.01, with 4 or fewer 0.9999; the limit at 0.99865 lies between 3/50 and 4/50.
    assert low[1] == 0
    assert 3 / 50 < high[1] < 4 / 50


def test_limits_of_so_many_points_give_alarms_by_chance() -> None:
    # Wears, BMJ 2002: 37 points in control all lie within three sigma with a chance of 0.905.
    assert 1 - over_time.false_signals(37) == pytest.approx(0.905, abs=5e-4)
    assert over_time.false_signals(0) == 0
    # Of gaps about 20 the limit is 81.48: one is 82 or more with a chance of (20/21)^82 = 0.0183.
    assert (
        float(over_time.g_beyond(20))
        == pytest.approx(stats.geom.sf(81, 1 / 21, loc=-1))
        == pytest.approx(0.0183, abs=5e-5)
    )


def test_g_chart() -> None:
    # Benneyan 2001: 20 + 3 sqrt(20 x 21) = 81.48.
    assert over_time.g_limit(20) == pytest.approx(81.48, abs=5e-3)
    assert over_time.gaps([0, 0, 1, 1, 0, 1, 0]).tolist() == [2, 0, 1]
    assert over_time.gaps([0, 0]).size == 0
    # The geometric count's own median, and at even chances by hand: a gap of none has a chance of one half.
    means = np.array([0.0, 0.6, 1.0, 2.0, 26.8])
    assert over_time.g_median(means).tolist() == [0, *stats.geom.median(1 / (means[1:] + 1), loc=-1)]
    assert over_time.g_median(1.0) == 0


def test_no_failures_where_hardly_any_are_expected_are_no_row() -> None:
    # Of 20 cases with a chance of 0.001 each none fails with a chance of 0.98: ten such years say nothing, though each
    # lies below what is expected. With 4 expected, none failing has a chance of 0.01, and eight such years are a row.
    years = pl.DataFrame({"value": "Bo", "year": list(range(2010, 2020)), "judged": 20, "failed": 0, "expected": 0.02})
    assert set(timeline.by_year(years)["signal"]) == {""}
    often = timeline.by_year(years.with_columns(expected=pl.lit(4.0)))
    assert (often["signal"] == over_time.ROW).sum() == 3
    # At an unchanged rate a row comes in no more than one of 128 courses of eight, whatever is expected.
    rng = np.random.default_rng(7)
    for expected in (0.02, 0.7, 1.5, 4.0):
        failed = rng.binomial(20, expected / 20, 8 * 20_000)
        median = over_time.count_median(expected, 20)
        row = over_time.in_a_row(failed > median, failed < median, np.arange(failed.size) % 8 == 0)
        assert row.mean() * 8 <= 1.1 / 128, expected


def test_eight_in_a_row() -> None:
    above = np.array([1] * 8 + [0] + [1] * 7, bool)
    begins = np.arange(16) == 0
    assert np.flatnonzero(over_time.in_a_row(above, ~above, begins)).tolist() == [7]
    # Where another course begins nothing is in a row with what stood before.
    assert not over_time.in_a_row(above, ~above, begins | (np.arange(16) == 3)).any()
    neither = np.zeros(9, bool)
    assert not over_time.in_a_row(neither, neither, neither).any()


def test_the_tail_of_a_parting() -> None:
    # Nothing expected to differ: the plain hypergeometric (Fisher's exact test). 12 of 20 before, 3 of 20 after.
    found = over_time.parting_tail(np.array([12.0]), np.array([5.0]), np.array([20.0]), (15.0, 10.0, 40.0))
    assert found == pytest.approx([stats.hypergeom.sf(11, 40, 15, 20)])
    # Three failures expected before against one after: Fisher's noncentral one with that odds ratio.
    found = over_time.parting_tail(np.array([12.0]), np.array([9.0]), np.array([20.0]), (15.0, 12.0, 40.0))
    odds = (9 / 11) / (3 / 17)
    assert found == pytest.approx([stats.nchypergeom_fisher.sf(11, 40, 15, 20, odds)])


def test_a_change_is_found_where_it_is() -> None:
    seen, mean = [[4, 5, 4, 0, 0, 1], [1, 1, 1, 1, 1, 1], [0, 0, 0, 0, 0, 0]], np.full((3, 6), 1.5)
    found = over_time.changes(seen, mean, np.full((3, 6), 8.0))
    assert found.at[0] == 3
    assert (found.before[0], found.after[0]) == pytest.approx((13 / 4.5, 1 / 4.5))
    # 13 of 24 before, 1 of 24 after, doubled, at five places.
    assert found.chance[0] == pytest.approx(10 * stats.hypergeom.sf(12, 48, 14, 24))
    assert found.chance[1:].tolist() == [1, 1]
    # Years without a case are no place to part at.
    gap = over_time.changes([[5, 0, 0, 0]], [[1.5, 0, 0, 1.5]], [[8, 0, 0, 8]])
    assert gap.at[0] == 3
    assert gap.chance[0] == pytest.approx(2 * stats.hypergeom.sf(4, 16, 5, 8))


def test_a_course_by_year_signals_by_the_rules() -> None:
    years = pl.DataFrame({
        "value": "Bo", "year": [None, *range(2010, 2020)], "judged": 20, "failed": [9, 12, *[3] * 9], "expected": 2.0,
    })  # fmt: skip
    found = timeline.by_year(years)
    assert found["year"].to_list() == list(range(2010, 2020))
    # Twelve of twenty where two are expected lies beyond; from the eighth year above what is expected on, so do others.
    assert found["signal"].to_list() == [over_time.BEYOND, *[""] * 6, *[over_time.ROW] * 3]
    assert found["share"].to_list() == pytest.approx([0.6, *[0.15] * 9])
    # With nine times the spread the limits lie three times as many deviates out, and 12 of 20 lies within.
    assert timeline.by_year(years.head(2), 9.0)["signal"].to_list() == [""]
    assert timeline.by_year(years.clear()).height == 0
    # Now above, now below what is expected: no row.
    even = pl.DataFrame(
        {"value": "Bo", "year": list(range(2010, 2020)), "judged": 20, "failed": [1, 3] * 5, "expected": 2.0}
    )
    assert set(timeline.by_year(even)["signal"]) == {""}


def test_a_course_between_failures_goes_by_date() -> None:
    days = pl.date_range(pl.date(2020, 1, 1), pl.date(2020, 1, 30), eager=True)
    failed = [place in (1, 2, 4, 29) for place in range(30)]
    cases = pl.DataFrame({"value": "Bo", "day": days, "system_id": [f"s{n}" for n in range(30)], "failed": failed})
    frame = timeline.between_failures(cases.reverse())
    assert frame["gap"].to_list() == [1, 0, 1, 24]
    assert frame["number"].to_list() == [1, 2, 3, 4]
    assert frame["limit"].to_list() == pytest.approx([6.5 + 3 * np.sqrt(6.5 * 7.5)] * 4)
    assert frame["signal"].to_list() == [""] * 4  # 24 lies below 27.4
    assert frame["day"][0] == days[1]
    often = timeline.between_failures(cases.with_columns(failed=pl.int_range(30) >= 20))
    assert often["gap"].to_list() == [20] + [0] * 9
    assert often["signal"].to_list() == [over_time.BEYOND] + [""] * 7 + [over_time.ROW] * 2
    assert timeline.between_failures(cases.with_columns(failed=pl.lit(False))).height == 0
    # Two courses, one after the other, are those of each alone.
    two = pl.concat([cases, cases.with_columns(value=pl.lit(None, pl.String), failed=pl.int_range(30) >= 20)])
    both = timeline.between_failures(two).drop("value")
    assert both.equals(pl.concat([often, frame]).drop("value"))


def test_pareto() -> None:
    counts = pl.DataFrame({"cause": ["b", "a", "b", "c"], "failed": [5, 2, 1, 0]})
    found = patterns.pareto(counts)
    assert found["cause"].to_list() == ["b", "a"]
    assert found["cumulative"].to_list() == pytest.approx([0.75, 1.0])


def test_repeats_are_more_than_chance() -> None:
    # One year: 100 designers with ten systems each fail one each, but one fails nine.
    counts = pl.DataFrame({
        "value": [f"d{n:02d}" for n in range(100)], "year": 2020, "cause": "busbar", "judged": 10,
        "failed": [1] * 99 + [9],
    })  # fmt: skip
    found = patterns.repeats(counts)
    assert found["value"].to_list() == ["d99"]
    assert found["expected"].to_list() == pytest.approx([10 * 108 / 1000])
    assert found["chance"].to_list() == pytest.approx([stats.binom.sf(8, 10, 0.108)])
    assert patterns.repeats(counts.with_columns(failed=pl.lit(3))).height == 0  # often, and alike
    assert patterns.repeats(counts.clear()).height == 0

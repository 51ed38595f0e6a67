"""Every signal of a comparison: which rule, when, of whom, and whether it is for the worse."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from auditor.quality import timeline
from auditor.quality.over_time import BEYOND, ROW

YEARS = [
    # 36 of sixty where six are expected, else as expected.
    *(("Bo", year, 60, 36 if year == 2012 else 6, 6.0) for year in range(2010, 2020)),
    # None of four where 0.1 is expected: rare, and no signal by year.
    *(("Ada", year, 4, 0, 0.1) for year in range(2010, 2020)),
    # Of nobody named nothing is told.
    (None, 2010, 20, 19, 2.0),
]
UNITS = pl.DataFrame({
    "value": ["Bo", "Ada"], "changed": [None, 2015], "before": [None, 2.0], "after": [None, 0.5],
}, schema_overrides={"changed": pl.Int32})  # fmt: skip


CASES = pl.DataFrame(schema={"value": pl.String, "day": pl.Date, "system_id": pl.String, "failed": pl.Boolean})


def frame(years: list[tuple[str | None, int, int, int, float]]) -> pl.DataFrame:
    return pl.DataFrame(years, schema=["value", "year", "judged", "failed", "expected"], orient="row")


def test_each_signal_says_whose_when_and_by_which_rule() -> None:
    # Twelve cases of each fail at once after thirty that passed; Bo's failures are not rare, so his gaps are no chart.
    cases = [(who, n, n >= 30) for who in ("Ada", "Bo") for n in range(42)]
    rows = [(who, date(2010, 1, 1), f"S{n:03d}", failed) for who, n, failed in cases]
    dated = pl.DataFrame(rows, schema=CASES.schema, orient="row")
    found = timeline.signals(UNITS, frame(YEARS), dated, 1.0, "designer")
    by_course = {(row["course"], row["value"], row["measure"]): row for row in found.iter_rows(named=True)}
    assert set(by_course) == {
        (timeline.ALL, None, timeline.SHARE), ("designer", "Bo", timeline.SHARE), ("designer", "Ada", timeline.GAP),
        ("designer", "Ada", timeline.RATIO),
    }  # fmt: skip
    share = by_course["designer", "Bo", timeline.SHARE]
    assert (share["year"], share["rule"], share["worse"], share["seen"]) == (2012, BEYOND, True, 0.6)
    assert share["by_chance"] == pytest.approx(0.0027, abs=5e-5)
    change = by_course["designer", "Ada", timeline.RATIO]
    assert (change["year"], change["rule"], change["worse"]) == (2015, timeline.CHANGE, False)
    assert (change["centre"], change["seen"], change["by_chance"]) == (2.0, 0.5, None)
    gaps = found.filter(pl.col("measure") == timeline.GAP)
    # The mean gap is 30 / 12 = 2.5: thirty lies beyond 2.5 + 3 sqrt(2.5 x 3.5) = 11.4 and is for the better; then
    # eleven gaps of none lie below the median, of which the last four end eight in a row, for the worse.
    assert gaps["rule"].to_list() == [BEYOND] + [ROW] * 4
    assert gaps["worse"].to_list() == [False] + [True] * 4
    assert gaps["seen"].to_list() == [30, 0, 0, 0, 0]
    assert gaps["by_chance"].to_list() == pytest.approx([(2.5 / 3.5) ** 12] + [1 / 128] * 4)
    assert gaps["day"].to_list() == [date(2010, 1, 1)] * 5


def test_design_years_have_no_course_of_their_own() -> None:
    courses = timeline.signals(UNITS.clear(), frame(YEARS), CASES, 1.0, "year")["course"]
    assert set(courses) == {timeline.ALL}


def test_a_comparison_without_a_case_has_no_signal() -> None:
    nothing = timeline.signals(UNITS.clear(), frame(YEARS).clear(), CASES, 1.0, "designer")
    assert nothing.schema == timeline.SIGNALS
    assert nothing.height == 0

"""Filters to the address and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.filters import COLUMNS, GROUPINGS, MOST_VALUES, VERDICTS, Filters, View, parse, query_string, range_of


def some(values: st.SearchStrategy) -> st.SearchStrategy:
    return st.lists(values, max_size=4, unique=True).map(tuple)


TEXTS = some(st.none() | st.text(min_size=1, max_size=30))
NUMBER = st.integers(-99_999, 99_999).map(str) | st.decimals(-999, 999, places=2).map(str)
RANGES = some(st.builds("{}..{}".format, NUMBER | st.just(""), NUMBER) | st.just("unknown"))
FILTERS = st.builds(
    Filters,
    verdict=some(st.sampled_from(VERDICTS)),
    check=some(st.sampled_from(["voltage-rise", "busbar:unknown", "safety"])),
    fact=some(st.sampled_from(["feed", "home_run_length_m"])),
    region=TEXTS, utility=TEXTS, designer=TEXTS, service=TEXTS, model=TEXTS,
    year=some(st.none() | st.integers(0, 9999)),
    rise=RANGES,
    over=RANGES | some(st.integers(-40, 40).map(str)),
    text=st.text(max_size=40).map(str.strip),
)  # fmt: skip
SORTS = st.lists(
    st.tuples(st.sampled_from(COLUMNS), st.booleans()), min_size=1, max_size=3, unique_by=lambda pair: pair[0]
).map(tuple)
VIEWS = st.builds(View, FILTERS, SORTS, st.sampled_from(GROUPINGS), st.sampled_from(GROUPINGS))


@given(VIEWS)
def test_a_view_survives_its_address(view: View) -> None:
    assert parse(query_string(view)) == (view, ())


@given(st.text(max_size=200))
def test_any_address_gives_a_view(search: str) -> None:
    view, _ = parse(search)
    assert parse(query_string(view)) == (view, ())


def test_only_what_differs_is_written() -> None:
    assert query_string(View()) == ""
    assert query_string(View(Filters(verdict=("fail",)))) == "?verdict=fail"
    assert query_string(View(by="model")) == "?by=model"
    assert query_string(View(trips_by="region")) == "?trips-by=region"


@pytest.mark.parametrize(
    "search",
    ["?verdict=perhaps", "?year=19x4", "?rise=..", "?rise=a..b", "?over=1e9", "?check=A;B", "?sort=secret",
     "?sort=-fails,fails", "?by=crew", "?trips-by=crew", "?unheard=1", "?designer=" + "x" * 500, "?year=%E0%A5%A8",
     "?fact=1%3Ddrop"],
)  # fmt: skip
def test_what_is_not_understood_is_ignored_and_said(search: str) -> None:
    view, notes = parse(search)
    assert view == View()
    assert len(notes) == 1
    assert "ignored" in notes[0]


def test_a_filter_holds_a_bounded_number_of_values() -> None:
    view, notes = parse("?" + "&".join(f"year={n}" for n in range(1000, 1000 + MOST_VALUES + 5)))
    assert len(view.filters.year) == MOST_VALUES
    assert notes


@given(FILTERS, st.sampled_from(["fail", "unknown", "pass"]))
def test_toggling_twice_changes_nothing_but_order(filters: Filters, verdict: str) -> None:
    twice = filters.toggled("verdict", verdict).toggled("verdict", verdict)
    assert set(twice.verdict) == set(filters.verdict)


def test_ranges() -> None:
    assert range_of("1.5..2") == (1.5, 2.0)
    assert range_of("..-7") == (None, -7.0)
    assert range_of("6..") == (6.0, None)
    assert range_of("-2") == (-2.0, -1.0)

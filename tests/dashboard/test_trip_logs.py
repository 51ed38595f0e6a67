"""The words on logs and readings on the system page, from rows of results; nothing is drawn."""

from __future__ import annotations

from typing import Any

from dashboard.pages import system_trips_logs
from dashboard.pages.system_trips_logs import BEFORE, FIGURES

ROW: dict[str, Any] = {
    **{name: 9.8 for name, _, _ in FIGURES}, **{name + BEFORE: 4.1 for name, _, _ in FIGURES},
    "trip_chance_year": 0.9996, "trip_chance_year_before_logs": 0.42, "trip_chance_30d": 0.0004,
    "trip_chance_30d_before_logs": 0.1, "logged_days": 310.0, "logged_trip_days": 12.0,
    "expected_trip_days_in_log": 4.0, "chance_of_so_many_in_log": 0.06, "log_multiplier": 2.39,
    "log_multiplier_low": 1.6, "log_multiplier_high": 3.3, "supply_from": "policy", "output_from": "reckoned",
}  # fmt: skip


def told(row: dict[str, Any]) -> str:
    return str(system_trips_logs.logs(row))


def test_both_figures_and_what_lies_between_them_are_told() -> None:
    text = told(ROW)
    assert "Before the log 4.1 a year; after 310 logged days with 12 trip-days, where 4.0 were to be expected" in text
    assert "by 2.4 (80 % between 1.6 and 3.3)" in text
    assert "above 99.9" in text
    assert "below 0.1" in text
    assert "Something else than chance" not in text


def test_a_count_that_is_hardly_possible_is_told_with_the_caution() -> None:
    text = told(ROW | {"chance_of_so_many_in_log": 1e-5, "log_multiplier_low": 300.0})
    assert "less than 1 in 10,000" in text
    assert "stop and call" in text
    assert "by more than 100" in text


def test_without_a_log_or_a_likelihood_nothing_is_claimed() -> None:
    assert system_trips_logs.logs(ROW | {"logged_days": None}) == []
    assert "not known" in told(ROW | {"log_multiplier": None})
    assert system_trips_logs.rests_on({}) == ""


def test_where_the_supply_comes_from() -> None:
    read = ROW | {"supply_from": "readings of 92 days", "output_from": "measured on 61 days"}
    words = "The supply comes from readings of 92 days; the output is measured on 61 days. "
    assert system_trips_logs.rests_on(read) == words
    assert system_trips_logs.supply_word(ROW) == "of nominal, assumed"
    assert "readings of 92 days" in system_trips_logs.supply_word(read)

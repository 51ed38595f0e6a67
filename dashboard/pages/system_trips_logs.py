"""What logs and readings changed of a system's likelihood: figures before and after, and where its supply is from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.remedies.base import HARDLY
from dashboard import components
from dashboard.pages.trip_picture import days

Row = Mapping[str, Any]

#: Factors above this are told as more than it, and chances nearer to none or certain than this likewise.
MOST_TIMES, LEAST_CHANCE = 100, 0.001
#: Figures that a log replaces: column, label, whether a chance.
FIGURES = (
    ("trip_days_per_year", "trip-days a year, expected", False),
    ("trip_days_per_year_median", "the same at the middle", False),
    ("trip_days_per_year_low", "lower end of the 80 % range", False),
    ("trip_days_per_year_high", "upper end of the 80 % range", False),
    ("trip_chance_year", "chance of any trip in a year", True),
    ("trip_chance_30d", "chance of any trip in the coming 30 days", True),
)
BEFORE = "_before_logs"


def logs(row: Row) -> list[Component]:
    """The sentence on what the log holds and changed, with both columns behind it; nothing without a log."""
    logged = row.get("logged_days")
    if logged is None:
        return []
    held = f"{_count(logged, 'logged day')} with {_count(row['logged_trip_days'], 'trip-day')}"
    if row["log_multiplier"] is None:
        return [html.P(f"The log holds {held}. What they change is not known, since the likelihood is not.")]
    told = html.P(
        [
            f"Before the log {days(row['trip_days_per_year' + BEFORE])} a year; after {held}, where"
            f" {days(row['expected_trip_days_in_log'])} were to be expected: ",
            html.B(days(row["trip_days_per_year"])),
            f". {_factor(row)}",
        ],
        className="trip-log",
    )
    return [told, *_hardly(row), _both(row)]


def rests_on(row: Row) -> str:
    """Where the supply and the output come from."""
    supply, output = row.get("supply_from", "policy"), row.get("output_from", "reckoned")
    if (supply, output) == ("policy", "reckoned"):
        return ""
    read = f"The supply comes from {supply}" if supply != "policy" else "The supply is the policy's"
    made = f"the output is {output}" if output != "reckoned" else "the output is reckoned from sun and plane"
    return f"{read}; {made}. "


def supply_word(row: Row) -> str:
    """How the supply's figures are known."""
    supply = row.get("supply_from", "policy")
    return "of nominal, assumed" if supply == "policy" else f"of nominal, from {supply} where they tell"


def _hardly(row: Row) -> list[Component]:
    """A word where the model hardly allows what the log holds."""
    chance = row["chance_of_so_many_in_log"]
    if chance >= HARDLY:
        return []
    shown = "less than 1 in 10,000" if chance < 1e-4 else f"about 1 in {round(1 / chance):,}"
    return [
        html.P(
            f"So many trip-days had a chance of {shown}. Something else than chance is likely: the supply runs higher"
            " than assumed, lengths, sizes or settings differ from the record, or a connection is loose. Where one is"
            " suspected, stop and call; readings at the service tell supply from wiring.",
            className="note",
        )
    ]


def _both(row: Row) -> Component:
    """The figures before and after the log."""
    frame = pl.DataFrame(
        [
            {"figure": label, "before the log": _shown(row[column + BEFORE], chance),
             "after it": _shown(row[column], chance)}
            for column, label, chance in FIGURES
        ]
    )  # fmt: skip
    summary = html.Summary("Before and after the log")
    note = html.P(
        "Days outside the log, in lost communication or before other settings count for nothing. Trips, episodes, what"
        " trips lose and what the target would save change with the trip-days; curtailment and headroom do not.",
        className="note",
    )
    return html.Details([summary, components.table(frame), note], className="as-table")


def _shown(value: float | None, chance: bool) -> str:
    if value is None:
        return "–"
    if not chance:
        return days(value)
    if LEAST_CHANCE <= value <= 1 - LEAST_CHANCE:
        return components.number(100 * value, "%", 1)
    return "below 0.1\u202f%" if value < LEAST_CHANCE else "above 99.9\u202f%"


def _count(value: float, what: str) -> str:
    return f"{value:,.0f} {what}{'' if round(value) == 1 else 's'}"


def _factor(row: Row) -> str:
    """The factor that the log puts on the expectation, with its range; far beyond a hundred it is no more exact."""
    times, low, high = (row[name] for name in ("log_multiplier", "log_multiplier_low", "log_multiplier_high"))
    if low >= MOST_TIMES:
        return f"The log multiplies the expectation by more than {MOST_TIMES}."
    return f"The log multiplies the expectation by {_times(times)} (80 % between {_times(low)} and {_times(high)})."


def _times(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 else "less than 0.01" if value < 0.01 else f"{value:.2g}"

"""The system page's section on overvoltage trips: how often, why, what is assumed, and what the target would save."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from dash import html
from dash.development.base_component import Component

from auditor.one_system.trips import waits_for
from auditor.trip_likelihood import NAME, TITLE, documentation
from dashboard import components
from dashboard.pages import system_hours, system_trips_logs
from dashboard.pages.trip_picture import LEAST_DAYS, days, picture

Row = Mapping[str, Any]

#: What each figure is, in the order of the table: column, label, unit, what it says.
FIGURES = (
    ("trip_days_per_year", "trip-days a year, expected", "", "days with at least one trip, averaged over what the"
     " site's supply may be: rank and add up by this one"),
    ("trip_days_per_year_median", "the same at the middle of what the site may be", "", "half of such sites lie below"),
    ("trip_days_per_year_low", "lower end of the 80 % range", "", "one site in ten lies below"),
    ("trip_days_per_year_high", "upper end of the 80 % range", "", "one site in ten lies above"),
    ("trip_chance_year", "chance of any trip in a year", "%", ""),
    ("trip_chance_30d", "chance of any trip in the 30 days after the as-of date", "%", ""),
    ("trips_per_year", "trips a year", "", "several may fall on one day"),
    ("episodes_per_year", "episodes a year", "", "trips less than an hour apart count once, as in a log"),
    ("lost_kwh_per_year", "lost a year to trips, waiting, ramps and cessation", "kWh", "all units"),
    ("curtailed_kwh_per_year", "curtailed a year by volt-watt", "kWh", "all units"),
    ("hours_over", "hours a year over the first threshold", "h", "if nothing tripped"),
    ("cessation_hours", "hours a year in cessation", "h", "output stops, the unit stays connected"),
)  # fmt: skip
#: What the supply is taken to be.
SUPPLY = (
    ("supply_level_pct", "annual mean of the supply"),
    ("supply_site_pct", "how far a site may be from it (standard deviation)"),
    ("neighbours_sun_pct", "what the neighbours' sun adds at full sun"),
)
CAUTION = (
    "The likelihood rests on assumptions about the supply until readings replace them. It says nothing of loose"
    " connections or an open neutral, which raise the voltage too: where one is suspected, stop and call."
)


def section(row: Row | None, as_of: str, hours: bool = False) -> Component:
    """The section of a system's row of results; None where the run holds none of it.

    `hours` tells that the trips by month and hour are asked for.
    """
    inside: list[Any] = [html.H2("Overvoltage trips", id="trips")]
    if row is None:
        inside.append(html.P("This run was made before the likelihood of trips was worked out. Audit again to see it."))
    elif row["trip_missing"]:
        facts = ", ".join(waits_for(row["trip_missing"]))
        inside.append(html.P([components.verdict_mark("unknown"), f" The likelihood needs: {facts}."]))
        inside += [*system_trips_logs.logs(row), _assumed(row)]
    else:
        inside += [*_known(row, as_of), system_hours.section(hours), _figures(row, as_of)]
    return html.Section([*inside, _explained(), html.P(CAUTION, className="note")], className="trips")


def _known(row: Row, as_of: str) -> list[Component]:
    """The answer in a sentence, the picture, what it rests on and what would move it."""
    low, high = days(row["trip_days_per_year_low"]), days(row["trip_days_per_year_high"])
    between = f"{low} to {high}" if low != high else f"{low} at either end"
    headline = html.P(
        [
            html.B(f"Expected on {days(row['trip_days_per_year'])} days a year"),
            f" ({row['trip_band']}); 80 in 100 such sites see {between}. Grid profile {row['trip_profile']}, first"
            f" threshold {row['first_threshold_pct']:.2f}\u202f% of nominal.",
        ],
        className="headline",
    )
    any_trip = html.P(
        f"Chance of any trip: {chance(row['trip_chance_year'])} in a year, {chance(row['trip_chance_30d'])} in the 30"
        f" days after {as_of}."
    )
    return [headline, any_trip, *system_trips_logs.logs(row), picture(row), _saved(row), _assumed(row)]


def chance(value: float) -> str:
    """A chance in percent, never as certain as it is not."""
    percent = 100 * value
    if percent < 0.1:
        return "below 0.1\u202f%"
    return "above 99.9\u202f%" if percent > 99.9 else f"{percent:.{0 if 10 <= percent <= 90 else 1}f}\u202f%"


def _saved(row: Row) -> Component:
    """What meeting the wiring target would save, and where other changes can be tried."""
    saved = row["trip_days_saved_at_target"]
    if saved is None:
        says = "What meeting the wiring target would save is not known."
    elif saved < LEAST_DAYS:
        says = "The wiring is within its target or hardly matters here: meeting it would save next to nothing."
    else:
        says = f"Meeting the wiring target would save {days(saved)} trip-days a year."
    return html.P([says, " Other changes: ", html.A("what if", href="#what-if"), "."])


def _assumed(row: Row) -> Component:
    told = row["trip_most_telling"]
    most = f" The one that moves the answer most: {told}." if told else ""
    return html.P(
        [
            system_trips_logs.rests_on(row),
            "Assumed, from the policy: ",
            (row["trip_assumed"] or "nothing").replace("; ", ", "),
            ".",
            most,
        ]
    )


def _figures(row: Row, as_of: str) -> Component:
    rows = []
    for column, label, unit, says in FIGURES:
        value = row[column]
        shown = components.number(None if value is None else 100 * value if unit == "%" else value, unit, 1)
        what = f"from {as_of}" if column == "trip_chance_30d" else says
        rows.append({"figure": label, "value": shown, "what it says": what})
    for column, label in SUPPLY:
        value = components.number(row[column], "%", 2)
        rows.append({"figure": label, "value": value, "what it says": system_trips_logs.supply_word(row)})
    frame = components.table(pl.DataFrame(rows))
    return html.Details([html.Summary("All figures"), frame], className="as-table")


def _explained() -> Component:
    """How it is worked out, as `auditor explain` says it."""
    return html.Details(
        [html.Summary(f"How it is worked out ({NAME})"), html.Pre(f"{TITLE}\n\n{documentation()}")],
        className="documentation",
    )

"""The grammar of dates: ISO always, any other figures only under a declared order."""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

from auditor.records.fault import Fault, clean, foreign_digits, shown

DateOrder = Literal["month-day-year", "day-month-year", "year-month-day"]

_TIME = r"(?:[ T]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[AaPp][Mm])?)?"
_ISO = re.compile(rf"(\d{{4}})-(\d{{2}})-(\d{{2}}){_TIME}", re.ASCII)
_FIGURES = re.compile(rf"(\d{{1,4}})([/.\- ])(\d{{1,2}})\2(\d{{1,4}}){_TIME}", re.ASCII)
_NAMED = re.compile(
    r"(?:(?P<day>\d{1,2})[ \-](?P<month>[a-z]{3,9})|(?P<month2>[a-z]{3,9}) (?P<day2>\d{1,2}),?)[ \-](?P<year>\d+)",
    re.ASCII | re.IGNORECASE,
)
_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_YEARS = range(1900, 2101)


def parse_date(text: str, order: DateOrder | None = None) -> date | Fault:
    """Return the date; a time of day after it is dropped.

    Without a declared order only ISO dates and those with the month's name are read: 10/2/2023 is two different days.
    """
    body = clean(text)
    if foreign_digits(body):
        return Fault("type-error", f"{shown(body)} has non-ASCII digits")
    iso = _ISO.fullmatch(body)
    if iso is not None:
        return _day(iso[1], iso[2], iso[3], body)
    named = _NAMED.fullmatch(body)
    if named is not None:
        return _named_day(named, body)
    figures = _FIGURES.fullmatch(body)
    if figures is None:
        return _no_date(body)
    if order is None:
        return Fault(
            "ambiguous-date",
            f'{shown(body)}: write date_order = "month-day-year", "day-month-year" or "year-month-day" under [file] '
            "in the mapping, or dates as 2020-03-25",
        )
    parts = dict(zip(order.split("-"), (figures[1], figures[3], figures[4]), strict=True))
    if len(parts["year"]) == 2:
        return Fault("two-digit-year", f"{shown(body)} has a year of two digits; write all four")
    if len(parts["year"]) != 4 or len(parts["month"]) > 2 or len(parts["day"]) > 2:
        return Fault("type-error", f"{shown(body)} is not a date in the declared order {order}")
    return _day(parts["year"], parts["month"], parts["day"], body)


def _no_date(body: str) -> Fault:
    if body.isdecimal() and len(body) == 5:
        return Fault("type-error", f"{shown(body)} looks like a spreadsheet's serial for a date; write 2020-03-25")
    return Fault("type-error", f"{shown(body)} is not a date such as 2020-03-25")


def _named_day(named: re.Match[str], body: str) -> date | Fault:
    name = (named["month"] or named["month2"]).lower()
    months = [i for i, month in enumerate(_MONTHS, 1) if name in (month, month[:3]) or (name == "sept" and i == 9)]
    if not months:
        return _no_date(body)
    if len(named["year"]) != 4:
        return Fault("two-digit-year", f"{shown(body)} needs a year of four digits")
    return _day(named["year"], str(months[0]), named["day"] or named["day2"], body)


def _day(year: str, month: str, day: str, body: str) -> date | Fault:
    try:
        value = date(int(year), int(month), int(day))
    except ValueError:
        return Fault(
            "type-error", f"{shown(body)} is no day of the calendar, read as year {year}, month {month}, day {day}"
        )
    if value.year not in _YEARS:
        return Fault("constraint-error", f"{shown(body)} lies outside the years 1900 to 2100")
    return value

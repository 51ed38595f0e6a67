"""What a page shows: filters, sort and grouping, and the query string that holds whatever differs from the default.

A query string may come from anyone. What it holds that is not known or not well formed is ignored, and said.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from urllib.parse import parse_qsl, urlencode

#: How many values one filter may hold, and how long a text may be [characters].
MOST_VALUES = 60
MOST_CHARACTERS = 200

VERDICTS = ("fail", "unknown", "pass", "not applicable")
#: What a chart can group systems by.
GROUPINGS = ("year", "utility", "region", "designer", "service", "model")
#: Columns of the table of systems, in their order; the only names that a sort may hold.
COLUMNS = (
    "verdict", "system_id", "worst_rise_pct", "trip_days", "units_over", "fails", "unknowns", "site_label", "region",
    "utility", "designer", "year", "service", "model", "circuits", "units",
)  # fmt: skip
DEFAULT_SORT = (("worst_rise_pct", True),)
#: The order by trip-days expected, most first.
BY_TRIPS = (("trip_days", True),)

_NAME = re.compile(r"[a-z][a-z0-9-]{0,60}(:unknown)?")
_FACT = re.compile(r"[a-z][a-z0-9_]{0,60}")
#: A range "from..to" with either end open, a whole number, or "unknown".
_RANGE = re.compile(r"(?:-?\d{1,6}(?:\.\d{1,4})?)?\.\.(?:-?\d{1,6}(?:\.\d{1,4})?)?")
_WHOLE = re.compile(r"-?\d{1,6}")


@dataclass(frozen=True)
class Filters:
    """Which systems are shown. Values of one filter are alternatives, filters narrow each other.

    None among the values of a text or year stands for systems that do not state it. `check` holds a check's name for
    systems that fail it, or `name:unknown`; the severity `safety` in place of a name stands for all its checks. `fact`
    holds the facts that an unknown verdict waits for; `rise`, `trips` and `over` ranges `from..to` of the worst rise
    [%], of the trip-days expected a year and of the inverters beyond the branch limit, from inclusive, to exclusive.
    """

    verdict: tuple[str, ...] = ()
    check: tuple[str, ...] = ()
    fact: tuple[str, ...] = ()
    region: tuple[str | None, ...] = ()
    utility: tuple[str | None, ...] = ()
    designer: tuple[str | None, ...] = ()
    year: tuple[int | None, ...] = ()
    service: tuple[str | None, ...] = ()
    model: tuple[str | None, ...] = ()
    rise: tuple[str, ...] = ()
    trips: tuple[str, ...] = ()
    over: tuple[str, ...] = ()
    text: str = ""

    def toggled(self, name: str, value: str | int | None) -> Filters:
        """The filters with one value of a filter added, or removed where it is in force."""
        held: tuple[str | int | None, ...] = getattr(self, name)
        if value in held:
            return replace(self, **{name: tuple(v for v in held if v != value)})
        return replace(self, **{name: (*held, value)[-MOST_VALUES:]})

    def without(self, name: str) -> Filters:
        """The filters with one of them lifted."""
        return replace(self, **{name: "" if name == "text" else ()})

    @property
    def any(self) -> bool:
        """Whether any filter is in force."""
        return self != Filters()


@dataclass(frozen=True)
class View:
    """Filters, sort (column, descending), and the groupings of the chart of failures and of that of trips."""

    filters: Filters = field(default_factory=Filters)
    sort: tuple[tuple[str, bool], ...] = DEFAULT_SORT
    by: str = "year"
    trips_by: str = "utility"


def _text(value: str) -> str | None:
    if len(value) > MOST_CHARACTERS:
        raise ValueError
    return value or None


def _year(value: str) -> int | None:
    if not value:
        return None
    if not re.fullmatch(r"[0-9]{1,4}", value):
        raise ValueError
    return int(value)


def _among(*allowed: str) -> Callable[[str], str]:
    def read(value: str) -> str:
        if value not in allowed:
            raise ValueError
        return value

    return read


def _like(*patterns: re.Pattern[str]) -> Callable[[str], str]:
    def read(value: str) -> str:
        if not any(pattern.fullmatch(value) for pattern in patterns) or value == "..":
            raise ValueError
        return value

    return read


READERS: dict[str, Callable[[str], str | int | None]] = {
    "verdict": _among(*VERDICTS),
    "check": _like(_NAME),
    "fact": _like(_FACT),
    "region": _text,
    "utility": _text,
    "designer": _text,
    "year": _year,
    "service": _text,
    "model": _text,
    "rise": _like(_RANGE, re.compile("unknown")),
    "trips": _like(_RANGE, re.compile("unknown")),
    "over": _like(_RANGE, _WHOLE, re.compile("unknown")),
}
#: The filters in the order of their fields.
NAMES = tuple(f.name for f in fields(Filters))


def _sort(value: str) -> tuple[tuple[str, bool], ...]:
    columns = []
    for part in value.split(","):
        name = part.removeprefix("-")
        if name not in COLUMNS or name in dict(columns):
            raise ValueError
        columns.append((name, part.startswith("-")))
    return tuple(columns)


def parse(search: str | None) -> tuple[View, tuple[str, ...]]:
    """The view that a query string asks for, and a sentence for each part of it that was ignored."""
    ignored: list[str] = []
    held: dict[str, list[str | int | None]] = {}
    text, sort, by, trips_by = "", DEFAULT_SORT, View().by, View().trips_by
    try:
        pairs = parse_qsl((search or "").removeprefix("?"), keep_blank_values=True, max_num_fields=1_000)
    except ValueError:
        return View(), ("The address holds too much to read; all systems are shown.",)
    for name, value in pairs:
        try:
            if name == "text":
                text = (_text(value) or "").strip()
            elif name == "sort":
                sort = _sort(value)
            elif name == "by":
                by = _among(*GROUPINGS)(value)
            elif name == "trips-by":
                trips_by = _among(*GROUPINGS)(value)
            else:
                values = held.setdefault(name, [])
                read = READERS[name](value)
                if len(values) >= MOST_VALUES:
                    raise ValueError
                if read not in values:
                    values.append(read)
        except KeyError:
            held.pop(name, None)
            ignored.append(f"“{_short(name)}” is no filter here and was ignored.")
        except ValueError:
            ignored.append(f"“{_short(value)}” is no value of “{name}” and was ignored.")
    filters = Filters(text=text, **{name: tuple(values) for name, values in held.items()})  # type: ignore[arg-type]
    return View(filters, sort, by, trips_by), tuple(dict.fromkeys(ignored))


def query_string(view: View) -> str:
    """The query string of a view, "" for the default one; `parse` reads it back."""
    pairs: list[tuple[str, str]] = []
    for name in READERS:
        pairs += [(name, "" if value is None else str(value)) for value in getattr(view.filters, name)]
    if view.filters.text:
        pairs.append(("text", view.filters.text))
    if view.sort != DEFAULT_SORT:
        pairs.append(("sort", ",".join(f"-{name}" if down else name for name, down in view.sort)))
    if view.by != View().by:
        pairs.append(("by", view.by))
    if view.trips_by != View().trips_by:
        pairs.append(("trips-by", view.trips_by))
    return "?" + urlencode(pairs) if pairs else ""


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:39] + "…"


def range_of(value: str) -> tuple[float | None, float | None]:
    """The ends of a range "from..to", None where it is open; a whole number n is n to n + 1."""
    if ".." not in value:
        return float(value), float(value) + 1
    low, _, high = value.partition("..")
    return (float(low) if low else None), (float(high) if high else None)

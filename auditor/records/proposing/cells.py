"""What the cells of a column are, whatever its header says: figures, their units, sizes, dates, words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from auditor.records.dates import DateOrder, parse_date
from auditor.records.fault import Fault, clean
from auditor.records.quantities import parse_length
from auditor.records.sizes import Size, parse_size

#: Cells that plainly mean: missing. `DOUBTFUL` ones may mean it, and a person has to say so.
MISSING = frozenset(
    {"", "n/a", "n.a.", "na", "-", "--", "–", "—", "null", "none", "nil", "nan", "#n/a", "(null)", "(none)"}
)
DOUBTFUL = frozenset({"tbd", "tba", "?", "??", "unknown", "unk", "x", "xx", "pending", "see plans", "."})
YES, NO = frozenset({"y", "yes", "true", "t", "1", "x"}), frozenset({"n", "no", "false", "f", "0"})

_FIGURE = re.compile(r"([+-]?\d[\d.,]*)\s*(\D.*)?", re.ASCII)
_DATE = re.compile(r"(\d{1,4})([/.\- ])(\d{1,2})\2(\d{1,4})(?:[ T]\d{1,2}:\d{2}.*)?", re.ASCII)
_DAY_FIRST = re.compile(r"\d{1,2}[ \-][a-z]{3,9}[ \-](?:\d{2}|\d{4})", re.ASCII | re.IGNORECASE)
_COMMA_DECIMAL = re.compile(r"[+-]?\d+,(?:\d{1,2}|\d{4,})(?:\s*[^\d\s,].*)?|[+-]?0,\d+.*", re.ASCII)
_POINT_DECIMAL = re.compile(r"[+-]?\d+\.\d+(?:\s*[^\d\s.].*)?|[+-]?\d{1,3}(?:,\d{3})+\.\d+", re.ASCII)
_WITH_VOLTS_OR_AMPERES = re.compile(r"\d\s?[AV]\b")
_KCMIL = frozenset({"250", "350", "400", "500", "600", "700", "750", "1000"})
_GAUGES = frozenset({"1", "2", "3", "4", "6", "8", "10", "12", "14"})
_SQUARE_MM = frozenset(
    {"1.5", "2.5", "4", "6", "10", "16", "25", "35", "50", "70", "95", "120", "150", "185", "240", "300"}
)
#: Sizes of Japan, Korea and the Philippines (JIS C 3307, from memory); a header or a cell must say mm².
_SQUARE_MM_ELSEWHERE = frozenset(
    {"2", "2.0", "3.5", "5.5", "8", "14", "22", "30", "38", "60", "80", "100", "125", "200", "250"}
)


@dataclass(frozen=True)
class Cells:
    """The sampled cells of one column."""

    every: tuple[str, ...]

    @cached_property
    def filled(self) -> tuple[str, ...]:
        """The trimmed cells that say something."""
        texts = (clean(text) for text in self.every)
        return tuple(text for text in texts if text.lower() not in MISSING and text.lower() not in DOUBTFUL)

    @cached_property
    def distinct(self) -> tuple[str, ...]:
        """Each of them once, in the order of the file."""
        return tuple(dict.fromkeys(self.filled))

    @cached_property
    def missing(self) -> tuple[str, ...]:
        """The spellings, besides the empty cell, that plainly mean missing."""
        texts = dict.fromkeys(clean(text) for text in self.every)
        return tuple(text for text in texts if text and text.lower() in MISSING)

    def share(self, test: object) -> float:
        """Return the share of filled cells that a test (text -> bool) accepts; 0 where none is filled."""
        assert callable(test)
        return sum(bool(test(text)) for text in self.filled) / len(self.filled) if self.filled else 0.0


def figure(text: str, decimal_mark: str | None) -> tuple[float, str] | None:
    """Return a cell's figure and the unit text after it (empty where there is none); None where it has no figure."""
    match = _FIGURE.fullmatch(text)
    if match is None:
        return None
    body = match[1].rstrip(".,")
    mark = decimal_mark or "."
    body = body.replace("," if mark == "." else ".", "").replace(mark, ".")
    try:
        return float(body), (match[2] or "").strip().lower()
    except ValueError:
        return None


def is_plain_figure(text: str) -> bool:
    """Whether a cell is a figure without a unit."""
    read = figure(text, None)
    return read is not None and not read[1]


def is_length(text: str, decimal_mark: str | None) -> bool:
    """Whether a cell reads as a length, with a unit or without."""
    return not isinstance(parse_length(text, "m", decimal_mark or "."), Fault)


def is_size(text: str, decimal_mark: str | None) -> bool:
    """Whether a cell is a conductor's size, or what was one: a cable, or a date made from it."""
    read = parse_size(text, "mm2", decimal_mark)
    return isinstance(read, Size) or (
        read.code in ("cable-not-size", "looks-like-date") and not _WITH_VOLTS_OR_AMPERES.search(text)
    )


def size_unit(cells: Cells, decimal_mark: str | None) -> tuple[str | None, bool]:
    """Return the unit of bare sizes, and whether the cells settle it (also where every cell states its own)."""
    stated, bare = set[str](), set[str]()
    for text in cells.distinct:
        read = parse_size(text, None, decimal_mark)
        if isinstance(read, Size):
            stated.add("mm2" if read.size.endswith("mm2") else "AWG")
        elif read.code == "ambiguous-unit":
            bare.add(text.split()[0].replace(",", "."))
    if not bare:
        return None, bool(stated)
    possible = {"AWG"} if bare <= _GAUGES else set[str]()
    possible |= {"mm2"} if bare <= _SQUARE_MM else set()
    if len(stated) == 1 and len(possible) == 2:
        possible = stated
    options = possible & stated if stated else possible
    return (options.pop(), True) if len(options) == 1 else (None, False)


def bare_sizes_fit(cells: Cells, unit: str) -> bool:
    """Whether every size without a unit is one that this unit has."""
    known = _GAUGES if unit == "AWG" else _SQUARE_MM | _SQUARE_MM_ELSEWHERE
    return all(text in known for text in (text.replace(",", ".") for text in cells.distinct) if is_plain_figure(text))


def is_usual_size(text: str, unit: str | None = None) -> bool:
    """Whether a figure without a unit of its own is a size that conductors are made in."""
    elsewhere = _SQUARE_MM_ELSEWHERE if unit == "mm2" else frozenset[str]()
    return text.replace(",", ".") in _GAUGES | _SQUARE_MM | _KCMIL | elsewhere


def is_date(text: str) -> bool:
    """Whether a cell is a date in any order."""
    match = _DATE.fullmatch(text)
    if match is not None:
        figures = [int(match[1]), int(match[3]), int(match[4])]
        return sum(f <= 31 for f in figures) >= 2 and min(figures) > 0
    read = parse_date(text)
    return not isinstance(read, Fault) or read.code == "two-digit-year"


def needs_order(text: str) -> bool:
    """Whether a date is written in figures that an order must explain."""
    return _DATE.fullmatch(text) is not None and isinstance(parse_date(text), Fault)


def date_order(texts: Sequence[str]) -> tuple[DateOrder | None, str | None]:
    """Return the order that dates are written in, decided only where a cell settles it, and that cell."""
    found: dict[DateOrder, str] = {}
    for text in texts:
        match = _DATE.fullmatch(text)
        if match is None:
            if _DAY_FIRST.fullmatch(text):
                found.setdefault("day-month-year", text)
            continue
        first, second = int(match[1]), int(match[3])
        if len(match[1]) == 4:
            found.setdefault("year-month-day", text)
        elif first > 12 >= second:
            found.setdefault("day-month-year", text)
        elif second > 12 >= first:
            found.setdefault("month-day-year", text)
    return next(iter(found.items())) if len(found) == 1 else (None, None)


def decimal_mark(columns: Sequence[Cells]) -> str | None:
    """Return the decimal mark that the file's figures show, None where none does or the columns disagree.

    Ids such as 1.1 look like figures: a mark counts where more than twice as many columns show it as the other.
    """
    commas, points = 0, 0
    for cells in columns:
        comma = any(_COMMA_DECIMAL.fullmatch(text) for text in cells.distinct)
        point = any(_POINT_DECIMAL.fullmatch(text) for text in cells.distinct)
        commas, points = commas + comma, points + point
    return "," if commas > 2 * points else "." if points > 2 * commas else None


def has_letters(text: str) -> bool:
    """Whether a cell has a letter in it."""
    return any(c.isalpha() for c in text)


def is_yes_or_no(text: str) -> bool:
    """Whether a cell says yes or no."""
    return text.lower() in YES | NO

"""What a number format says a stored number is: a date, a percentage, an id with leading zeros, a figure with a unit.

Number formats are those of ECMA-376 part 1, 18.8.30 and 18.8.31: the built-in ids and the grammar of format codes.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from auditor.records.quantities import UNITS

Meaning = Literal["number", "date", "percent", "padded"]


@dataclass(frozen=True)
class CellFormat:
    """How a number in a cell of this format is read. `width` is that of zero-padded figures, `unit` is shown after."""

    meaning: Meaning = "number"
    width: int = 0
    unit: str = ""


NUMBER = CellFormat()
DATE = CellFormat("date")
PERCENT = CellFormat("percent")

#: Built-in ids with a day, month or year (18.8.30, those of East Asian locales included), and those with a percent.
_BUILT_IN = dict.fromkeys((*range(14, 18), 22, *range(27, 32), 36, *range(50, 55), 57, 58), DATE) | dict.fromkeys(
    (9, 10), PERCENT
)
_LITERAL = re.compile(r'"[^"]*"|\\.|_.|\*.')
_BRACKETS = re.compile(r"\[[^\]]*\]")
_WITH_UNIT = re.compile(r'[#0,.?]+(?:\\ |_.| )*(?:"\s*(?P<quoted>[^"]+?)\s*"|\\(?P<escaped>\S))\s*')
_UNITS = {unit for units in UNITS.values() for unit in units} | {"awg", "kcmil", "mcm", "mm2", "mm²"}
#: A sheet keeps this many significant digits of a number.
DIGITS = 15
_LARGE = re.compile(r"-?\d(?:\.\d+)?e\+\d+")
_LAST_SERIAL = 2_958_465  # 9999-12-31


def built_in(number: int) -> CellFormat:
    """Return the meaning of a built-in format id."""
    return _BUILT_IN.get(number, NUMBER)


def read_format(code: str) -> CellFormat:
    """Return the meaning of a format code; only its first section, that of positive numbers, counts."""
    first = _first_section(code)
    unit = _WITH_UNIT.fullmatch(first)
    bare = _BRACKETS.sub("", _LITERAL.sub("", first)).lower()
    if "general" in bare:
        return NUMBER
    if "%" in bare:
        return PERCENT
    # A lone m is a month, beside hours or seconds it is minutes: a time of day or a span is no date.
    clock = "h" in bare or "s" in bare or re.search(r"\[[hms]+\]", first, re.IGNORECASE)
    if "y" in bare or "d" in bare or ("m" in bare and not clock):
        return DATE
    if re.fullmatch(r"0{2,}", first.strip()):
        return CellFormat("padded", width=len(first.strip()))
    shown = (unit["quoted"] or unit["escaped"]) if unit else ""
    return CellFormat("number", unit=shown) if shown.lower() in _UNITS else NUMBER


def _first_section(code: str) -> str:
    quoted = False
    for place, mark in enumerate(code):
        if mark == '"':
            quoted = not quoted
        elif mark == ";" and not quoted:
            return code[:place]
    return code


def number_text(stored: str, cell_format: CellFormat, from_1904: bool) -> str:
    """Return a stored number as text: the figure without the noise beyond 15 digits, or what its format makes of it.

    What is no number stays as it is stored.
    """
    if cell_format is NUMBER and len(stored) <= DIGITS and "E" not in stored and "e" not in stored:
        return stored
    try:
        value = float(stored)
    except ValueError:
        return stored
    if not math.isfinite(value):
        return stored
    if cell_format.meaning == "date":
        return _date_text(value, from_1904) or f"{value:.{DIGITS}g}"
    if cell_format.meaning == "percent":
        return f"{value * 100:.{DIGITS}g}%"
    figure = f"{value:.{DIGITS}g}"
    if cell_format.meaning == "padded":
        return figure.zfill(cell_format.width) if figure.isdecimal() else figure
    return f"{figure} {cell_format.unit}" if cell_format.unit else figure


def has_lost_digits(text: str) -> bool:
    """Whether a number's text is that of a figure of more digits than a sheet keeps, such as a long serial number."""
    return len(text) >= 5 and "e+" in text and _LARGE.fullmatch(text) is not None


def _date_text(serial: float, from_1904: bool) -> str | None:
    """Return the ISO date of a serial, with the time of day if it has one; None where a sheet shows no date either.

    The count from 1900 holds a 29 February 1900 that never was (serial 60); days before it are one less.
    """
    if not 1 <= serial < _LAST_SERIAL + 1 - (1_462 if from_1904 else 0):
        return None
    days, part = divmod(serial, 1.0)
    if from_1904:
        day = date(1904, 1, 1) + timedelta(days=days)
    elif days == 60:
        return "1900-02-29"
    else:
        day = date(1899, 12, 31 if days < 60 else 30) + timedelta(days=days)
    seconds = min(round(part * 86_400), 86_399)
    if not seconds:
        return day.isoformat()
    return f"{day.isoformat()} {seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"

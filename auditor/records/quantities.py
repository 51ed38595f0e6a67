"""Grammars of figures: numbers, whole numbers, lengths, currents and other quantities with a unit.

Conversion factors are exact by definition: 1 in = 0.0254 m, 1 ft = 0.3048 m, 1 yd = 0.9144 m (international yard and
pound agreement, 1959, as given in NIST Special Publication 811, appendix B.8); degrees Fahrenheit by
t_c = (t_f - 32) · 5/9 (the same, appendix B.8).
"""

from __future__ import annotations

import math
import re

from auditor.records.fault import Fault, clean, foreign_digits, shown

_FEET = dict.fromkeys(("ft", "foot", "feet", "'"), 0.3048)
_INCHES = dict.fromkeys(("in", "inch", "inches", '"'), 0.0254)
_METRES_PER: dict[str, float] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), 0.01),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), 0.001),
    **dict.fromkeys(("yd", "yard", "yards"), 0.9144),
    **_FEET,
    **_INCHES,
}

#: For each unit a column may be in, the units a cell may be in (lower case): value = figure * scale + offset.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "m": {unit: (scale, 0.0) for unit, scale in _METRES_PER.items()},
    "mm": {unit: (scale * 1000.0, 0.0) for unit, scale in _METRES_PER.items()} | {"mm": (1.0, 0.0)},
    "A": dict.fromkeys(("a", "amp", "amps", "ampere", "amperes"), (1.0, 0.0)),
    "°C": {
        **dict.fromkeys(("c", "°c", "degc", "deg c"), (1.0, 0.0)),
        **dict.fromkeys(("f", "°f", "degf", "deg f"), (5.0 / 9.0, -160.0 / 9.0)),
    },
    "kVA": {"va": (0.001, 0.0), "kva": (1.0, 0.0), "mva": (1000.0, 0.0)},
    "kW": {"w": (0.001, 0.0), "kw": (1.0, 0.0), "mw": (1000.0, 0.0)},
    "%": {"%": (1.0, 0.0)},
    "deg": {"°": (1.0, 0.0), "deg": (1.0, 0.0), "degrees": (1.0, 0.0)},
    "1": {},
    "": {},
}

_PLAIN = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?", re.ASCII),
}
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d*)?", re.ASCII),
    ",": re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d*)?", re.ASCII),
}
_COMMA_FIGURE = re.compile(r"[+-]?\d+(?:[.,]\d+)*,\d+(?:[.,]\d+)*", re.ASCII)
_WITH_UNIT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(\D.*)", re.ASCII)
_FEET_AND_INCHES = re.compile(
    r"(\d+)\s*(?:'|ft\.?|foot|feet)\s*-?\s*(\d+(?:\.\d+)?)\s*(?:\"|in\.?|inch|inches)", re.ASCII | re.IGNORECASE
)
#: Primes and curly quotes that people type for feet and inches.
_PRIMES = str.maketrans({"’": "'", "′": "'", "‘": "'", "”": '"', "″": '"', "“": '"'})
_LARGEST_INTEGER = 2**63 - 1


def _not_a(what: str, text: str) -> Fault:
    hint = " (non-ASCII digits)" if foreign_digits(text) else ""
    return Fault("type-error", f"{shown(text)} is not {what}{hint}")


def parse_number(text: str, decimal_mark: str | None = None) -> float | Fault:
    """Return the figure; a comma needs the mapping's decimal mark, for 1,250 may be 1250 or 1.25.

    With a declared mark the other one may group thousands. Infinities and NaN are no figures.
    """
    body = clean(text)
    mark = decimal_mark or "."
    if _PLAIN[mark].fullmatch(body):
        value = float(body.replace(mark, "."))
        return value if math.isfinite(value) else Fault("type-error", f"{shown(body)} is too large a number")
    if decimal_mark is None and _COMMA_FIGURE.fullmatch(body):
        return Fault(
            "ambiguous-number",
            f"{shown(body)} has a comma that may be a decimal mark or group thousands; "
            'write decimal_mark = "." or "," under [file] in the mapping',
        )
    if decimal_mark is not None and _GROUPED[mark].fullmatch(body):
        other = "," if mark == "." else "."
        return float(body.replace(other, "").replace(mark, "."))
    return _not_a("a number", body)


def parse_integer(text: str, decimal_mark: str | None = None) -> int | Fault:
    """Return the whole number; 16.0 is one, as spreadsheets write it, and 16.5 is not."""
    body = clean(text)
    if re.fullmatch(r"[+-]?\d+", body, re.ASCII):
        # Compare lengths first: a text of a million digits is no count and would be slow to convert.
        if len(body) > 20 or abs(int(body)) > _LARGEST_INTEGER:
            return Fault("type-error", f"{shown(body)} is too large a whole number")
        return int(body)
    value = parse_number(body, decimal_mark)
    if isinstance(value, Fault):
        return value if value.code != "type-error" else _not_a("a whole number", body)
    if not value.is_integer() or abs(value) > 2**53:
        return _not_a("a whole number", body)
    return int(value)


def parse_quantity(
    text: str, column_unit: str, default_unit: str | None = None, decimal_mark: str | None = None
) -> float | Fault:
    """Return the figure in the column's unit (a key of UNITS).

    A unit in the cell governs; without one the default unit does, and without that the column's own.
    """
    body = clean(text)
    units = UNITS[column_unit]
    match = _WITH_UNIT.fullmatch(body)
    unit = (default_unit or column_unit).lower()
    figure = body
    if match is not None and _known_unit(match[2], units) is not None:
        figure, unit = match[1], _known_unit(match[2], units) or unit
    value = parse_number(figure, decimal_mark)
    if isinstance(value, Fault):
        if value.code != "type-error" or match is None or column_unit in ("", "1"):
            return value
        return Fault("type-error", f"{shown(body)} is not a number with a unit that can become {column_unit}")
    scale, offset = units.get(unit, (1.0, 0.0))
    return value * scale + offset


def _known_unit(text: str, units: dict[str, tuple[float, float]]) -> str | None:
    unit = text.lower()
    if unit not in units and unit.endswith("."):
        unit = unit[:-1]
    return unit if unit in units else None


def parse_length(text: str, default_unit: str = "m", decimal_mark: str | None = None) -> float | Fault:
    """Return metres from such as 75 ft, 75', 75' 6", 906 in, 25 yd, 23 m or a bare figure in the default unit."""
    body = clean(text).translate(_PRIMES).replace("''", '"')
    match = _FEET_AND_INCHES.fullmatch(body)
    if match is not None:
        return int(match[1]) * 0.3048 + float(match[2]) * 0.0254
    value = parse_quantity(body, "m", default_unit, decimal_mark)
    if isinstance(value, Fault) and value.code == "type-error":
        return _not_a("a length such as 75 ft or 23 m", clean(text))
    return value


def parse_current(text: str, decimal_mark: str | None = None) -> float | Fault:
    """Return amperes from such as 20, 20 A or 20A."""
    value = parse_quantity(text, "A", None, decimal_mark)
    if isinstance(value, Fault) and value.code == "type-error":
        return _not_a("a current such as 20 A", clean(text))
    return value

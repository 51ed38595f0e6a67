"""What the workings share: a row's facts, figures as text, and comparisons as the checks make them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from auditor.checks.base import TOLERANCE

UNKNOWN = "?"


@dataclass(frozen=True)
class Worked:
    """A finding worked out: lines of text, and the value and limit that their arithmetic gives."""

    lines: tuple[str, ...]
    value: float | None
    limit: float | None


class Row:
    """One prepared row; a figure that is null or NaN is None."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = values

    def number(self, column: str) -> float | None:
        """The column as a float."""
        return known(self._values[column])

    def text(self, column: str) -> str | None:
        """The column as text."""
        value = self._values[column]
        return None if value is None else str(value)

    def flag(self, column: str) -> bool:
        """The column as a truth value; null is false."""
        return bool(self._values[column])

    def index(self, column: str) -> int:
        """The column as a whole number."""
        return int(self._values[column])

    def counts(self, column: str) -> list[int]:
        """The column as a list of whole numbers."""
        return [int(value) for value in self._values[column] or ()]


def known(value: float | None) -> float | None:
    """The value, None where it is NaN."""
    return None if value is None or math.isnan(value) else float(value)


def fig(value: float | None, unit: str = "") -> str:
    """A figure with four significant digits, and its unit; "?" where it is not known."""
    number = known(value)
    if number is None:
        text = UNKNOWN
    elif (number.is_integer() and abs(number) < 1e15) or abs(number) >= 1000:
        text = f"{number:.0f}"
    else:
        text = f"{number:.4g}"
        text = f"{number:.6f}".rstrip("0") if "e" in text else text
    text = text.replace("-", "−")
    return f"{text} {unit}" if unit else text


def signed(value: float | None, unit: str = "") -> str:
    """A figure as a further term: "+ 1.2 V" or "− 1.2 V"."""
    return f"− {fig(-value, unit)}" if value is not None and value < 0 else f"+ {fig(value, unit)}"


def times(*values: float | None) -> float | None:
    """The product where every factor is known."""
    product = 1.0
    for value in values:
        if value is None:
            return None
        product *= value
    return product


def add(*values: float | None) -> float | None:
    """The sum where every term is known."""
    total = 0.0
    for value in values:
        if value is None:
            return None
        total += value
    return total


def over(value: float | None, limit: float | None) -> bool:
    """Whether both are known and the value exceeds the limit beyond the tolerance."""
    return value is not None and limit is not None and value > limit * (1 + TOLERANCE)


def at_most(value: float | None, limit: float | None) -> bool:
    """Whether both are known and the value does not exceed the limit."""
    return value is not None and limit is not None and value <= limit * (1 + TOLERANCE)


def within_rounding(value: float | None, slack: float | None, limit: float | None) -> float | None:
    """The value, or the limit where the rounding of a printed current alone takes the value over it."""
    if value is not None and slack is not None and limit is not None and at_most(value - slack, limit):
        return min(value, limit)
    return value


def smallest(*values: float | None) -> float | None:
    """The smallest of those known."""
    return min((value for value in values if value is not None), default=None)


def compare(value: float | None, limit: float | None, unit: str = "", at_least: bool = False) -> str:
    """A value beside its limit with the sign that holds: "16.4 A > 16 A"."""
    if value is None or limit is None:
        sign = "against"
    elif at_least:
        sign = "<" if over(limit, value) else "≥"
    else:
        sign = ">" if over(value, limit) else "≤"
    return f"{fig(value, unit)} {sign} {fig(limit, unit)}"

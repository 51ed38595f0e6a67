"""Filters as SQL over the table `shown`: names from this file, values bound."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dashboard.filters import NAMES, Filters, range_of

Condition = tuple[str, list[Any]]

#: Filters that name a text or a year, and their column.
_PLAIN = {"region": "region", "utility": "utility", "designer": "designer", "year": "year", "service": "service"}


def _marks(values: Sequence[Any]) -> str:
    return ", ".join("?" * len(values))


def _plain(column: str, values: Sequence[Any]) -> Condition:
    stated = [v for v in values if v is not None]
    parts = [f"{column} IN ({_marks(stated)})"] if stated else []
    if len(stated) < len(values):
        parts.append(f"{column} IS NULL")
    return " OR ".join(parts), stated


def _model(values: Sequence[Any]) -> Condition:
    stated = [v for v in values if v is not None]
    parts = [f"list_has_any(models, [{_marks(stated)}]::VARCHAR[])"] if stated else []
    if len(stated) < len(values):
        parts.append("len(models) = 0")
    return " OR ".join(parts), stated


def _verdict(values: Sequence[str]) -> Condition:
    return f"verdict IN ({_marks(values)})", list(values)


def bits_of(names: Sequence[Any]) -> str:
    """SQL for the bits of checks that a name or a severity stands for; the names are bound twice."""
    marks = _marks(names)
    return (
        '(SELECT coalesce(bit_or(1::UINTEGER << number), 0) FROM "check"'
        f' WHERE "check" IN ({marks}) OR severity IN ({marks}))'
    )


def _check(values: Sequence[str]) -> Condition:
    parts, bound = [], []
    for column, names in (
        ("failing_checks", [v for v in values if not v.endswith(":unknown")]),
        ("unknown_checks", [v.removesuffix(":unknown") for v in values if v.endswith(":unknown")]),
    ):
        if names:
            parts.append(f"coalesce({column} & {bits_of(names)}, 0) <> 0")
            bound += [*names, *names]
    return " OR ".join(parts), bound


def _fact(values: Sequence[str]) -> Condition:
    bits = f"(SELECT bit_or(1::HUGEINT << number) FROM fact WHERE fact IN ({_marks(values)}))"
    return f"coalesce(waits_for & {bits}, 0) <> 0", list(values)


def _range(column: str) -> Callable[[Sequence[str]], Condition]:
    def condition(values: Sequence[str]) -> Condition:
        parts, bound = [], []
        for value in values:
            if value == "unknown":
                parts.append(f"{column} IS NULL")
                continue
            low, high = range_of(value)
            ends = [f"{column} >= ?"] * (low is not None) + [f"{column} < ?"] * (high is not None)
            parts.append(f"({' AND '.join(ends)})")
            bound += [end for end in (low, high) if end is not None]
        return " OR ".join(parts), bound

    return condition


def _contains(text: str) -> Condition:
    words = text.lower().split()
    return " AND ".join(["contains(search, ?)"] * len(words)), list(words)


_CONDITIONS: dict[str, Callable[[Any], Condition]] = {
    "verdict": _verdict,
    "check": _check,
    "fact": _fact,
    "model": _model,
    "rise": _range("worst_rise_pct"),
    "trips": _range("trip_days"),
    "over": _range("units_over"),
    "text": _contains,
    **{name: (lambda values, column=column: _plain(column, values)) for name, column in _PLAIN.items()},
}


def where(filters: Filters, *besides: str) -> tuple[str, list[Any]]:
    """The condition of the filters as "WHERE …" with its values to bind; `besides` names filters to leave out.

    A chart leaves out its own filters, so that what is not chosen stays in sight and can be chosen too.
    """
    parts, bound = [], []
    for name in NAMES:
        values = getattr(filters, name)
        if not values or name in besides:
            continue
        part, more = _CONDITIONS[name](values)
        if part:
            parts.append(f"({part})")
            bound += more
    return ("WHERE " + " AND ".join(parts) if parts else ""), bound

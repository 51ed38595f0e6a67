"""What one cell says: its column's grammar and bounds, under what the mapping states of that column."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date

from auditor.records.dates import DateOrder, parse_date
from auditor.records.fault import Fault, clean, shown
from auditor.records.quantities import parse_current, parse_integer, parse_length, parse_number, parse_quantity
from auditor.records.schema import Column
from auditor.records.sizes import Size, parse_size
from auditor.records.words import parse_arms, parse_choice, parse_sections, parse_service

Value = str | int | float | date | Size


@dataclass(frozen=True)
class CellRules:
    """How a column's cells are to be read; the defaults are those of a canonical file.

    `unit` is what a bare figure is in, `round_trip` says that a length is there and back and is to be halved,
    `values` renames cells before they are read, and `missing` lists cells (lower case) that mean: missing. `lenient`
    says that a cell that cannot be read counts as missing, with a warning.
    """

    unit: str | None = None
    round_trip: bool = False
    values: Mapping[str, str] = field(default_factory=dict)
    missing: frozenset[str] = frozenset({""})
    decimal_mark: str | None = None
    date_order: DateOrder | None = None
    lenient: bool = False


def is_missing(text: str, rules: CellRules) -> bool:
    """Whether the trimmed cell means: missing. The empty cell always does."""
    return not text or text.lower() in rules.missing


def read_cell(raw: str, column: Column, rules: CellRules) -> Value | Fault | None:
    """Return the cell's value, None where it is missing, or why it is refused."""
    text = clean(raw)
    if is_missing(text, rules):
        return None
    value = _GRAMMARS[column.kind](rules.values.get(text, text), column, rules)
    if isinstance(value, (int, float)):
        return _within(value, text, column)
    if isinstance(value, Fault) and value.code == "type-error" and text.lower() in _MEANS_MISSING:
        return Fault("type-error", f"{value.sentence}; if it means missing, list it under missing in the mapping")
    return value


_MEANS_MISSING = frozenset({"n/a", "na", "-", "--", "none", "null", "nil", "unknown", "tbd", "?", "nan", "#n/a"})


def _within(value: float, text: str, column: Column) -> float | Fault:
    low, high = column.minimum, column.maximum
    if (low is None or value >= low) and (high is None or value <= high):
        return value
    reach = f"from {low:g} to {high:g}" if low is not None and high is not None else f"at least {low:g}"
    unit = f" {column.unit}" if column.unit not in ("", "1") else ""
    return Fault("constraint-error", f"{shown(text)} is {value:.6g}{unit}; {column.name} must be {reach}{unit}")


def _text(text: str, column: Column, _: CellRules) -> Value | Fault:
    return parse_service(text) if column.name == "service" else text


def _length(text: str, _: Column, rules: CellRules) -> Value | Fault:
    value = parse_length(text, rules.unit or "m", rules.decimal_mark)
    return value * 0.5 if rules.round_trip and not isinstance(value, Fault) else value


def _number(text: str, column: Column, rules: CellRules) -> Value | Fault:
    if column.unit in ("", "1"):
        return parse_number(text, rules.decimal_mark)
    return parse_quantity(text, column.unit, rules.unit, rules.decimal_mark)


_GRAMMARS: dict[str, Callable[[str, Column, CellRules], Value | Fault]] = {
    "id": _text,
    "text": _text,
    "integer": lambda text, _, rules: parse_integer(text, rules.decimal_mark),
    "number": _number,
    "length": _length,
    "size": lambda text, _, rules: parse_size(text, rules.unit, rules.decimal_mark),
    "current": lambda text, _, rules: parse_current(text, rules.decimal_mark),
    "date": lambda text, _, rules: parse_date(text, rules.date_order),
    "choice": lambda text, column, _: parse_choice(text, column.choices),
    "arms": lambda text, _, __: parse_arms(text),
    "sections": lambda text, _, rules: parse_sections(text, rules.decimal_mark),
}

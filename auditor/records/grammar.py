"""The grammars that read a cell, gathered: each returns a value, or a `Fault` saying what is wrong."""

from __future__ import annotations

from auditor.records.dates import DateOrder, parse_date
from auditor.records.fault import Fault
from auditor.records.quantities import parse_current, parse_integer, parse_length, parse_number, parse_quantity
from auditor.records.sizes import Size, parse_size
from auditor.records.words import parse_arms, parse_choice, parse_sections, parse_service

__all__ = [
    "DateOrder",
    "Fault",
    "Size",
    "parse_arms",
    "parse_choice",
    "parse_current",
    "parse_date",
    "parse_integer",
    "parse_length",
    "parse_number",
    "parse_quantity",
    "parse_sections",
    "parse_service",
    "parse_size",
]

"""Suspicion: values that can be read and can hardly be meant. They are shown beside the record, and never repaired.

Each rule stands in a file of its own; `RULES` look at a system by itself, and `portfolio.py` at all systems at once.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion import (
    coordinates,
    dates,
    device_sizes,
    module_count,
    run_length,
    run_rise,
    stated_rise,
    unit_count,
)
from auditor.suspicion.base import SCHEMA, Batch, Rule, in_order
from auditor.suspicion.declared import without_declared
from auditor.suspicion.portfolio import of_portfolio

RULES: tuple[Rule, ...] = (
    run_rise.RULE,
    stated_rise.RULE,
    run_length.RULE,
    unit_count.RULE,
    module_count.RULE,
    device_sizes.RULE,
    dates.RULE,
    coordinates.RULE,
)

__all__ = ["RULES", "SCHEMA", "Batch", "Rule", "of_portfolio", "suspicions", "without_declared"]


def suspicions(batch: Batch) -> pl.DataFrame:
    """Return the warnings on whole systems, sorted; those on a system depend on its own records alone."""
    return in_order([frame for rule in RULES for frame in rule.find(batch)])

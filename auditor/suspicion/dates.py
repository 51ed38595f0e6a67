"""**What.** Dates in an order that cannot be, or out of their time.

**Why.** The permit date fixes the edition of the code, and the design date which months a designer is judged by. A day
and a month that changed places, or a typed century, moves them.

**Rule.** Energized before the design or before the permit; any date after the audit's as-of date; any date before 1995.

**Source.** Common practice; no inverter of this kind was on sale before 1995.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from auditor.suspicion.base import Batch, Rule, warn

CODE = "dates"
FIRST = date(1995, 1, 1)
NAMES = {"design_date": "designed", "permit_date": "permitted", "energized_date": "energized"}


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the systems with such a date, one warning for each."""
    system = batch.records.system
    told = []
    for column, name in NAMES.items():
        day, recorded = pl.col(column), pl.col(column).cast(pl.String)
        late, early = system.filter(day > batch.as_of), system.filter(day < FIRST)
        after = pl.format(f"{name} on {{}}, after the day of this audit, {batch.as_of.isoformat()}", recorded)
        before = pl.format(f"{name} on {{}}, before {FIRST.year}", recorded)
        told += [warn(late, CODE, column, recorded, after), warn(early, CODE, column, recorded, before)]
    for column in ("design_date", "permit_date"):
        energized = pl.col("energized_date")
        odd = system.filter(energized < pl.col(column))
        sentence = pl.format(
            f"energized on {{}}, before it was {NAMES[column]} on {{}}",
            energized.cast(pl.String),
            pl.col(column).cast(pl.String),
        )
        told.append(warn(odd, CODE, "energized_date", energized.cast(pl.String), sentence))
    return told


RULE = Rule(CODE, find)

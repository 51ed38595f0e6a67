"""**What.** The modules on a circuit do not go with its units.

**Why.** A unit takes one to four modules. Fewer modules than units, or more than four for each, means that one of the
two counts is another circuit's, the whole system's, or from before a change.

**Rule.** More units than modules, or more than 4 modules for each unit.

**Source.** Common practice; units for one, two and four modules are made.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, warn

CODE = "module-count"
MOST_PER_UNIT = 4


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the circuits whose modules and units do not go together."""
    units, modules = pl.col("inverter_count"), pl.col("module_count")
    few = batch.records.circuit.filter(units > modules)
    many = batch.records.circuit.filter(modules > MOST_PER_UNIT * units)
    return [
        warn(few, CODE, "module_count", modules, pl.format("{} units and only {} modules", units, modules)),
        warn(many, CODE, "module_count", modules,
             pl.format(f"{{}} modules on {{}} units are more than {MOST_PER_UNIT} for each", modules, units)),
    ]  # fmt: skip


RULE = Rule(CODE, find)

"""**What.** A run longer than any low-voltage run of such a system.

**Why.** Beyond a few hundred metres a transformer is nearer than the panel. The figure has lost its decimal point, is
in another unit, or is a total of many runs.

**Rule.** A run of any role is longer than 500 m.

**Source.** Common practice.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, figure, warn

CODE = "run-length"
LONGEST_M = 500.0


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the runs that are too long."""
    length = pl.col("length_m")
    odd = batch.records.run.filter(length > LONGEST_M)
    sentence = pl.format(f"{{}} of {{}} m is longer than {LONGEST_M:g} m", "role", figure(length))
    named = pl.concat_str(pl.col("role").str.replace_all(" ", "_"), pl.lit("_length_m"))
    return [warn(odd, CODE, "length_m", figure(length), sentence).with_columns(odd.select(named.alias("column")))]


RULE = Rule(CODE, find)

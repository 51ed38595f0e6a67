"""**What.** A run longer than any low-voltage run of such a system, or a home run of no length.

**Why.** Beyond a few hundred metres a transformer is nearer than the panel. The figure has lost its decimal point, is
in another unit, or is a total of many runs. A home run of 0 m fills a form: it adds nothing to the rise, and a circuit
passes that nobody has measured. Where the length is not known, the cell is left empty.

**Rule.** A run of any role is longer than 500 m; a home run is 0 m long.

**Source.** Common practice.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, figure, warn

CODE = "run-length"
LONGEST_M = 500.0


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the runs that are too long, and the home runs that have no length."""
    length = pl.col("length_m")
    odd = batch.records.run.filter(length > LONGEST_M)
    sentence = pl.format(f"{{}} of {{}} m is longer than {LONGEST_M:g} m", "role", figure(length))
    named = pl.concat_str(pl.col("role").str.replace_all(" ", "_"), pl.lit("_length_m"))
    none = batch.records.run.filter((pl.col("role") == "home run") & (length == 0))
    nothing = pl.lit("a home run of 0 m adds nothing to the rise; where the length is not known, leave the cell empty")
    return [
        warn(odd, CODE, "length_m", figure(length), sentence).with_columns(odd.select(named.alias("column"))),
        warn(none, CODE, "home_run_length_m", figure(length), nothing),
    ]


RULE = Rule(CODE, find)

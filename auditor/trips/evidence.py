"""What was measured and reported of a batch's systems, as the audit takes it.

Logs are counts by month; readings come as the supply that was fitted to them and as days of measured output. A system
without a row in either has nothing of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from auditor.evidence.observed import MONTH_SCHEMA
from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import HOURS, MONTHS, DayShapes, Supply
from auditor.prepare import Records

#: A supply as fitted: where and how long it was read, its figures in percent of nominal, null where the readings cannot
#: tell, and some days of measured output in thousandths of rated output, day after day.
FIT_SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "place": pl.String(),
    "leg": pl.String(),
    "days": pl.Int64(),
    "first_day": pl.Date(),
    "last_day": pl.Date(),
    "used": pl.Int64(),
    "left_out": pl.Int64(),
    "level_pct": pl.Float64(),
    "level_se_pct": pl.Float64(),
    "dev_pct": pl.List(pl.Float64()),
    "months_read": pl.Int64(),
    "sigma_pct": pl.Float64(),
    "rho": pl.Float64(),
    "day_pct": pl.Float64(),
    "peak_pct": pl.Float64(),
    "beta_pct": pl.Float64(),
    "beta_se_pct": pl.Float64(),
    "output_days": pl.Int64(),
    "output": pl.List(pl.UInt16()),
    "output_month": pl.List(pl.Int64()),
    "output_weight": pl.List(pl.Float64()),
}
#: Output is kept in steps of this share of rated output.
OUTPUT_STEP = 0.001


@dataclass(frozen=True)
class Evidence:
    """What is known of systems beside their records.

    months      `MONTH_SCHEMA` of `evidence.observed`: one row a system and month with something in a log
    supplies    FIT_SCHEMA: one row a system with readings that tell something
    kept_under  the records of the systems as they stood while the logs were kept, where those that are judged are
                altered ones; None where they are the same
    """

    months: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=MONTH_SCHEMA))
    supplies: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FIT_SCHEMA))
    kept_under: Records | None = None

    def between(self, first: str, last: str) -> Evidence:
        """What is known of the systems between two ids, both included."""
        mine = pl.col("system_id").is_between(pl.lit(first), pl.lit(last))
        return Evidence(self.months.filter(mine), self.supplies.filter(mine))


def fitted_supply(assumed: Supply, row: dict[str, Any]) -> Supply:
    """The assumed supply with every figure replaced that a row of FIT_SCHEMA tells."""
    told = {name: row[name] for name in ("sigma_pct", "rho", "day_pct", "peak_pct") if row[name] is not None}
    if row["dev_pct"] is not None:
        told["dev_pct"] = np.array(row["dev_pct"], dtype=np.float64).reshape(MONTHS, HOURS)
    return Supply(**(vars(assumed) | told))


def measured_days(row: dict[str, Any]) -> DayShapes | None:
    """The days of measured output of a row of FIT_SCHEMA, with those of the model for the months without; or None."""
    if row["output"] is None:
        return None
    month = np.array(row["output_month"], dtype=np.int64)
    output: FloatArray = np.array(row["output"], dtype=np.float64) * OUTPUT_STEP
    return DayShapes(output.reshape(month.size, -1), month, np.array(row["output_weight"], dtype=np.float64))

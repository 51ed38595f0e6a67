"""**What.** The design documents state a total voltage rise, and the records give another.

**Why.** Both describe one circuit. Where they differ by about 2, one of them counts lengths there and back; where by
about 3.28, feet were taken for metres. Any other large difference means that the record is not what was designed.

**Rule.** Stated and computed total rise differ by more than a third of the stated one and by more than 0.15 points.
A factor is named where lengths that many times longer or shorter would give the stated figure to a tenth: either of the
runs, while the trunk keeps the length that its sections give, or of everything.

**Source.** Common practice; a rise is proportional to length, 1 m = 3.2808 ft.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import FEET_IN_A_METRE, Batch, Rule, figure, warn

CODE = "stated-rise"
SHARE = 1 / 3
POINTS = 0.15
CLOSE = 0.1
#: Factor on the recorded lengths that gives the stated rise, and what would explain it.
SLIPS = (
    (0.5, "the record's lengths may be there and back"),
    (2.0, "the record's lengths may have been halved, or the statement counts them there and back"),
    (1 / FEET_IN_A_METRE, "the record's lengths may be feet taken for metres"),
    (FEET_IN_A_METRE, "the record's lengths may be metres taken for feet"),
)


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the circuits whose stated rise is not theirs."""
    stated, total = pl.col("stated_rise_pct"), pl.col("total_rise_pct")
    apart = (total - stated).abs()
    odd = batch.prepared.circuit.filter(stated.is_not_null() & (apart > SHARE * stated) & (apart > POINTS))
    sentence = pl.format(
        "the design states a total rise of {} % and the records give {} %{}",
        figure(stated),
        figure(total),
        _explained(),
    )
    return [warn(odd, CODE, "stated_rise_pct", figure(stated), sentence)]


def _explained() -> pl.Expr:
    stated, total, trunk = pl.col("stated_rise_pct"), pl.col("total_rise_pct"), pl.col("trunk_rise_pct")
    told = pl.lit("; the record is not what was designed, or one of its facts is wrong")
    for factor, why in reversed(SLIPS):
        runs_alone = trunk + (total - trunk) * factor
        fits = ((runs_alone - stated).abs() <= CLOSE * stated) | ((total * factor - stated).abs() <= CLOSE * stated)
        told = pl.when(fits).then(pl.lit(f": {why}")).otherwise(told)
    return told


RULE = Rule(CODE, find)

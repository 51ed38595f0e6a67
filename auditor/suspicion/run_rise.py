"""**What.** A home run or a feeder that by itself raises the voltage by more than three times the target.

**Why.** Nobody builds such a run knowingly. The commonest slips are a length in feet taken for metres, a length there
and back taken for one way, and a gauge mistyped.

**Rule.** The run's own rise at rated current is above 3 times the rise target that holds for the system. The sentence
says what it would be if the length were feet, or there and back.

**Source.** Common practice; a rise is proportional to length, 1 ft = 0.3048 m exactly.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, figure, warn

CODE = "run-rise"
TIMES_TARGET = 3.0
#: The slips that the sentence offers, each in a part of its own: `declared.py` takes out what cannot be.
FEET, THERE_AND_BACK = "the figure were feet", "it were there and back"


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the home runs, and the feeders, that are out of all proportion."""
    circuit = batch.prepared.circuit
    odd = pl.col("home_run_rise_pct") > TIMES_TARGET * pl.col("rise_target_pct")
    runs = circuit.filter(odd & pl.col("home_run_length_m").is_not_null())
    over = pl.col("feeder_rise_pct") > TIMES_TARGET * pl.col("rise_target_pct")
    feeders = (
        circuit.filter(over & pl.col("feeder_length_m").is_not_null())
        .sort("system_id", "feeder_row", "feeder_rise_pct", descending=[False, False, True])
        .unique("feeder_row", keep="first", maintain_order=True)
        .drop("circuit_id")
    )
    return [
        warn(runs, CODE, "home_run_length_m", figure(pl.col("home_run_length_m")), _sentence("home run", "home_run")),
        warn(feeders, CODE, "feeder_length_m", figure(pl.col("feeder_length_m")), _sentence("feeder", "feeder")),
    ]


def _sentence(name: str, prefix: str) -> pl.Expr:
    length, rise = pl.col(f"{prefix}_length_m"), pl.col(f"{prefix}_rise_pct")
    return pl.format(
        f"{name} of {{}} m, {{}}, alone raises the voltage by {{}} % where the target is {{}} %"
        f"; it would be {{}} % if {FEET}; it would be {{}} % if {THERE_AND_BACK}",
        figure(length, 1),
        pl.col(f"{prefix}_size"),
        figure(rise),
        figure(pl.col("rise_target_pct")),
        figure(rise * 0.3048),
        figure(rise * 0.5),
    )


RULE = Rule(CODE, find)

"""Larger conductors in the home runs.

What
    Replaces the conductors of the home runs of the circuits that miss the target by the first size with which they
    meet it; also where the conductor's ampacity or its small-conductor limit is what fails. Up to four sizes above the
    recorded one are tried; the pieces of a home run in several go up together, each by as many sizes as the others.

Formula
    The rise in a run goes with its resistance. Of the sizes above the recorded one the first is taken with
    rise r'/r <= target - (total - rise), with the ampacity that is called for, and that the breaker may protect. The
    equipment ground grows in proportion to the circular mils: for devices up to 30 A it has the size of the new
    conductors, since the ground of Table 250.122 is there the smallest conductor that the device may protect.

Reference
    NEC 240.4(D); 250.122(B) and Table 250.122 (read in several public copies); Chapter 9 Tables 8 and 9.

What to verify first
    The recorded length, size and material, at both ends; that the rise is not a loose connection.

What cannot be checked
    Raceway fill (Chapter 9 Table 1) without the raceway's size, and the range of sizes that the terminals of breaker
    and junction box are listed for (110.14).
"""

from __future__ import annotations

import polars as pl

from auditor.checks.terms import number
from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, proposal
from auditor.remedies.sizes import first_that_meets, ground_words, listed_runs, pieces, resized

_KEYS = ["system_id", "circuit_id"]


def runs(situation: Situation) -> pl.DataFrame:
    """The home runs worth enlarging, with `part` and `room` in percent, and `amps_need`."""
    frame = situation.circuit
    small = (number("breaker_a") > number("home_run_small_conductor_breaker_a")).fill_null(False)
    hot = (pl.col("home_run_ampacity_verdict") == "fail").fill_null(False)
    part, value, limit = (
        number(c) for c in ("home_run_rise_pct", "home_run_ampacity_value", "home_run_ampacity_limit")
    )
    room = number("rise_target_pct") - (number("total_rise_pct") - part)
    wire = (number("home_run_length_m") > 0).fill_null(False)
    return frame.filter((pl.col("touched") | small | hot) & wire).select(
        *_KEYS, "breaker_a", "code_family",
        part.alias("part"),
        pl.when("over").then(room).otherwise(part).alias("room"),
        pl.when(hot & (limit > 0)).then(value / limit).otherwise(0.0).fill_null(0.0).alias("amps_need"),
    )  # fmt: skip


def propose(situation: Situation) -> Proposal:
    """The first size that meets the target."""
    change = first_that_meets(runs(situation), _KEYS, pieces(situation, "home run", _KEYS), situation.catalog)
    ground = ground_words(pl.col("breaker_a"), pl.col("area_ratio"), pl.col("new_size"), pl.col("code_family") == "NEC")
    wire = change.with_columns(
        pl.lit("home run").alias("place"), pl.col("circuit_id").alias("run_of"), pl.col("new_size").alias("size")
    )
    found = listed_runs(change, _KEYS, pl.format("home run of circuit {}", "circuit_id"), ground)
    return proposal(found, change.select(*_KEYS, "run_order", "variant", "new_size"), wire)


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with larger home runs; a rating stated for the smaller conductor is kept, since it holds as well."""
    return resized(records, change, _KEYS, "home run")


REMEDY = Remedy(
    name="home-run-size",
    title="Larger home-run conductors",
    effort="new conductors",
    verify="Length, size and material of the home runs at both ends; that the rise is no loose connection.",
    unchecked="Raceway fill, and whether the terminals of breaker and junction box take the size.",
    propose=propose,
    apply=apply,
    then=("panel-connection",),
)

"""Larger conductors in the feeder from the combiner to the main panel.

What
    Replaces the conductors of the feeders that carry circuits over the target by the first size with which all of these
    circuits meet it; also where the feeder's ampacity is what fails. Up to four sizes above the recorded one are tried;
    the pieces of a feeder in several go up together, each by as many sizes as the others.

Formula
    The rise in a run goes with its resistance. Of the sizes above the recorded one the first is taken with
    rise r'/r <= target - (total - rise) for every circuit on the feeder. The equipment ground grows in proportion to
    the circular mils.

Reference
    NEC 250.122(B); Chapter 9 Tables 8 and 9.

What to verify first
    The recorded length, size and material, at both ends; that the rise is not a loose connection.

What cannot be checked
    Raceway fill (Chapter 9 Table 1), the feeder's overcurrent device, and the sizes that the lugs at both ends are
    listed for (110.14).
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import judge_frame
from auditor.checks.feeder_ampacity import CHECK
from auditor.checks.terms import number
from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, proposal
from auditor.remedies.sizes import first_that_meets, ground_words, listed_runs, pieces, resized

_KEYS = ["system_id", "combiner_id"]


def runs(situation: Situation) -> pl.DataFrame:
    """The feeders worth enlarging, with `part` of one, `room` and `amps_need`.

    `room` is the share of the rise in the feeder that may stay: the least over its circuits, 1 where none is over.
    """
    part = number("feeder_rise_pct")
    room = number("rise_target_pct") - (number("total_rise_pct") - part)
    share = pl.when(part > 0).then(pl.when("over").then(room / part).otherwise(1.0))
    needs = situation.circuit.filter("touched").group_by("feeder_row").agg(share.min().alias("room"))
    # The results name the worst feeder of a system alone; others may carry too little as well.
    judged = judge_frame(situation.prepared.feeder, [CHECK], situation.policy)
    frame = judged.join(needs, on="feeder_row", how="left", maintain_order="left")
    hot = (pl.col("feeder_ampacity_verdict") == "fail").fill_null(False)
    wire = (number("feeder_length_m") > 0).fill_null(False)
    need = number("feeder_ampacity_value") / number("feeder_ampacity_limit")
    return frame.filter((pl.col("room").is_not_null() | hot) & wire).select(
        *_KEYS, "code_family", pl.lit(None, pl.Float64).alias("breaker_a"),
        pl.lit(1.0).alias("part"),
        pl.col("room").fill_null(1.0),
        pl.when(hot).then(need).otherwise(0.0).fill_null(0.0).alias("amps_need"),
    )  # fmt: skip


def propose(situation: Situation) -> Proposal:
    """The first size that meets the target."""
    change = first_that_meets(runs(situation), _KEYS, pieces(situation, "feeder", _KEYS), situation.catalog)
    ground = ground_words(pl.col("breaker_a"), pl.col("area_ratio"), pl.col("new_size"), pl.col("code_family") == "NEC")
    title = pl.format("feeder{}", pl.concat_str(pl.lit(" of combiner "), "combiner_id").fill_null(""))
    wire = change.with_columns(
        pl.lit("feeder").alias("place"), pl.col("combiner_id").alias("run_of"), pl.col("new_size").alias("size")
    )
    found = listed_runs(change, _KEYS, title, ground)
    return proposal(found, change.select(*_KEYS, "run_order", "variant", "new_size"), wire)


def apply(records: Records, change: pl.DataFrame) -> Records:
    """The records with larger feeders."""
    return resized(records, change, _KEYS, "feeder")


REMEDY = Remedy(
    name="feeder-size",
    title="Larger feeder conductors",
    effort="new conductors",
    verify="Length, size and material of the feeder at both ends; that the rise is no loose connection.",
    unchecked="Raceway fill, the feeder's overcurrent device, and whether the lugs at both ends take the size.",
    propose=propose,
    apply=apply,
    then=("home-run-size", "panel-connection"),
)

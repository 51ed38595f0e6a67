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

from auditor.checks.terms import number
from auditor.prepare import Records
from auditor.remedies.base import Proposal, Remedy, Situation, proposal
from auditor.remedies.sizes import first_that_meets, ground_words, listed_runs, pieces, resized

_KEYS = ["system_id", "combiner_id"]


def runs(situation: Situation) -> pl.DataFrame:
    """The feeders worth enlarging, with `part_pct` of the worst circuit, `room_pct` and `amps_need`."""
    part = number("feeder_rise_pct")
    room = number("rise_target_pct") - (number("total_rise_pct") - part)
    # By which share the rise in the feeder must fall for each of its circuits; the least share decides.
    share = pl.when(part > 0).then(pl.when("over").then(room / part).otherwise(1.0))
    needs = (
        situation.circuit.filter("touched")
        .group_by("feeder_row")
        .agg(share.min().alias("room_pct"), pl.lit(1.0).alias("part_pct"))
    )
    worst = situation.results.system.select(
        "system_id",
        pl.col("feeder_ampacity_combiner_id").alias("_at"),
        (pl.col("feeder_ampacity_verdict") == "fail").alias("_hot"),
        (number("feeder_ampacity_value") / number("feeder_ampacity_limit")).alias("_need"),
    )
    frame = situation.prepared.feeder.join(needs, on="feeder_row", how="left", maintain_order="left")
    frame = frame.join(worst, on="system_id", how="left", maintain_order="left")
    hot = (pl.col("_hot") & pl.col("_at").eq_missing(pl.col("combiner_id"))).fill_null(False)
    wire = (number("feeder_length_m") > 0).fill_null(False)
    return frame.filter((pl.col("room_pct").is_not_null() | hot) & wire).select(
        *_KEYS, "code_family",
        pl.col("part_pct").fill_null(1.0),
        pl.col("room_pct").fill_null(1.0),
        pl.when(hot).then("_need").otherwise(0.0).fill_null(0.0).alias("amps_need"),
    )  # fmt: skip


def propose(situation: Situation) -> Proposal:
    """The first size that meets the target."""
    change = first_that_meets(runs(situation), _KEYS, pieces(situation, "feeder", _KEYS), situation.catalog)
    unknown = pl.lit(None, pl.Float64)
    ground = ground_words(unknown, pl.col("area_ratio"), pl.col("new_size"), pl.col("code_family") == "NEC")
    title = pl.format("feeder{}", pl.concat_str(pl.lit(" of combiner "), "combiner_id").fill_null(""))
    wire = change.with_columns(pl.lit("feeder").alias("place"), pl.col("new_size").alias("size"))
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

"""Which next larger size of conductor first brings a rise under its target.

A run in several pieces is enlarged as a whole, each piece by as many sizes as the others: one piece alone is no remedy
that anybody builds.
"""

from __future__ import annotations

import polars as pl

from auditor.prepare import Frames, Records
from auditor.prepare.runs import prepare_runs
from auditor.remedies.base import MEETS, Situation, altered, listed

#: Sizes above the recorded one that are tried. Terminals of branch breakers seldom take more than a few sizes above
#: what the breaker asks for; common practice, and to be looked up for the breaker at hand.
MOST_STEPS = 4

#: Largest device whose equipment ground is of the smallest size that the device may protect, so that both grow alike:
#: NEC Table 250.122 (15 A 14 AWG, 20 A 12, 60 A 10) against 240.4(D) (15 A 14 AWG, 20 A 12, 30 A 10), copper [A].
SAME_GROUND_A = 30.0

RATINGS = (60, 75, 90)


def ladder(catalog: Frames) -> pl.DataFrame:
    """One row per size and step: `size`, `material`, `step`, `new_size`, and the new over the old of r, area, ampacity.

    `most_breaker_a` is the largest device on a new size that is a small conductor, NEC 240.4(D); null on others.

    Only sizes of one family (AWG and kcmil, or mm²) with an ampacity follow each other where the material has any;
    `amps_ratio` is the smallest over the printed columns, null where the table has none for a size.
    """
    table = catalog["conductor"].select("size", "material", "area_mm2", "r_ohm_per_km")
    for rating in RATINGS:
        amps = catalog["ampacity"].filter(pl.col("rating_c") == rating).unique(["size", "material"], keep="last")
        amps = amps.select("size", "material", pl.col("ampacity_a").alias(f"a_{rating}"))
        table = table.join(amps, on=["size", "material"], how="left")
    small = catalog["small_conductor"].select("size", "material", pl.col("max_breaker_a").alias("most_breaker_a"))
    table = table.join(small, on=["size", "material"], how="left")
    table = table.with_columns(pl.col("size").str.ends_with("mm2").alias("_metric"))
    new = table.rename({c: f"new_{c}" for c in table.columns if c not in ("material", "_metric")})
    both = table.join(new, on=["material", "_metric"]).filter(pl.col("new_area_mm2") > pl.col("area_mm2"))
    # A size that NEC's table has, but not the ampacities, would leave the next verdict unknown.
    both = both.filter(pl.col("a_75").is_null() | pl.col("new_a_75").is_not_null())
    both = both.sort("material", "size", "new_area_mm2", "new_size").with_columns(
        (pl.int_range(pl.len()).over("material", "size") + 1).alias("step")
    )
    ratios = [pl.col(f"new_a_{rating}") / pl.col(f"a_{rating}") for rating in RATINGS]
    return both.filter(pl.col("step") <= MOST_STEPS).select(
        "size", "material", "step", "new_size",
        (pl.col("new_r_ohm_per_km") / pl.col("r_ohm_per_km")).alias("r_ratio"),
        (pl.col("new_area_mm2") / pl.col("area_mm2")).alias("area_ratio"),
        pl.min_horizontal(ratios).alias("amps_ratio"),
        pl.col("new_most_breaker_a").alias("most_breaker_a"),
    )  # fmt: skip


def pieces(situation: Situation, role: str, keys: list[str]) -> pl.DataFrame:
    """The pieces of runs of a role (by `keys`) in their order, with size, material, `length_m`, `r_ohm` and their sets.

    A material that the records lack is the policy's. A piece of no length needs no conductor and is left out.
    """
    rows = situation.records.run.filter((pl.col("role") == role) & (pl.col("length_m") != 0).fill_null(True))
    known = prepare_runs(rows, situation.catalog, situation.policy)
    rows = rows.with_columns(known["material"], known["r_ohm"], known["parallel_sets"])
    columns = ("run_order", "size", "material", "length_m", "r_ohm", "parallel_sets")
    return rows.select(*keys, *columns).sort(*keys, "run_order")


def first_that_meets(runs: pl.DataFrame, keys: list[str], parts: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Return the pieces of the runs (by `keys`), all as many sizes larger as is enough, or as are tried if none is.

    `runs` has `part` (the rise in the run), `room` (what that may be at most, in the same unit), `amps_need` (by how
    much the ampacity has to grow) and `breaker_a`, null where none is known; `parts` is what `pieces` returns.
    `variant`, `new_size`, `area_ratio` and `enough` are added.
    The rise goes with the resistance; what reactance adds to that, the audit of the candidate tells.
    """
    parts = parts.with_columns(pl.len().over(keys).alias("_count"))
    steps = runs.join(parts, on=keys, nulls_equal=True).join(ladder(catalog), on=["size", "material"])
    steps = steps.sort(*keys, "step", "run_order")
    r_ohm, amps = pl.col("r_ohm"), pl.col("amps_ratio").fill_null(1.0).min()
    single = pl.col("most_breaker_a").filter(pl.col("parallel_sets") == 1).min()
    whole = steps.group_by(*keys, "step", maintain_order=True).agg(
        (pl.col("part").first() * (r_ohm * pl.col("r_ratio")).sum() / r_ohm.sum()).alias("_rise"),
        (amps * MEETS >= pl.col("amps_need").first()).alias("_carries"),
        (single >= pl.col("breaker_a").first()).fill_null(True).alias("_protected"),
        (pl.len() == pl.col("_count").first()).alias("_all"),
        pl.col("room").first(),
    )
    enough = (pl.col("_rise") <= pl.col("room") * MEETS) & pl.col("_carries") & pl.col("_protected")
    whole = whole.filter("_all").select(*keys, "step", enough.fill_null(False).alias("enough"))
    order = [pl.col("enough").not_(), pl.when("enough").then("step").otherwise(-pl.col("step"))]
    whole = whole.sort(*keys, *order).unique(keys, keep="first", maintain_order=True)
    found = steps.join(whole, on=[*keys, "step"], nulls_equal=True, maintain_order="left")
    return found.with_columns(pl.lit("first").alias("variant"))


def listed_runs(change: pl.DataFrame, keys: list[str], title: pl.Expr, ground: pl.Expr) -> pl.DataFrame:
    """CANDIDATE rows from pieces at their new size, each with what becomes of its equipment ground."""
    piece = pl.format("{} in place of {} over {} m{}", "new_size", "size", pl.col("length_m").round(1), ground)
    runs = change.group_by(*keys, "variant", maintain_order=True).agg(
        title.first().alias("_title"), piece.str.join(" and ").alias("_pieces"), pl.col("enough").all()
    )
    return listed(runs, pl.format("{}: {}", "_title", "_pieces"))


def resized(records: Records, change: pl.DataFrame, keys: list[str], role: str) -> Records:
    """The records with the pieces of runs of a role (by `keys`) at their `new_size`."""
    rows = change.with_columns(pl.lit(role).alias("role"))
    run = altered(records.run, rows, [*keys, "role", "run_order"], {"size": "new_size"})
    return Records(records.system, records.circuit, records.unit, run)


def ground_words(breaker: pl.Expr, ratio: pl.Expr, size: pl.Expr, nec: pl.Expr) -> pl.Expr:
    """What becomes of the equipment ground, NEC 250.122(B): enlarged in proportion to the circular mils."""
    same = pl.format(" with the equipment ground at {}, NEC 250.122(B)", size)
    grown = pl.format(" with the equipment ground at least {} times its area, NEC 250.122(B)", ratio.round(2))
    return (
        pl.when(nec.fill_null(False).not_())
        .then(pl.lit(" with the protective conductor to suit"))
        .when((breaker <= SAME_GROUND_A).fill_null(False))
        .then(same)
        .otherwise(grown)
    )

"""Which next larger size of conductor first brings a rise under its target."""

from __future__ import annotations

import polars as pl

from auditor.prepare import Frames, Records
from auditor.remedies.base import MEETS, altered

#: Sizes above the recorded one that are tried. Terminals of branch breakers seldom take more than a few sizes above
#: what the breaker asks for; common practice, and to be looked up for the breaker at hand.
MOST_STEPS = 4

#: Largest device whose equipment ground is of the smallest size that the device may protect, so that both grow alike:
#: NEC Table 250.122 (15 A 14 AWG, 20 A 12, 60 A 10) against 240.4(D) (15 A 14 AWG, 20 A 12, 30 A 10), copper [A].
SAME_GROUND_A = 30.0

RATINGS = (60, 75, 90)


def ladder(catalog: Frames) -> pl.DataFrame:
    """One row per size and step: `size`, `material`, `step`, `new_size`, and the new over the old of r, area, ampacity.

    Only sizes of one family (AWG and kcmil, or mm²) with an ampacity follow each other where the material has any;
    `amps_ratio` is the smallest over the printed columns, null where the table has none for a size.
    """
    table = catalog["conductor"].select("size", "material", "area_mm2", "r_ohm_per_km")
    for rating in RATINGS:
        amps = catalog["ampacity"].filter(pl.col("rating_c") == rating).unique(["size", "material"], keep="last")
        amps = amps.select("size", "material", pl.col("ampacity_a").alias(f"a_{rating}"))
        table = table.join(amps, on=["size", "material"], how="left")
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
    )  # fmt: skip


def first_that_meets(runs: pl.DataFrame, keys: list[str], catalog: Frames) -> pl.DataFrame:
    """Return the runs (by `keys`) at the smallest size that is enough, or the largest tried where none is.

    `runs` has size, material, `part_pct` (the rise in the run), `room_pct` (what that may be at most) and `amps_need`
    (by how much the ampacity has to grow); `variant`, `new_size`, `area_ratio` and `enough` are added. The rise goes
    with the resistance; what reactance adds to that, the audit of the candidate tells.
    """
    meets = pl.col("part_pct") * pl.col("r_ratio") <= pl.col("room_pct") * MEETS
    carries = pl.col("amps_ratio").fill_null(1.0) * MEETS >= pl.col("amps_need")
    steps = runs.join(ladder(catalog), on=["size", "material"])
    steps = steps.with_columns((meets & carries).fill_null(False).alias("enough"), pl.lit("first").alias("variant"))
    order = [pl.col("enough").not_(), pl.when("enough").then("step").otherwise(-pl.col("step"))]
    return steps.sort(*keys, *order).unique(keys, keep="first", maintain_order=True)


def resized(records: Records, change: pl.DataFrame, keys: list[str], role: str) -> Records:
    """The records with the runs of a role (by `keys`) at their `new_size`."""
    rows = change.with_columns(pl.lit(role).alias("role"))
    run = altered(records.run, rows, [*keys, "role"], {"size": "new_size"})
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

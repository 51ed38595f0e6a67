"""What a run's ampacity depends on besides the wire: ambient temperature, roof, fill, and the edition of the code."""

from __future__ import annotations

import polars as pl

from auditor.electrical.ampacity import roof_adder_c
from auditor.policy import Policy
from auditor.prepare.bits import add_bits
from auditor.prepare.runs import RATINGS
from auditor.prepare.specs import Frames


def _with_roof(frame: pl.DataFrame, off_roof: bool) -> pl.DataFrame:
    """Add what a sunlit roof adds to the ambient temperature [°C]; null where the clearance is given and no edition."""
    pairs = frame.select("roof_clearance_mm", "code_year").unique().drop_nulls()
    adders = [roof_adder_c(clearance, year) for clearance, year in pairs.iter_rows()]
    pairs = pairs.with_columns(pl.Series("_adder", adders, dtype=pl.Float64))
    frame = frame.join(pairs, on=["roof_clearance_mm", "code_year"], how="left", maintain_order="left")
    open_air = pl.col("roof_clearance_mm").is_null()
    adder = pl.when(open_air).then(0.0).otherwise("_adder")
    assumed = pl.lit(off_roof)
    frame = add_bits(
        frame,
        {
            "code_edition": pl.col("code_year").is_null() & open_air.not_(),
            "roof_clearance_mm": open_air & assumed.not_(),
        },
        {"roof_clearance_mm": open_air & assumed},
    )
    return frame.with_columns((pl.col("ambient_c") + adder).alias("ambient_c")).drop("_adder")


def add_factors(frame: pl.DataFrame, catalog: Frames, policy: Policy) -> pl.DataFrame:
    """Fill ambient temperature and conductor count, and look their factors up; `ambient_c` then has the roof's part."""
    assume = policy.assume
    ambient = pl.coalesce(pl.col("region_ambient_c"), pl.lit(assume.ambient_c, pl.Float64))
    conductors = pl.lit(assume.raceway_conductors, pl.Int64)
    no_ambient, no_conductors = pl.col("ambient_c").is_null(), pl.col("raceway_conductors").is_null()
    frame = add_bits(
        frame,
        {
            "ambient_c": no_ambient & ambient.is_null(),
            "raceway_conductors": no_conductors & conductors.is_null(),
        },
        {
            "ambient_c": no_ambient & ambient.is_not_null(),
            "raceway_conductors": no_conductors & conductors.is_not_null(),
        },
    ).with_columns(pl.col("ambient_c").fill_null(ambient), pl.col("raceway_conductors").fill_null(conductors))
    frame = _with_roof(frame, assume.off_roof)
    factors = {f"ambient_factor_{rating}": _ambient_factor(catalog, rating) for rating in RATINGS}
    return frame.with_columns(_fill_factor(catalog).alias("fill_factor"), **factors)


def _ambient_factor(catalog: Frames, rating: int) -> pl.Expr:
    """The ambient factor of a conductor's rating; null above the table."""
    rows = catalog["ambient_factor"].filter(pl.col("rating_c") == rating).sort("to_c", descending=True)
    factor = pl.lit(None, pl.Float64)
    for to_c, value in rows.select("to_c", "factor").iter_rows():
        factor = pl.when(pl.col("ambient_c") <= to_c).then(value).otherwise(factor)
    return factor


def _fill_factor(catalog: Frames) -> pl.Expr:
    """The factor for more than three current-carrying conductors in a raceway."""
    factor: pl.Expr = pl.when(pl.col("raceway_conductors") <= 3).then(1.0)
    for from_n, to_n, value in catalog["fill_factor"].select("from_n", "to_n", "factor").iter_rows():
        inside = (pl.col("raceway_conductors") >= from_n) & (pl.col("raceway_conductors") <= (to_n or 10**9))
        factor = pl.when(inside).then(value).otherwise(factor)
    return factor


def for_edition(frame: pl.DataFrame, prefix: str, catalog: Frames) -> pl.DataFrame:
    """Drop the ampacities of a run whose code's edition is older than the first that the catalog's table holds for."""
    first = int(catalog["ampacity"]["edition_from"].to_list()[0])
    older = (pl.col("code_year") < first).fill_null(False)
    frame = add_bits(frame, {"ampacity_table": older}, {})
    columns = [f"{prefix}_ampacity_{rating}_a" for rating in RATINGS]
    return frame.with_columns(pl.when(older.not_()).then(c).alias(c) for c in columns)

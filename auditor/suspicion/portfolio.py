"""What only shows beside the other systems: a place far from its utility's, a file whose lengths are of another unit.

**Out of place.** A system's coordinates lie more than 5 degrees from the median of its utility's systems (its region's
where it names no utility), which has 5 or more and holds four in five of them so near. The sentence says whether they
fit with latitude and longitude exchanged or with the other sign.

**A file's lengths.** The median of a file's home runs is 2.5 to 4.2 times that of all others, with 30 or more on each
side: feet taken for metres would make it 3.28 times. One warning for the file, of no system's.

**Source.** Common practice; the median is not moved by the few that are wrong.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from auditor.suspicion.base import SCHEMA, figure, warn
from auditor.suspicion.coordinates import FURTHEST_DEG

OUT_OF_PLACE, FILE_LENGTHS = "out-of-place", "file-lengths"
NEAR_DEG = 5.0
LEAST_SYSTEMS, NEAR_SHARE = 5, 0.8
LEAST_LENGTHS = 30
TIMES = (2.5, 4.2)
#: What the sentence on a file's lengths offers: `declared.py` takes it out where the file's unit is declared.
FEET = "; feet may have been taken for metres"


def of_portfolio(system: pl.DataFrame, home_run: pl.DataFrame) -> pl.DataFrame:
    """Return the warnings on all systems together: `SCHEMA`, and the import_id where they are about a whole file.

    `system` has system_id, utility, region, latitude_deg, longitude_deg; `home_run` import_id, file_name, length_m.
    """
    place = out_of_place(system).with_columns(pl.lit(None, pl.Int32).alias("import_id"))
    return pl.concat([place, file_lengths(home_run)]).sort(*SCHEMA, "import_id")


def _near(value: pl.Expr, middle: str) -> pl.Expr:
    return (value - pl.col(middle)).abs() <= NEAR_DEG


def out_of_place(system: pl.DataFrame) -> pl.DataFrame:
    """Return the systems whose coordinates are far from those beside them."""
    lat, lon = pl.col("latitude_deg"), pl.col("longitude_deg")
    named = pl.when(pl.col("utility").is_not_null()).then(pl.format("utility {}", "utility"))
    placed = system.filter(lat.is_not_null() & lon.is_not_null()).with_columns(
        named.otherwise(pl.format("region {}", "region")).alias("group")
    )
    placed = placed.filter(pl.col("group").is_not_null())
    middles = placed.group_by("group").agg(lat.median().alias("lat"), lon.median().alias("lon"), pl.len().alias("all"))
    beside = placed.join(middles, on="group").with_columns((_near(lat, "lat") & _near(lon, "lon")).alias("near"))
    share = pl.col("near").mean().over("group")
    odd = beside.filter(
        (pl.col("all") >= LEAST_SYSTEMS) & (share >= NEAR_SHARE) & ~pl.col("near"),
        lat != lon,
        lat.abs() <= FURTHEST_DEG,
    )
    sentence = pl.format(
        "more than {} degrees from the middle of the {} systems of {}, {}, {}{}",
        pl.lit(f"{NEAR_DEG:g}"), "all", "group", figure(pl.col("lat")), figure(pl.col("lon")), _other_reading(),
    )  # fmt: skip
    return warn(odd, OUT_OF_PLACE, "latitude_deg", pl.format("{}, {}", figure(lat, 6), figure(lon, 6)), sentence)


def _other_reading() -> pl.Expr:
    lat, lon = pl.col("latitude_deg"), pl.col("longitude_deg")
    return (
        pl.when(_near(lon, "lat") & _near(lat, "lon"))
        .then(pl.lit("; latitude and longitude may have changed places"))
        .when(_near(lat, "lat") & _near(-lon, "lon"))
        .then(pl.lit("; the longitude may have the wrong sign"))
        .when(_near(-lat, "lat") & _near(lon, "lon"))
        .then(pl.lit("; the latitude may have the wrong sign"))
        .otherwise(pl.lit(""))
    )


def file_lengths(home_run: pl.DataFrame) -> pl.DataFrame:
    """Return the files whose home runs are about three times as long as all others, with their import_id."""
    lengths = home_run.filter(pl.col("length_m") > 0).sort("length_m", "import_id").with_row_index("place")
    files = lengths.group_by("import_id", "file_name").agg(
        pl.col("place").cast(pl.Int64), pl.col("length_m").median().alias("own"), pl.len().alias("count")
    )
    files = files.filter((pl.col("count") >= LEAST_LENGTHS) & (lengths.height - pl.col("count") >= LEAST_LENGTHS)).sort(
        "import_id"
    )
    values = lengths["length_m"].to_numpy()
    others = [_median_of_others(values, places.to_numpy()) for places in files["place"]]
    told = files.with_columns(pl.Series("others", others, dtype=pl.Float64), pl.lit(None, pl.String).alias("system_id"))
    odd = told.filter(pl.col("own") >= TIMES[0] * pl.col("others"), pl.col("own") <= TIMES[1] * pl.col("others"))
    sentence = pl.format(
        "import {}, {}: the median of its {} home runs is {} m and that of all others {} m"
        f"{FEET}",
        "import_id", "file_name", "count", figure(pl.col("own")), figure(pl.col("others")),
    )  # fmt: skip
    return warn(odd, FILE_LENGTHS, "home_run_length_m", figure(pl.col("own")), sentence).with_columns(
        odd["import_id"].cast(pl.Int32)
    )


def _median_of_others(ascending: np.ndarray, places: np.ndarray) -> float:
    """Median of ascending values without those at some places, which ascend too."""
    left = len(ascending) - len(places)
    before = places - np.arange(len(places))  # how many of the others stand before each of them
    ranks = np.array([(left - 1) // 2, left // 2])
    return float(ascending[ranks + np.searchsorted(before, ranks, side="right")].mean())

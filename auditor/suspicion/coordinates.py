"""**What.** Coordinates that no system can have: both zero, both the same figure, or a latitude beyond 72 degrees.

**Why.** Zeros and repeated figures fill a form; a latitude beyond any grid is mostly a longitude in the wrong column.
The sun, and so the likelihood of a trip, is worked out from the latitude.

**Rule.** Latitude and longitude are both 0; or they are equal; or the latitude is beyond 72 degrees north or south, and
the sentence says so where the two would make sense the other way round. Each is looked at by itself here; whether a
place lies among its utility's other systems is a rule over the whole portfolio.

**Source.** Common practice; no public grid with customers reaches beyond 72 degrees but a few settlements.
"""

from __future__ import annotations

import polars as pl

from auditor.suspicion.base import Batch, Rule, figure, warn

CODE = "coordinates"
FURTHEST_DEG = 72.0


def find(batch: Batch) -> list[pl.DataFrame]:
    """Return the systems whose place is no place."""
    lat, lon = pl.col("latitude_deg"), pl.col("longitude_deg")
    place = pl.format("{}, {}", figure(lat, 6), figure(lon, 6))
    system = batch.records.system.filter(lat.is_not_null() & lon.is_not_null())
    same = system.filter(lat == lon)
    far = system.filter((lat.abs() > FURTHEST_DEG) & (lat != lon))
    zero = pl.when(lat == 0).then(pl.lit("both are zero")).otherwise(pl.lit("latitude and longitude are one figure"))
    swapped = pl.when(lon.abs() <= FURTHEST_DEG).then(pl.lit("; it and the longitude may have changed places"))
    return [
        warn(same, CODE, "latitude_deg", place, pl.format("{}, so the place is not known", zero)),
        warn(far, CODE, "latitude_deg", place, pl.format("no grid reaches {} degrees of latitude{}", figure(lat, 6),
                                                         swapped.otherwise(pl.lit("")))),
    ]  # fmt: skip


RULE = Rule(CODE, find)

"""What the policy assumes of each system's supply."""

from __future__ import annotations

import numpy as np
import polars as pl

from auditor.likelihood.inputs import Supply
from auditor.policy import Policy
from auditor.policy.trips import Supply as Assumed

PLACE = ("utility", "region", "service")
FIGURES = ("level_pct", "site_pct", "feeder_beta_pct", "beta_sd_pct", "neighbour_share", "neighbour_kw")


def with_supply(system: pl.DataFrame, policy: Policy) -> tuple[pl.DataFrame, tuple[Assumed, ...]]:
    """Add FIGURES, `policy_latitude_deg` and `supply`, the number of the supply among those returned, to systems.

    The policy's entries for utility, region and service are looked up once for each combination.
    """
    places = system.select(PLACE).unique().sort(PLACE)
    found: list[Assumed] = []
    rows = []
    for place in places.iter_rows():
        here = policy.supply.here(*place)
        if here not in found:
            found.append(here)
        rows.append((found.index(here), *(getattr(here, name) for name in FIGURES), here.latitude_deg))
    schema = {"supply": pl.Int64, **dict.fromkeys((*FIGURES, "policy_latitude_deg"), pl.Float64)}
    right = places.hstack(pl.DataFrame(rows, schema=schema, orient="row").get_columns())
    frame = system.join(right, on=PLACE, how="left", nulls_equal=True, maintain_order="left")
    return frame, tuple(found)


def character(assumed: Assumed) -> Supply:
    """The supply as the likelihood's tables take it: its mean by month and hour is less its mean over the year."""
    dev = np.asarray(assumed.month_pct)[:, None] + np.asarray(assumed.hour_pct)[None, :]
    return Supply(dev - dev.mean(), assumed.sigma_pct, assumed.rho, assumed.day_pct, assumed.peak_pct)


def with_beta(frame: pl.DataFrame) -> pl.DataFrame:
    """Add `beta_pct` [%], what the neighbours' sun adds: (R%·P_others)/S on the transformer, and the feeder's part.

    The others' output P is the recorded one, else the policy's share of the other customers; without a transformer or a
    count of customers only the feeder's part is known. `beta_assumed` tells that the record does not state the others.
    """
    others = (pl.col("customers_on_transformer") - 1) * pl.col("neighbour_share") * pl.col("neighbour_kw")
    shared_kw = pl.coalesce("shared_solar_kw", others)
    transformer = pl.col("transformer_r_pct") * shared_kw / pl.col("transformer_kva")
    return frame.with_columns(
        (transformer.fill_null(0.0) + pl.col("feeder_beta_pct")).alias("beta_pct"),
        (pl.col("shared_solar_kw").is_null() | transformer.is_null()).alias("beta_assumed"),
    )

"""Each system's supply: what the policy assumes, and what readings replace of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from auditor.likelihood.inputs import DayShapes, Supply
from auditor.policy import Policy
from auditor.policy.trips import Supply as Assumed
from auditor.trips.evidence import fitted_supply, measured_days

PLACE = ("utility", "region", "service")
#: What readings take the place of, and the column of the fit that does.
READ = {"level_pct": "level_pct", "site_pct": "level_se_pct", "beta_pct": "beta_pct", "beta_sd_pct": "beta_se_pct"}
FIGURES = ("level_pct", "site_pct", "feeder_beta_pct", "beta_sd_pct", "neighbour_share", "neighbour_kw")


@dataclass(frozen=True)
class Character:
    """A supply less its level, the clearness by month, and one system's measured days; `own` where only one has it.

    `rests_on` says in words what it rests on.
    """

    supply: Supply
    clearness: tuple[float, ...]
    rests_on: str
    measured: DayShapes | None = None
    own: bool = False


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


def with_readings(
    frame: pl.DataFrame, assumed: tuple[Assumed, ...], fits: pl.DataFrame
) -> tuple[pl.DataFrame, tuple[Character, ...]]:
    """Put in the place of assumed figures what readings tell of a system; `fits` is FIT_SCHEMA of `evidence`.

    Adds `read_days`, `output_days`, `months_read`, `noise_read` and `peaks_read`, null without readings. Where a system
    was read, `supply` becomes the number of its own character among those returned.
    """
    characters = [Character(character(one), one.clearness, one.rests_on) for one in assumed]
    rows = frame.select("system_id", "supply").join(fits, on="system_id", how="inner", maintain_order="left")
    for row in rows.iter_rows(named=True):
        of_policy = characters[row["supply"]]
        supply = fitted_supply(of_policy.supply, row)
        rests_on = of_policy.rests_on
        if row["days"] is not None:
            rests_on = f"Readings of {row['days']} days at the {row['place']}; where they leave it open: {rests_on}"
        characters.append(Character(supply, of_policy.clearness, rests_on, measured_days(row), own=True))
    told = rows.select(
        "system_id",
        pl.int_range(len(assumed), len(characters)).alias("own_supply"),
        pl.col("days").alias("read_days"),
        "output_days",
        "months_read",
        pl.col("sigma_pct").is_not_null().alias("noise_read"),
        pl.col("peak_pct").is_not_null().alias("peaks_read"),
        *(pl.col(fit).alias(f"read_{name}") for name, fit in READ.items()),
    )
    frame = frame.join(told, on="system_id", how="left", maintain_order="left")
    return frame.with_columns(
        pl.coalesce("own_supply", "supply").alias("supply"),
        *(pl.coalesce(f"read_{name}", name).alias(name) for name in READ),
        (pl.col("beta_assumed") & pl.col("read_beta_pct").is_null()).alias("beta_assumed"),
    ), tuple(characters)

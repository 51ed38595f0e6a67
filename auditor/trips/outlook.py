"""The trip columns of each system."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import MONTHS, Systems
from auditor.likelihood.results import Assumptions, SystemResults, system_results
from auditor.policy import Policy
from auditor.prepare import Prepared
from auditor.prepare.layout import column
from auditor.prepare.specs import Frames
from auditor.trips.inputs import Inputs, inputs
from auditor.trips.planes import FACTS, plane_classes, plane_of, sun_factor
from auditor.trips.supply import character
from auditor.trips.tables import Tables, Wanted

#: Tables that are made at a time.
WORKERS = min(4, os.cpu_count() or 1)
#: Days ahead that `trip_chance_30d` looks.
AHEAD_DAYS = 30
FIGURES = (
    "trip_days_per_year", "trip_days_per_year_median", "trip_days_per_year_low", "trip_days_per_year_high",
    "trip_chance_year", "trip_chance_30d", "trips_per_year", "episodes_per_year", "lost_kwh_per_year",
    "curtailed_kwh_per_year", "hours_over", "cessation_hours", "units_off_share", "headroom_supply_pct",
    "headroom_service_pct", "headroom_wiring_pct", "supply_share", "service_share", "wiring_share",
    "trip_days_saved_at_target",
)  # fmt: skip
#: The columns of a system, in order.
COLUMNS = (
    "trip_band", *FIGURES[:6], "trip_most_telling", *FIGURES[6:], "first_threshold_pct", "supply_level_pct",
    "supply_site_pct", "neighbours_sun_pct", "trip_profile", "trip_assumed", "trip_missing",
)  # fmt: skip
_WORDS = {"level_pct": "supply level", "site_pct": "spread of the supply level", "beta_pct": "neighbours' sun",
          "service_pct": "service", "sensing_pct": "sensing error"}  # fmt: skip


def outlook(prepared: Prepared, catalog: Frames, policy: Policy, as_of: date, tables: Tables) -> pl.DataFrame:
    """One row per system with `system_id` and COLUMNS, in the order of the prepared systems."""
    found = inputs(prepared, catalog, policy)
    frame, size = found.frame, found.frame.height
    figures = {name: np.full(size, np.nan) for name in FIGURES}
    band, mover = np.full(size, -1, dtype=np.int64), np.full(size, "", dtype=object)
    window = window_days(as_of)
    edges = tuple(entry.below for entry in policy.trips.band[:-1])
    groups = _groups(found, policy)
    with ThreadPoolExecutor(WORKERS) as pool:
        made = pool.map(lambda group: tables.get(group[1], window), groups)
    for (rows, wanted), table in zip(groups, made, strict=True):
        part = frame[rows]
        factor = sun_factor(part, wanted.plane, wanted.clearness, wanted.kinds)
        results = system_results(table, _systems(part, factor), edges, _assumptions(part, policy))
        for name, values in _with_own_headroom(results, part, factor).items():
            figures[name][rows] = values
        band[rows], mover[rows] = results.band, results.most_sensitive_input
    names = np.array([*(entry.name for entry in policy.trips.band), ""], dtype=object)
    words = np.array([_WORDS.get(name, name) for name in mover], dtype=object)
    return _columns(frame, figures, names[band], words)


def _columns(
    frame: pl.DataFrame, figures: dict[str, FloatArray], band: npt.NDArray[np.object_], mover: npt.NDArray[np.object_]
) -> pl.DataFrame:
    """`system_id` and COLUMNS; texts that say nothing are null."""
    texts = {
        "trip_band": pl.lit(pl.Series(band, dtype=pl.String)),
        "trip_most_telling": pl.lit(pl.Series(mover, dtype=pl.String)),
        "trip_assumed": pl.col("assumed"),
        "trip_missing": pl.col("missing"),
    }
    return frame.select(
        "system_id",
        *(pl.when(text != "").then(text).alias(name) for name, text in texts.items()),
        *(pl.Series(name, values).fill_nan(None) for name, values in figures.items()),
        (pl.col("trip_pu") * 100).alias("first_threshold_pct"),
        pl.col("level_pct").alias("supply_level_pct"),
        pl.col("site_pct").alias("supply_site_pct"),
        pl.col("beta_pct").alias("neighbours_sun_pct"),
        "trip_profile",
    ).select("system_id", *COLUMNS)


def window_days(as_of: date) -> FloatArray:
    """How many of the AHEAD_DAYS days after a date lie in each month, (12,) [days]."""
    days = np.zeros(MONTHS)
    for ahead in range(1, AHEAD_DAYS + 1):
        days[(as_of + timedelta(days=ahead)).month - 1] += 1
    return days


def _groups(found: Inputs, policy: Policy) -> list[tuple[IntArray, Wanted]]:
    """The rows that share a table, and what that table is made of; rows that miss an input have none."""
    frame = found.frame
    rows = np.flatnonzero((frame["missing"] == "").to_numpy())
    part = frame[rows]
    keys = plane_classes(*(column(part, name) for name in FACTS))
    number = np.column_stack([column(part, "settings"), column(part, "supply"), keys]).astype(np.int64)
    distinct, of_row = np.unique(number, axis=0, return_inverse=True)
    groups = []
    for group, (settings, supply, *key) in enumerate(distinct.tolist()):
        profile = found.settings[settings].profile
        assert profile is not None, "a system whose profile is not whole misses an input"
        assumed = found.supplies[supply]
        wanted = Wanted(profile, character(assumed), plane_of(key), assumed.clearness, policy.trips.kinds_of_day)
        groups.append((rows[of_row.reshape(-1) == group], wanted))
    return groups


def _systems(part: pl.DataFrame, factor: FloatArray) -> Systems:
    """The systems of a table, what the sun adds times `factor`; energy goes with it too."""
    plain = ("level_pct", "site_pct", "units", "sensing_pct")
    with_sun = ("beta_pct", "beta_sd_pct", "service_pct", "wiring_pct", "target_pct", "rated_kw")
    return Systems(
        **{name: column(part, name) for name in plain}, **{name: column(part, name) * factor for name in with_sun}
    )


def _with_own_headroom(results: SystemResults, part: pl.DataFrame, factor: FloatArray) -> dict[str, FloatArray]:
    """The columns, with the headroom at the system's own figures rather than those of its class."""
    beta = column(part, "beta_pct")
    return results.columns | {
        "headroom_supply_pct": results.columns["headroom_supply_pct"] + beta * (1 - factor),
        "headroom_service_pct": column(part, "service_pct"),
        "headroom_wiring_pct": column(part, "wiring_pct"),
    }


def _assumptions(part: pl.DataFrame, policy: Policy) -> Assumptions:
    """What is assumed of these systems and how far it may be off; the supply's level and spread always are."""
    off = policy.trips.may_be_off
    always = np.ones(part.height, dtype=np.bool_)
    assumed: dict[str, BoolArray] = {
        "level_pct": always,
        "site_pct": always,
        "beta_pct": part["beta_assumed"].to_numpy(),
        "service_pct": (part["service_drop_assumed"] | part["transformer_assumed"]).to_numpy(),
        "sensing_pct": part["sensing_assumed"].to_numpy(),
    }
    return Assumptions(assumed, {name: getattr(off, name) for name in assumed}, {})

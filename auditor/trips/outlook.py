"""The trip columns of each system."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.evidence.observed import in_order
from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import MONTHS, Systems
from auditor.likelihood.logged import NODES_SD, Logs
from auditor.likelihood.output import ClassInputs
from auditor.likelihood.results import EXPECTED, SHARES, Assumptions, SystemResults, expected_results, system_results
from auditor.likelihood.table import Table
from auditor.policy import Policy
from auditor.prepare import Prepared, prepare
from auditor.prepare.layout import column
from auditor.prepare.specs import Frames
from auditor.trips.evidence import Evidence
from auditor.trips.inputs import Inputs, inputs
from auditor.trips.logs import CHANCE, LOG_FIGURES, expected_in_logs, expected_with_logs, with_logs
from auditor.trips.planes import FACTS, plane_classes, plane_of, sun_factor
from auditor.trips.tables import Tables, Wanted

T = TypeVar("T")

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
    "supply_site_pct", "neighbours_sun_pct", *LOG_FIGURES, "supply_from", "output_from", "trip_profile",
    "trip_assumed", "trip_missing",
)  # fmt: skip
#: Inputs of a system as the table takes them, and those that go with what the sun adds.
PLAIN = ("level_pct", "site_pct", "units", "sensing_pct")
WITH_SUN = ("beta_pct", "beta_sd_pct", "service_pct", "wiring_pct", "target_pct", "rated_kw")
_WORDS = {"level_pct": "supply level", "site_pct": "spread of the supply level", "beta_pct": "neighbours' sun",
          "service_pct": "service", "sensing_pct": "sensing error", "sigma_pct": "spread of the supply within a day",
          "rho": "how slowly the supply changes"}  # fmt: skip


def outlook(
    prepared: Prepared, catalog: Frames, policy: Policy, as_of: date, tables: Tables, evidence: Evidence | None = None
) -> pl.DataFrame:
    """One row per system with `system_id` and COLUMNS, in the order of the prepared systems."""
    evidence = evidence or Evidence()
    found = inputs(prepared, catalog, policy, evidence)
    frame, size = found.frame, found.frame.height
    window = window_days(as_of)
    logs = _logs(frame["system_id"], catalog, policy, as_of, tables, evidence)
    figures = {name: np.full(size, np.nan) for name in (*FIGURES, *LOG_FIGURES)}
    band, mover = np.full(size, -1, dtype=np.int64), np.full(size, "", dtype=object)
    edges = tuple(entry.below for entry in policy.trips.band[:-1])
    off = _inside(policy)

    def made(group: Group) -> tuple[Table, dict[str, tuple[Table, Table]]]:
        return tables.get(group.wanted, window), tables.variants(group.wanted, off)

    for group, (table, variants) in _side_by_side(made, groups(found, policy)):
        part, rows = frame[group.rows], group.rows
        factor = group.factor(part)
        systems = systems_of(part, factor)
        results = system_results(table, systems, edges, _assumptions(part, policy, variants))
        columns = _with_own_headroom(results, part, factor)
        columns = with_logs(
            columns, table, group.wanted, systems, logs.some(rows), window, policy.trips.prior_shape
        )  # fmt: skip
        for name, values in columns.items():
            figures[name][rows] = values
        band[rows] = _bands(columns["trip_days_per_year"], edges)
        mover[rows] = results.most_sensitive_input
    figures["logged_days"] = np.where(np.isnan(logs.observed), np.nan, logs.logged_days.sum(axis=1))
    figures["logged_trip_days"] = logs.observed
    names = np.array([*(entry.name for entry in policy.trips.band), ""], dtype=object)
    words = np.array([_WORDS.get(name, name) for name in mover], dtype=object)
    return _columns(frame, figures, names[band], words)


def expected_outlook(
    prepared: Prepared,
    catalog: Frames,
    policy: Policy,
    as_of: date,
    tables: Tables,
    evidence: Evidence | None = None,
    shares: bool = False,
) -> pl.DataFrame:
    """One row per system with `system_id`, EXPECTED and, if wanted, SHARES and CHANCE: those columns of `outlook`, a
    third of its work.
    """
    evidence = evidence or Evidence()
    found = inputs(prepared, catalog, policy, evidence)
    frame, window = found.frame.select("system_id", *FACTS, *PLAIN, *WITH_SUN), window_days(as_of)
    logs = _logs(frame["system_id"], catalog, policy, as_of, tables, evidence)
    names = (*EXPECTED, *SHARES, CHANCE) if shares else EXPECTED
    figures = {name: np.full(frame.height, np.nan) for name in names}
    for group, table in _side_by_side(lambda group: tables.get(group.wanted, window), groups(found, policy)):
        part = frame[group.rows]
        systems = systems_of(part, group.factor(part))
        chance = {CHANCE: np.full(part.height, np.nan)} if shares else {}
        columns = expected_with_logs(
            expected_results(table, systems, shares) | chance, table, group.wanted, systems, logs.some(group.rows),
            window, policy.trips.prior_shape,
        )  # fmt: skip
        for name, values in columns.items():
            figures[name][group.rows] = values
    return frame.select("system_id", *(pl.Series(name, values).fill_nan(None) for name, values in figures.items()))


def _side_by_side(made: Callable[[Group], T], groups: list[Group]) -> Iterator[tuple[Group, T]]:
    """Each group with what is made for it, several at a time."""
    with ThreadPoolExecutor(WORKERS) as pool:
        yield from zip(groups, pool.map(made, groups), strict=True)


def _logs(
    system_ids: pl.Series, catalog: Frames, policy: Policy, as_of: date, tables: Tables, evidence: Evidence
) -> Logs:
    """The logs of systems in their order, with what was to be expected in them where they stood otherwise then."""
    logs = Logs(*in_order(evidence.months, system_ids))
    if evidence.kept_under is None:
        return logs
    found = inputs(prepare(evidence.kept_under, catalog, policy, as_of), catalog, policy, evidence)
    then, frame = Logs(*in_order(evidence.months, found.frame["system_id"])), found.frame
    in_log = np.full((frame.height, NODES_SD.size), np.nan)
    window = window_days(as_of)
    for group, table in _side_by_side(lambda group: tables.get(group.wanted, window), groups(found, policy)):
        part = frame[group.rows]
        systems = systems_of(part, group.factor(part))
        in_log[group.rows] = expected_in_logs(table, group.wanted, systems, then.some(group.rows))
    place = {system_id: number for number, system_id in enumerate(frame["system_id"].to_list())}
    rows = np.array([place.get(system_id, frame.height) for system_id in system_ids.to_list()], dtype=np.int64)
    return replace(logs, in_log=np.vstack([in_log, np.full((1, NODES_SD.size), np.nan)])[rows])


def _bands(trip_days: FloatArray, edges: tuple[float, ...]) -> IntArray:
    """Number of the band of each, −1 where the trip-days are unknown."""
    band = np.searchsorted(np.array(edges), trip_days, side="right").astype(np.int64)
    return np.where(np.isnan(trip_days), -1, band)


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
    read, measured = (pl.format(text, days) for text, days in
                      (("readings of {} days", "read_days"), ("measured on {} days", "output_days")))  # fmt: skip
    return frame.select(
        "system_id",
        *(pl.when(text != "").then(text).alias(name) for name, text in texts.items()),
        *(pl.Series(name, values).fill_nan(None) for name, values in figures.items()),
        (pl.col("trip_pu") * 100).alias("first_threshold_pct"),
        pl.col("level_pct").alias("supply_level_pct"),
        pl.col("site_pct").alias("supply_site_pct"),
        pl.col("beta_pct").alias("neighbours_sun_pct"),
        pl.coalesce(read, pl.lit("policy")).alias("supply_from"),
        pl.coalesce(measured, pl.lit("reckoned")).alias("output_from"),
        "trip_profile",
    ).select("system_id", *COLUMNS)


def window_days(as_of: date) -> FloatArray:
    """How many of the AHEAD_DAYS days after a date lie in each month, (12,) [days]."""
    days = np.zeros(MONTHS)
    for ahead in range(1, AHEAD_DAYS + 1):
        days[(as_of + timedelta(days=ahead)).month - 1] += 1
    return days


@dataclass(frozen=True)
class Group:
    """Rows that share a table, and what it is made of; `own` where it is made for one system."""

    rows: IntArray
    wanted: Wanted
    own: bool

    def factor(self, part: pl.DataFrame) -> FloatArray:
        """What sets these systems apart from the plane of their table, (n,)."""
        if self.own:
            return np.ones(part.height)
        return sun_factor(part, self.wanted.plane, self.wanted.clearness, self.wanted.kinds)


def groups(found: Inputs, policy: Policy) -> list[Group]:
    """The rows that share a table, and what that table is made of; rows that miss an input have none."""
    frame = found.frame
    rows = np.flatnonzero((frame["missing"] == "").to_numpy())
    part = frame.select("settings", "supply", *FACTS)[rows]
    keys = plane_classes(*(column(part, name) for name in FACTS))
    number = np.column_stack([column(part, "settings"), column(part, "supply"), keys]).astype(np.int64)
    distinct, of_row = np.unique(number, axis=0, return_inverse=True)
    found_groups = []
    for group, (settings, supply, *key) in enumerate(distinct.tolist()):
        profile, known = found.settings[settings].profile, found.supplies[supply]
        assert profile is not None, "a system whose profile is not whole misses an input"
        mine = rows[of_row.reshape(-1) == group]
        plane = _own_plane(frame, int(mine[0])) if known.own else plane_of(key)
        wanted = Wanted(profile, known.supply, plane, known.clearness, policy.trips.kinds_of_day, known.measured)
        found_groups.append(Group(mine, wanted, known.own))
    return found_groups


def _own_plane(frame: pl.DataFrame, row: int) -> ClassInputs:
    """The plane of one system, with its own noon: its readings tell the hours of its supply."""
    return ClassInputs(*frame.select("latitude_deg", "longitude_deg", *FACTS[1:]).row(row))


def systems_of(part: pl.DataFrame, factor: FloatArray) -> Systems:
    """The systems of a table, what the sun adds times `factor`; energy goes with it too."""
    return Systems(
        **{name: column(part, name) for name in PLAIN}, **{name: column(part, name) * factor for name in WITH_SUN}
    )


def _with_own_headroom(results: SystemResults, part: pl.DataFrame, factor: FloatArray) -> dict[str, FloatArray]:
    """The columns, with the headroom at the system's own figures rather than those of its class."""
    beta = column(part, "beta_pct")
    return results.columns | {
        "headroom_supply_pct": results.columns["headroom_supply_pct"] + beta * (1 - factor),
        "headroom_service_pct": column(part, "service_pct"),
        "headroom_wiring_pct": column(part, "wiring_pct"),
    }


def _inside(policy: Policy) -> dict[str, float]:
    """How far figures inside a table may be off."""
    return {name: getattr(policy.trips.may_be_off, name) for name in ("sigma_pct", "rho")}


def _assumptions(part: pl.DataFrame, policy: Policy, variants: Mapping[str, tuple[Table, Table]]) -> Assumptions:
    """What is assumed of these systems and how far it may be off; of the supply what was not read.

    The course of the supply over hours and months counts with its level: both move the voltage in the sun alike.
    """
    off = policy.trips.may_be_off
    unread, noise = part["read_days"].is_null().to_numpy(), ~part["noise_read"].fill_null(False).to_numpy()
    assumed: dict[str, BoolArray] = {
        "level_pct": unread,
        "site_pct": unread,
        "beta_pct": part["beta_assumed"].to_numpy(),
        "service_pct": (part["service_drop_assumed"] | part["transformer_assumed"]).to_numpy(),
        "sensing_pct": part["sensing_assumed"].to_numpy(),
        **dict.fromkeys(variants, noise),
    }
    half_range = {name: getattr(off, name) for name in assumed if name not in variants}
    return Assumptions(assumed, half_range, variants)

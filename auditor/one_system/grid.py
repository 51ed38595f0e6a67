"""What the grid may do and the units may not: the service's voltage range and the trip thresholds, in volts."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from auditor.one_system.case import Case


@dataclass(frozen=True)
class TripLevel:
    """One overvoltage threshold across a unit: [V], its longest clearing time [s], and how far it is confirmed."""

    name: str
    kind: str
    level_v: float
    clearing_s: float
    mark: str


@dataclass(frozen=True)
class Grid:
    """The range and the thresholds in the volts that a unit sees.

    `low_v` is the low end of the range printed in `range_name`, None where the catalog has none; `top_v` the policy's
    top of the range. `profile` is the grid profile's name, None where the record's spelling means none we know.
    """

    unit_v: float
    low_v: float | None
    top_v: float | None
    range_name: str
    range_mark: str
    profile: str | None
    levels: tuple[TripLevel, ...]

    @property
    def lowest_v(self) -> float | None:
        """The lowest threshold [V]."""
        return min((level.level_v for level in self.levels), default=None)


def _range_names(code: str | None) -> tuple[str, ...]:
    """The ranges that may hold, the likeliest first."""
    if code and code.upper().startswith("AS"):
        return ("AS 60038",)
    return ("ANSI C84.1 Range A", "EN 50160 95 % of a week")


def _service_range(case: Case, service: str | None, unit_v: float, code: str | None) -> tuple[float | None, str, str]:
    rows = case.frames["service_range"].filter(pl.col("service") == service) if service else pl.DataFrame()
    for name in _range_names(code):
        for row in rows.iter_rows(named=True):
            # A range for line to neutral holds between lines in the same proportion (400Y/230 states only 230).
            fits = row["base_v"] == unit_v or service == "400Y/230"
            if row["range"] == name and fits:
                return row["low_v"] / row["base_v"] * unit_v, row["range"], row["mark"]
    return None, "", ""


def grid(case: Case, unit_v: float | None) -> Grid | None:
    """Return range and thresholds for units on a nominal voltage [V]; None where that is not known."""
    if unit_v is None:
        return None
    system = case.prepared.system.row(0, named=True)
    low_v, name, mark = _service_range(case, system["service"], unit_v, system["installation_code"])
    top_pu = system["service_top_pu"]
    spelling = system["grid_profile"]
    profile = case.catalog.profile_name(spelling) if spelling else None
    rows = case.frames["grid_profile_threshold"].filter(pl.col("profile") == pl.lit(profile, pl.String))
    levels = tuple(
        TripLevel(row["threshold"], row["kind"], row["level_pu"] * unit_v, row["clearing_s"], row["mark"])
        for row in rows.sort("level_pu").iter_rows(named=True)
        if row["level_pu"] is not None
    )
    return Grid(unit_v, low_v, None if top_pu is None else top_pu * unit_v, name, mark, profile, levels)

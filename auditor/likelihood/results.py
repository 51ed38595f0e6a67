"""The columns of results for each system, interpolated in the table of its profile, supply and output class.

A system with a missing input has NaN throughout, and the input is named; nothing is guessed. A result depends on the
system's own row and the table only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.attribution import PARTS
from auditor.likelihood.attribution import shares as shapley_shares
from auditor.likelihood.inputs import Systems
from auditor.likelihood.lookup import Places, figures, loss_results, lost_hours, trip_days, trip_results
from auditor.likelihood.table import Table
from auditor.likelihood.units import QUANTILES, largest_offset, unit_at

#: Inputs without which nothing is told; the others only leave their own results out.
NEEDED = (
    "level_pct", "site_pct", "beta_pct", "beta_sd_pct", "service_pct", "wiring_pct", "units", "sensing_pct",
)  # fmt: skip
#: Results that need one input more.
OWN_INPUT = {
    "lost_kwh_per_year": "rated_kw",
    "curtailed_kwh_per_year": "rated_kw",
    "trip_days_saved_at_target": "target_pct",
}
#: Inputs that may be moved one at a time; the others lie in the table, and move with a table of their own. The day
#: effect moves like the site's spread, as the mean asks for both together only.
MOVABLE = ("level_pct", "site_pct", "beta_pct", "service_pct", "wiring_pct", "sensing_pct", "day_pct")
NOMINAL_PCT = 100.0
#: What `expected_results` tells.
EXPECTED = ("trip_days_per_year", "lost_kwh_per_year", "curtailed_kwh_per_year")
SHARES = tuple(f"{part}_share" for part in PARTS)


@dataclass(frozen=True)
class Assumptions:
    """Which inputs are assumed and how far each may be off.

    assumed   name of an input (of MOVABLE, or of a variant) to whether it is assumed for each system, (n,)
    half_range   name of an input of MOVABLE to how far it may be off either way [unit of the input]
    variants  name of an assumption inside the table (such as rho) to the tables at the low and high end of its range;
              tables of the headline only will do
    """

    assumed: Mapping[str, BoolArray]
    half_range: Mapping[str, float]
    variants: Mapping[str, tuple[Table, Table]]


@dataclass(frozen=True)
class SystemResults:
    """Results of the systems, each (n,).

    columns   figures by name, NaN where unknown
    band      0 for the lowest band upwards, −1 where unknown
    most_sensitive_input   the assumption that moves the trip-days most, empty where none is assumed
    missing   which inputs are missing, by name
    """

    columns: dict[str, FloatArray]
    band: IntArray
    most_sensitive_input: npt.NDArray[np.str_]
    missing: dict[str, BoolArray]


def system_results(
    table: Table, systems: Systems, band_edges: tuple[float, ...], assumptions: Assumptions | None = None
) -> SystemResults:
    """All columns for systems that share a table; band_edges are rising boundaries of the trip-days a year."""
    missing = {field.name: np.isnan(getattr(systems, field.name)) for field in fields(systems)}
    filled, unknown = _filled(systems)
    columns = {**_trip_columns(table, filled), **_loss_columns(table, filled), **_headrooms(table, filled)}
    mean = columns["trip_days_per_year"]
    some = np.nonzero(mean > 0.0)[0]
    columns |= _scattered(_counterfactuals(table, _rows(filled, some), mean[some]), some, systems.size)
    mover = np.full(systems.size, "", dtype="<U32")
    mover[some] = _most_sensitive(table, _rows(filled, some), assumptions, some)
    band = np.searchsorted(np.array(band_edges), mean, side="right").astype(np.int64)
    return SystemResults(
        columns=_known(columns, systems, unknown),
        band=np.where(unknown, -1, band),
        most_sensitive_input=np.where(unknown, "", mover),
        missing={name: absent for name, absent in missing.items() if absent.any()},
    )


def expected_results(table: Table, systems: Systems, shares: bool = False) -> dict[str, FloatArray]:
    """EXPECTED, and SHARES if wanted, of systems that share a table: as in `system_results`, at a quarter of its work.

    What stands in both is equal to the last bit.
    """
    filled, unknown = _filled(systems)
    mean, places = _trip_days(table, filled), true_voltage(table.trip_output, filled)
    columns = {
        "trip_days_per_year": figures(mean),
        "lost_kwh_per_year": _lost_hours(table, filled, places) * filled.rated_kw,
        "curtailed_kwh_per_year": loss_results(table, places, ("curtailed_h",))["curtailed_h"] * filled.rated_kw,
    }
    if shares:
        some = np.nonzero(columns["trip_days_per_year"] > 0.0)[0]
        columns |= _scattered(_shares(table, _rows(filled, some), figures(mean)[some]), some, systems.size)
    return _known(columns, systems, unknown)


def _filled(systems: Systems) -> tuple[Systems, BoolArray]:
    """The systems with nothing for what is missing, and which of them miss what nothing is told without."""
    values = {field.name: getattr(systems, field.name) for field in fields(systems)}
    unknown = np.any([np.isnan(values[name]) for name in NEEDED], axis=0)
    return Systems(**{name: np.nan_to_num(column) for name, column in values.items()}), unknown


def _known(columns: dict[str, FloatArray], systems: Systems, unknown: BoolArray) -> dict[str, FloatArray]:
    """The columns with NaN where an input is missing that they need."""
    found = {}
    for name, values in columns.items():
        lacking = unknown | np.isnan(getattr(systems, OWN_INPUT[name])) if name in OWN_INPUT else unknown
        found[name] = np.where(lacking, np.nan, values)
    return found


def _rows(systems: Systems, rows: IntArray) -> Systems:
    """Some of the systems."""
    return Systems(**{field.name: getattr(systems, field.name)[rows] for field in fields(systems)})


def _scattered(columns: dict[str, FloatArray], rows: IntArray, size: int) -> dict[str, FloatArray]:
    """Columns of some rows among all; a system that never trips has no shares and nothing to save."""
    found = {name: np.full(size, 0.0 if name in OWN_INPUT else np.nan) for name in columns}
    for name, values in columns.items():
        found[name][rows] = values
    return found


def most_sensitive_unit(trip_output: float, systems: Systems) -> Places:
    """Where the unit stands that trips first: its offset lifts the level, and its spread adds to the site's.

    The neighbours' sun is uncertain by its standard deviation at the output at which trips mostly happen.
    """
    lifted, offset_sd = largest_offset(systems.units, systems.sensing_pct)
    sun = systems.beta_sd_pct * trip_output
    return Places(
        level_pct=systems.level_pct + lifted,
        rise_pct=systems.service_pct + systems.wiring_pct,
        beta_pct=systems.beta_pct,
        site_pct=np.sqrt(systems.site_pct**2 + sun**2 + offset_sd**2),
    )


def true_voltage(trip_output: float, systems: Systems) -> Places:
    """Where the systems stand without sensing offsets."""
    sun = systems.beta_sd_pct * trip_output
    return Places(
        level_pct=systems.level_pct,
        rise_pct=systems.service_pct + systems.wiring_pct,
        beta_pct=systems.beta_pct,
        site_pct=np.sqrt(systems.site_pct**2 + sun**2),
    )


def _trip_days(table: Table, systems: Systems) -> FloatArray:
    """Predictive mean of the trip-days a year, (n,)."""
    return trip_days(table, most_sensitive_unit(table.trip_output, systems))


def _trip_columns(table: Table, systems: Systems) -> dict[str, FloatArray]:
    """Trip-days, chances, trips and episodes: of the most sensitive unit, and so of any."""
    found = trip_results(table, most_sensitive_unit(table.trip_output, systems))
    return {
        "trip_days_per_year": found["mean"],
        "trip_days_per_year_median": found["median"],
        "trip_days_per_year_low": found["low"],
        "trip_days_per_year_high": found["high"],
        "trip_chance_year": found["chance_year"],
        "trip_chance_30d": found["chance_30d"],
        "trips_per_year": found["trips"],
        "episodes_per_year": found["episodes"],
    }


def _loss_columns(table: Table, systems: Systems) -> dict[str, FloatArray]:
    """Losses over all units, hours over the threshold and in cessation at the true voltage."""
    places = true_voltage(table.trip_output, systems)
    found = loss_results(table, places)
    lost_h = _lost_hours(table, systems, places)
    first_h = lost_hours(table, most_sensitive_unit(table.trip_output, systems))
    return {
        "lost_kwh_per_year": lost_h * systems.rated_kw,
        "curtailed_kwh_per_year": found["curtailed_h"] * systems.rated_kw,
        "units_off_share": np.minimum(lost_h / first_h, 1.0),
        "hours_over": found["over_h"],
        "cessation_hours": found["ceased_h"],
    }


def _lost_hours(table: Table, systems: Systems, places: Places) -> FloatArray:
    """Output lost a year over all units, (n,) [h at rated output]; `places` are those at the true voltage."""
    lost_h = np.zeros(systems.size)
    for quantile in QUANTILES:
        offset, on = unit_at(quantile, systems.units, systems.sensing_pct, table.relieved)
        unit = replace(places, level_pct=places.level_pct + offset, rise_pct=places.rise_pct * on)
        lost_h += lost_hours(table, unit) / len(QUANTILES)
    return lost_h


def _headrooms(table: Table, systems: Systems) -> dict[str, FloatArray]:
    """How much of what lies between nominal and the first threshold each part uses at full sun [% of nominal]."""
    return {
        "headroom_supply_pct": systems.level_pct + table.output_dev_pct + systems.beta_pct - NOMINAL_PCT,
        "headroom_service_pct": systems.service_pct,
        "headroom_wiring_pct": systems.wiring_pct,
    }


def _shares(table: Table, systems: Systems, mean: FloatArray) -> dict[str, FloatArray]:
    """Shares of supply, service and wiring in the trip-days."""
    none = np.zeros(systems.size)

    def worth_of(present: frozenset[str]) -> FloatArray:
        """Trip-days with only these parts present."""
        if len(present) == len(PARTS):
            return mean
        supply = "supply" in present
        return _trip_days(
            table,
            replace(
                systems,
                level_pct=systems.level_pct if supply else np.minimum(systems.level_pct, NOMINAL_PCT),
                beta_pct=systems.beta_pct if supply else none,
                beta_sd_pct=systems.beta_sd_pct if supply else none,
                service_pct=systems.service_pct if "service" in present else none,
                wiring_pct=systems.wiring_pct if "wiring" in present else none,
            ),
        )

    return {f"{part}_share": share for part, share in shapley_shares(worth_of).items()}


def _counterfactuals(table: Table, systems: Systems, mean: FloatArray) -> dict[str, FloatArray]:
    """Shares of supply, service and wiring in the trip-days, and what meeting the wiring target would save."""
    found = _shares(table, systems, mean)
    above = np.nonzero(systems.wiring_pct > systems.target_pct)[0]
    met = replace(_rows(systems, above), wiring_pct=systems.target_pct[above])
    found["trip_days_saved_at_target"] = np.zeros(systems.size)
    found["trip_days_saved_at_target"][above] = mean[above] - _trip_days(table, met)
    return found


def _most_sensitive(
    table: Table, systems: Systems, assumptions: Assumptions | None, rows: IntArray
) -> npt.NDArray[np.str_]:
    """The assumption whose range moves the trip-days most, one at a time; empty where none is assumed.

    rows are where the systems stand among those that the assumptions know.
    """
    names = np.full(systems.size, "", dtype="<U32")
    if assumptions is None:
        return names
    best = np.zeros(systems.size)
    for name, told in assumptions.assumed.items():
        assumed = np.nonzero(told[rows])[0]
        low, high = _both_ends(table, _rows(systems, assumed), name, assumptions)
        swing = np.abs(high - low)
        more = assumed[swing > best[assumed]]
        names[more] = name
        best[assumed] = np.maximum(swing, best[assumed])
    return names


def _both_ends(table: Table, systems: Systems, name: str, assumptions: Assumptions) -> tuple[FloatArray, FloatArray]:
    """Trip-days a year with an assumption at the low and the high end of its range, each (n,)."""
    if name in assumptions.variants:
        low, high = assumptions.variants[name]
        return _trip_days(low, systems), _trip_days(high, systems)
    off = assumptions.half_range[name]
    if name == "day_pct":
        unit = most_sensitive_unit(table.trip_output, systems)
        low_pct, high_pct = max(table.day_pct - off, 0.0), table.day_pct + off
        return trip_days(table, unit, low_pct), trip_days(table, unit, high_pct)
    below, above = (replace(systems, **{name: _shifted(systems, name, shift)}) for shift in (-off, off))
    return _trip_days(table, below), _trip_days(table, above)


def _shifted(systems: Systems, name: str, shift: float) -> FloatArray:
    """An input moved by its range; only the level may fall below zero of its scale."""
    values: FloatArray = getattr(systems, name) + shift
    return values if name == "level_pct" else np.maximum(values, 0.0)

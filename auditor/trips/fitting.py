"""Supplies from readings: which readings of a system are taken, and the rows of evidence that the fitter makes of them.

The place nearest to the point of common coupling is taken for which there are enough days: the service, then the main
panel. What the own output adds up to there is known from the records, as far as the policy does not assume it; what the
neighbours' sun is assumed to add goes with it, so that the slope found is what the assumption lacks, and the level is
right where no slope can be told. At other places only readings without own output count, at night where none is told.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.evidence.daylight import daylight_share, zones_h
from auditor.evidence.fit import SupplyFit, fit_supply
from auditor.evidence.series import Readings
from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import MONTHS, DayShapes
from auditor.likelihood.output import ClassInputs, measured_shapes
from auditor.likelihood.ratios import some_days
from auditor.policy import Policy
from auditor.prepare import Prepared
from auditor.prepare.specs import Frames
from auditor.trips.evidence import FIT_SCHEMA, OUTPUT_STEP
from auditor.trips.inputs import inputs
from auditor.trips.planes import FACTS, shapes_of
from auditor.trips.supply import Character

#: Places from the point of common coupling inwards.
PLACES = ("service", "main panel", "combiner", "junction box", "unit")
#: Fewer days of readings at a place tell nothing of the supply; fewer whole days of a month nothing of its output.
FEWEST_DAYS, FEWEST_OF_MONTH = 7, 10
#: Days of measured output that stand for a month, for each kind of day of the model.
DAYS_A_KIND = 2
#: Output somewhat outside 0 to rated is taken as the end it passed; further off, it is not believed [share of rated].
BEYOND = (-0.05, 1.1)
DAY_S = 86_400
#: A voltage is one across the units if it lies so near to theirs [share of it].
ACROSS = (0.8, 1.2)
#: Systems whose readings are held and fitted at a time.
AT_ONCE = 4

Row = dict[str, Any]


def fitted(
    prepared: Prepared, catalog: Frames, policy: Policy, readings_of: Callable[[str], pl.DataFrame]
) -> pl.DataFrame:
    """FIT_SCHEMA of those systems of a batch whose readings tell more than is assumed.

    readings_of gives one system's readings, with the declared columns and `start` in UTC. A few systems are held at a
    time.
    """
    found = inputs(prepared, catalog, policy)
    needed = ("latitude_deg", "longitude_deg", "unit_voltage_v")
    rows = found.frame.filter(pl.all_horizontal(pl.col(name).is_not_null() for name in needed)).to_dicts()

    def one(row: Row, readings: pl.DataFrame) -> Row | None:
        return _fitted_row(row, readings, found.supplies[row["supply"]], policy.trips.kinds_of_day)

    made: list[Row | None] = []
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for start in range(0, len(rows), AT_ONCE):
            some = rows[start : start + AT_ONCE]
            made += pool.map(one, some, [readings_of(row["system_id"]) for row in some])
    return pl.DataFrame([row for row in made if row is not None], schema=FIT_SCHEMA)


def _fitted_row(row: Row, readings: pl.DataFrame, assumed: Character, kinds: int) -> Row | None:
    """A row of FIT_SCHEMA, None where the readings tell nothing."""
    told = _local(readings, row)
    row = row | _supply_of(told, row, assumed) | _output_of(told, row, assumed, kinds)
    if row["level_se_pct"] is None and row["output"] is None:
        return None
    return {name: row[name] for name in FIT_SCHEMA}


def _local(readings: pl.DataFrame, row: Row) -> pl.DataFrame:
    """The readings with `start` in the zone's standard time, and `own`: the output as a share of rated, in the dark 0.

    It is null where it is not known or not believed.
    """
    zone_h = int(zones_h(np.array([row["longitude_deg"]]))[0])
    local = readings.with_columns(pl.col("start") + pl.duration(hours=zone_h))
    clock = local.select(
        day=pl.col("start").dt.ordinal_day(),
        begin=(pl.col("start") - pl.col("start").dt.truncate("1d")) / pl.duration(hours=1),
        hours=pl.col("duration_s") / 3600,
    )
    begin = clock["begin"].to_numpy()
    latitude, longitude = (np.full(local.height, row[name]) for name in ("latitude_deg", "longitude_deg"))
    end = np.minimum(begin + clock["hours"].to_numpy(), 24.0)
    lit = daylight_share(latitude, longitude, clock["day"].to_numpy().astype(np.int64), begin, end)
    share = pl.col("power_kw") / pl.lit(row["rated_kw"], pl.Float64)
    return local.with_columns(pl.Series("lit", lit > 0.0)).with_columns(
        pl.when(share.is_between(*BEYOND)).then(share.clip(0.0, 1.0))
        .when(pl.col("power_kw").is_null() & ~pl.col("lit")).then(0.0).alias("own")
    )  # fmt: skip


def _supply_of(local: pl.DataFrame, row: Row, assumed: Character) -> Row:
    """The columns of FIT_SCHEMA on the supply; null where the readings tell less than is assumed."""
    none: Row = dict.fromkeys(FIT_SCHEMA, None)
    chosen = _nearest(local, row["unit_voltage_v"])
    if chosen is None:
        return none | {"system_id": row["system_id"]}
    own_pct = _own_rise(chosen["place"][0], row)
    fit = fit_supply(_readings(chosen, row["unit_voltage_v"]), own_pct + row["beta_pct"], assumed.supply)
    if not fit.level_se_pct < row["site_pct"]:
        return none | {"system_id": row["system_id"]}
    days = chosen.filter(pl.col("own").is_not_null())["start"].dt.date()
    about = {"place": chosen["place"][0], "leg": chosen["leg"][0], "days": days.n_unique(),
             "first_day": days.min(), "last_day": days.max(), "system_id": row["system_id"]}  # fmt: skip
    return none | about | _figures(fit, row["beta_pct"])


def _figures(fit: SupplyFit, assumed_beta_pct: float) -> Row:
    """What a fit tells; the neighbours' sun is what was assumed and what the slope adds, at least none."""
    names = ("level_pct", "level_se_pct", "sigma_pct", "rho", "day_pct", "peak_pct", "beta_se_pct")
    told = {name: None if np.isnan(getattr(fit, name)) else getattr(fit, name) for name in names}
    return told | {
        "beta_pct": None if np.isnan(fit.beta_pct) else max(assumed_beta_pct + fit.beta_pct, 0.0),
        "dev_pct": fit.dev_pct.ravel().tolist(),
        "months_read": int((fit.days_seen.sum(axis=1) > 0).sum()),
        "used": fit.used,
        "left_out": sum(fit.left_out.values()),
    }


def _nearest(local: pl.DataFrame, unit_v: float) -> pl.DataFrame | None:
    """The readings of the nearest place with enough days, there of the leg with the most, then the highest voltage."""
    across = (pl.col("mean_v") / unit_v).is_between(*ACROSS)
    usable = local.filter(pl.col("own").is_not_null() & across)
    keys = ("place", "circuit_id", "unit", "leg")
    near = pl.col("place").replace_strict({place: n for n, place in enumerate(PLACES)}, return_dtype=pl.Int64)
    found = (
        usable.group_by(keys)
        .agg(pl.col("start").dt.date().n_unique().alias("days"), pl.col("mean_v").mean().alias("volts"))
        .filter(pl.col("days") >= FEWEST_DAYS)
        .with_columns(near.alias("near"))
        .sort("near", "days", "volts", *keys[1:], descending=[False, True, True, False, False, False], nulls_last=False)
    )
    if not found.height:
        return None
    return local.join(found.head(1).select(keys), on=keys, how="semi", nulls_equal=True, maintain_order="left")


def _own_rise(place: str, row: Row) -> float:
    """Rise from the source to a place at rated output [%], NaN where it is not known."""
    parts = {"service": ("service_pct",), "main panel": ("service_pct", "entrance_pct")}.get(place, ())
    values = [row[name] for name in parts]
    return float(sum(values)) if values and None not in values else np.nan


def _readings(chosen: pl.DataFrame, unit_v: float) -> Readings:
    """The readings as the fitter takes them."""
    top = chosen["max_v"].cast(pl.Float64).fill_null(np.nan).to_numpy() / unit_v * 100
    return Readings(
        start=chosen["start"].to_numpy().astype("datetime64[s]"),
        duration_s=chosen["duration_s"].to_numpy().astype(np.float64),
        mean_pct=chosen["mean_v"].to_numpy() / unit_v * 100,
        max_pct=None if np.isnan(top).all() else top,
        own_output=chosen["own"].fill_null(np.nan).to_numpy(),
    )


def _output_of(local: pl.DataFrame, row: Row, assumed: Character, kinds: int) -> Row:
    """The columns of FIT_SCHEMA on measured output: some days of each month with enough, the model's for the others."""
    series = local.filter(pl.col("own").is_not_null() & pl.col("power_kw").is_not_null())
    whole = _whole_days(series.unique("start", keep="first", maintain_order=True).sort("start"), assumed)
    none: Row = dict.fromkeys(name for name in FIT_SCHEMA if name.startswith("output"))
    if whole is None or any(row[name] is None for name in FACTS):
        return none
    plane = ClassInputs(*(row[name] for name in ("latitude_deg", "longitude_deg", *FACTS[1:])))
    model = shapes_of(plane, assumed.clearness, kinds)
    measured, parts = 0, []
    for month in range(MONTHS):
        of_month = whole.month == month
        if of_month.sum() >= FEWEST_OF_MONTH:
            measured += int(of_month.sum())
            parts.append(some_days(_some(whole, of_month), kinds * DAYS_A_KIND))
        else:
            parts.append(_some(model, model.month == month))
    if not measured:
        return none
    thousandths = np.rint(np.concatenate([part.output for part in parts]) / OUTPUT_STEP).astype(np.uint16)
    return {
        "output_days": measured,
        "output": thousandths.ravel().tolist(),
        "output_month": np.concatenate([part.month for part in parts]).tolist(),
        "output_weight": np.concatenate([part.days for part in parts]).tolist(),
    }


def _some(shapes: DayShapes, which: npt.NDArray[np.bool_]) -> DayShapes:
    return DayShapes(shapes.output[which], shapes.month[which], shapes.days[which])


def _whole_days(series: pl.DataFrame, assumed: Character) -> DayShapes | None:
    """The whole days of measured output in intervals of the most common length; None without any."""
    if not series.height:
        return None
    step_s = float(series["duration_s"].mode().min())  # type: ignore[arg-type]
    slot_s = assumed.supply.slot_s
    if DAY_S % step_s or (slot_s % step_s and step_s % slot_s):
        return None
    of_length = series.filter(pl.col("duration_s") == step_s)
    start, own = of_length["start"].to_numpy().astype("datetime64[s]"), of_length["own"].to_numpy()
    days, counts = np.unique(start.astype("datetime64[D]"), return_counts=True)
    whole: FloatArray = counts == DAY_S / step_s
    if not whole.any():
        return None
    kept = np.isin(start.astype("datetime64[D]"), days[whole])
    try:
        return measured_shapes(start[kept], own[kept], 1.0, int(step_s), slot_s=slot_s).shapes
    except ValueError:  # no day of them in even steps
        return None

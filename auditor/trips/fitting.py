"""Supplies from readings: which readings of a system are taken, and the rows of evidence that the fitter makes of them.

The place nearest to the point of common coupling is taken for which there are enough days: the service, then the main
panel. What the own output adds up to there is known from the records, as far as the policy does not assume it; what the
neighbours' sun is assumed to add goes with it, so that the slope found is what the assumption lacks, and the level is
right where no slope can be told. At other places only readings without own output count, at night where none is told.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.evidence.fit import SupplyFit, fit_supply
from auditor.evidence.series import Readings, distinct
from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import MONTHS, DayShapes
from auditor.likelihood.output import ClassInputs, measured_shapes
from auditor.likelihood.ratios import some_days
from auditor.policy import Policy
from auditor.prepare import Prepared
from auditor.prepare.specs import Frames
from auditor.records.evidence_schema import PLACES
from auditor.trips.channels import Channel, Told, channels_of, local
from auditor.trips.evidence import FIT_SCHEMA, OUTPUT_STEP
from auditor.trips.inputs import inputs
from auditor.trips.planes import FACTS, shapes_of
from auditor.trips.supply import Character

#: Fewer days of readings at a place tell nothing of the supply; fewer whole days of a month nothing of its output.
FEWEST_DAYS, FEWEST_OF_MONTH = 7, 10
#: Days of measured output that stand for a month, for each kind of day of the model.
DAYS_A_KIND = 2
DAY_S = 86_400
#: A voltage is one across the units if it lies so near to theirs [share of it].
ACROSS = (0.8, 1.2)
#: Systems that are fitted at a time.
AT_ONCE = 4

Row = dict[str, Any]


def fitted(prepared: Prepared, catalog: Frames, policy: Policy, readings: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """FIT_SCHEMA of those systems of a batch whose readings tell more than is assumed, in the order of their readings.

    Each frame of readings holds all channels of its systems, as `channels` takes them; one frame is in memory at a
    time.
    """
    found = inputs(prepared, catalog, policy)
    needed = ("latitude_deg", "longitude_deg", "unit_voltage_v")
    sites = found.frame.filter(pl.all_horizontal(pl.col(name).is_not_null() for name in needed))
    rows = {row["system_id"]: row for row in sites.to_dicts()}

    def one(item: tuple[str, list[Channel]]) -> Row | None:
        row = rows.get(item[0])
        return row and _fitted_row(row, item[1], found.supplies[row["supply"]], policy.trips.kinds_of_day)

    made: list[Row | None] = []
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for frame in readings:
            made += pool.map(one, channels_of(frame).items())
    return pl.DataFrame([row for row in made if row is not None], schema=FIT_SCHEMA)


def _fitted_row(row: Row, channels: list[Channel], assumed: Character, kinds: int) -> Row | None:
    """A row of FIT_SCHEMA, None where the readings tell nothing."""
    told = [local(channel, row) for channel in channels]
    row = row | _supply_of(told, row, assumed) | _output_of(told, row, assumed, kinds)
    if row["level_se_pct"] is None and row["output"] is None:
        return None
    return {name: row[name] for name in FIT_SCHEMA}


def _supply_of(channels: list[Told], row: Row, assumed: Character) -> Row:
    """The columns of FIT_SCHEMA on the supply; null where the readings tell less than is assumed."""
    none: Row = dict.fromkeys(FIT_SCHEMA, None) | {"system_id": row["system_id"]}
    chosen = _nearest(channels, row["unit_voltage_v"])
    if chosen is None:
        return none
    own_pct = _own_rise(chosen.place, row)
    fit = fit_supply(_readings(chosen, row["unit_voltage_v"]), own_pct + row["beta_pct"], assumed.supply)
    if not fit.level_se_pct < row["site_pct"]:
        return none
    days = chosen.days_of(np.isfinite(chosen.own))
    about = {"place": chosen.place, "leg": chosen.leg, "days": days.size,
             "first_day": _date(days[0]), "last_day": _date(days[-1])}  # fmt: skip
    return none | about | _figures(fit, row["beta_pct"])


def _date(day: np.int64) -> date:
    return date(1970, 1, 1) + timedelta(days=int(day))


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


def _nearest(channels: list[Told], unit_v: float) -> Told | None:
    """The channel of the nearest place with enough days, there the one with the most, then the highest voltage."""
    for place in PLACES:
        found = []
        for channel in (each for each in channels if each.place == place):
            part = channel.mean_v / unit_v
            usable = np.isfinite(channel.own) & (part >= ACROSS[0]) & (part <= ACROSS[1])
            days = channel.days_of(usable).size
            if days >= FEWEST_DAYS:
                found.append((days, float(channel.mean_v[usable].mean()), channel))
        if found:
            return max(found, key=lambda told: told[:2])[2]  # of equal ones the first
    return None


def _own_rise(place: str, row: Row) -> float:
    """Rise from the source to a place at rated output [%], NaN where it is not known."""
    parts = {"service": ("service_pct",), "main panel": ("service_pct", "entrance_pct")}.get(place, ())
    values = [row[name] for name in parts]
    return float(sum(values)) if values and None not in values else np.nan


def _readings(chosen: Told, unit_v: float) -> Readings:
    """The readings as the fitter takes them."""
    top = chosen.max_v / unit_v * 100
    return Readings(
        start=chosen.start.astype("datetime64[s]"),
        duration_s=chosen.duration_s,
        mean_pct=chosen.mean_v / unit_v * 100,
        max_pct=None if np.isnan(top).all() else top,
        own_output=chosen.own,
    )


def _output_of(channels: list[Told], row: Row, assumed: Character, kinds: int) -> Row:
    """The columns of FIT_SCHEMA on measured output: some days of each month with enough, the model's for the others."""
    whole = _whole_days(channels, assumed)
    none: Row = dict.fromkeys(name for name in FIT_SCHEMA if name.startswith("output"))
    if whole is None or any(row[name] is None for name in FACTS):
        return none
    enough = np.bincount(whole.month, minlength=MONTHS) >= FEWEST_OF_MONTH
    if not enough.any():
        return none
    plane = ClassInputs(*(row[name] for name in ("latitude_deg", "longitude_deg", *FACTS[1:])))
    model = whole if enough.all() else shapes_of(plane, assumed.clearness, kinds)
    measured, parts = 0, []
    for month in range(MONTHS):
        if enough[month]:
            of_month = whole.month == month
            measured += int(of_month.sum())
            parts.append(some_days(_some(whole, of_month), kinds * DAYS_A_KIND))
        else:
            parts.append(_some(model, model.month == month))
    thousandths = np.rint(np.concatenate([part.output for part in parts]) / OUTPUT_STEP).astype(np.uint16)
    return {
        "output_days": measured,
        "output": thousandths.ravel().tolist(),
        "output_month": np.concatenate([part.month for part in parts]).tolist(),
        "output_weight": np.concatenate([part.days for part in parts]).tolist(),
    }


def _some(shapes: DayShapes, which: npt.NDArray[np.bool_]) -> DayShapes:
    return DayShapes(shapes.output[which], shapes.month[which], shapes.days[which])


def _whole_days(channels: list[Told], assumed: Character) -> DayShapes | None:
    """The whole days of measured output in intervals of the most common length; None without any."""
    start, own, duration_s = _output(channels)
    if not start.size:
        return None
    lengths, counts = np.unique(duration_s, return_counts=True)
    step_s, slot_s = float(lengths[np.argmax(counts)]), assumed.supply.slot_s
    if DAY_S % step_s or (slot_s % step_s and step_s % slot_s):
        return None
    of_length = duration_s == step_s
    start, own = start[of_length], own[of_length]
    _, row = distinct(start.astype(np.int64) // DAY_S)
    whole: FloatArray = np.bincount(row) == DAY_S / step_s
    if not whole.any():
        return None
    kept = whole[row]
    try:
        return measured_shapes(start[kept], own[kept], 1.0, int(step_s), slot_s=slot_s).shapes
    except ValueError:  # no day of them in even steps
        return None


def _output(channels: list[Told]) -> tuple[npt.NDArray[np.datetime64], FloatArray, FloatArray]:
    """Start, own output and length of each interval with measured output, once and in order; it is the system's."""
    parts = []
    for channel in channels:
        known = np.isfinite(channel.own) & np.isfinite(channel.power_kw)
        parts.append((channel.start.astype("datetime64[s]")[known], channel.own[known], channel.duration_s[known]))
    start, own, duration_s = (np.concatenate(column) for column in zip(*parts, strict=True))
    if len(parts) == 1:
        return start, own, duration_s
    _, first = np.unique(start, return_index=True)
    return start[first], own[first], duration_s[first]

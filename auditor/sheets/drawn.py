"""The two drawings of a sheet: the voltage along the path, and a week of readings with the model's limits."""

from __future__ import annotations

from datetime import datetime, timedelta

import polars as pl

from auditor.one_system import Case
from auditor.one_system.profile import PLACES
from auditor.prepare.systems import REPORT_PU
from auditor.sheets.blocks import Block, Chart, Text
from auditor.sheets.charts import Line, chart
from auditor.sheets.words import joined

_SHORT = {
    "ahead of transformer": "supply", "transformer": "transformer", "PCC": "PCC", "main panel": "panel",
    "feeder end": "feeder end", "home run end": "junction box", "unit": "last unit",
}  # fmt: skip
#: Circuits, and places of readings, that a drawing shows at most.
MOST_LINES = 4
#: Of fewer hours no line is drawn; the table says it all.
FEWEST_HOURS = 3
#: Limits nearer to each other than this are one line [V].
LEAST_APART_V = 0.05


def limits(case: Case) -> list[tuple[float, str]]:
    """The top of the service range and the first threshold across a unit [V], each with its word."""
    grid = next((g for g in case.top_profile.grids.values() if g is not None), None)
    if grid is None:
        return []
    found = [] if grid.top_v is None else [(grid.top_v, f"range {grid.top_v:.1f} V")]
    return found + ([] if grid.lowest_v is None else [(grid.lowest_v, f"trip {grid.lowest_v:.1f} V")])


def supply_limit(case: Case) -> list[tuple[float, str]]:
    """From where on a supply without own output is reported at once [V across a unit], where the range ends below."""
    at_once = REPORT_PU.get(case.prepared.system["service"][0] or "")
    across = case.prepared.circuit["unit_voltage_v"].cast(pl.Float64).max()
    if at_once is None or not isinstance(across, float):
        return []
    ends = max((level for level, word in limits(case) if word.startswith("range")), default=0.0)
    return [(at_once * across, f"supply {at_once * across:.1f} V")] if at_once * across > ends + LEAST_APART_V else []


def profile(case: Case) -> list[Block]:
    """The voltage along the path of the circuits that rise most; nothing where it is not known."""
    points = case.top_profile.points.filter(pl.col("on_path") & pl.col("operating_v").is_not_null())
    ends = points.group_by("circuit_id").agg(pl.col("operating_v").last()).sort("operating_v", descending=True)
    shown = ends["circuit_id"].to_list()[:MOST_LINES]
    if not shown:
        return []
    last = len(PLACES) - 1
    lines = []
    for number, circuit in enumerate(shown):
        mine = points.filter(pl.col("circuit_id") == circuit)
        places = mine.group_by("place", maintain_order=True).agg(pl.col("operating_v").last()).rows()
        lines.append(Line(f"line {number + 1}", tuple((PLACES.index(p) / last, v) for p, v in places)))
    ticks = [(number / last, _SHORT[place]) for number, place in enumerate(PLACES)]
    label = "The voltage along the path with the supply at the top of its range and rated output"
    told = f"{label}. Circuits, in the order of the lines: {', '.join(shown)}."
    if ends.height > len(shown):
        told += f" Not drawn, since they rise less: {ends.height - len(shown)} more."
    return [Chart(chart(lines, limits(case), ticks, label), label), Text(told)]


def hours(rows: pl.DataFrame, case: Case) -> list[Block]:
    """Hourly means of the week around the highest hour, one line a place: of its pairs the one that stands highest."""
    nominal = case.prepared.circuit["unit_voltage_v"].drop_nulls()
    to_neutral = pl.col("leg").fill_null("").str.to_uppercase().str.ends_with("N")
    full = rows.filter(~to_neutral) if rows.height else rows
    if not full.height or full["hour"].n_unique() < FEWEST_HOURS or not nominal.len():
        return []
    begin: datetime = full["hour"].min()  # type: ignore[assignment]
    end: datetime = full["hour"].max()  # type: ignore[assignment]
    span = max((end - begin).total_seconds(), 3600.0)
    lines: list[Line] = []
    names: list[str] = []
    for (place, circuit), part in full.group_by("place", "circuit_id", maintain_order=True):
        level = part.group_by("leg", maintain_order=True).agg(pl.col("v_pct").mean())
        highest = level.sort("v_pct", descending=True, maintain_order=True)["leg"][0]
        volts = (
            part.filter(pl.col("leg").eq_missing(pl.lit(highest, pl.String)))
            .sort("hour")
            .select("hour", pl.col("v_pct") * nominal[0] / 100)
            .rows()
        )
        lines.append(Line(f"line {len(lines) + 1}", _broken(volts, begin, span)))
        names.append(joined(f"{place} of circuit {circuit}" if circuit else str(place), highest))
    label = "Hourly means of the week around the highest hour, in UTC"
    told = f"{label}. Places, in the order of the lines: {'; '.join(names[:MOST_LINES])}."
    if names[MOST_LINES:]:
        told += f" Not drawn: {'; '.join(names[MOST_LINES:])}."
    drawing = chart(lines[:MOST_LINES], limits(case) + supply_limit(case), _days(begin, end), label)
    return [Chart(drawing, label), Text(told)]


def _days(begin: datetime, end: datetime) -> list[tuple[float, str]]:
    """Noon of each day between two moments as a share of the way, with the day."""
    span = max((end - begin).total_seconds(), 3600.0)
    midnight = datetime.combine(begin.date(), datetime.min.time())
    days = [midnight + timedelta(days=day) for day in range((end.date() - begin.date()).days + 1)]
    ticks = [(max((day + timedelta(hours=12) - begin).total_seconds() / span, 0.0), f"{day:%m-%d}") for day in days]
    return [tick for tick in ticks if tick[0] <= 1]


def _broken(rows: list[tuple[datetime, float]], begin: datetime, span: float) -> tuple[tuple[float, float | None], ...]:
    """Points of a line that is broken where more than two hours are missing."""
    points: list[tuple[float, float | None]] = []
    before: datetime | None = None
    for hour, volts in rows:
        at = (hour - begin).total_seconds() / span
        if before is not None and hour - before > timedelta(hours=2):
            points.append((at, None))
        points.append((at, volts))
        before = hour
    return tuple(points)

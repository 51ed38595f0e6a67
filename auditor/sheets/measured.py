"""What was measured and logged of a system, and what a crew is to measure."""

from __future__ import annotations

import calendar
from datetime import datetime

import polars as pl

from auditor.one_system import Case
from auditor.reports.complaints import Complaint
from auditor.sheets import drawn
from auditor.sheets.blocks import Block, Bullets, Heading, Table, Text
from auditor.sheets.words import NOTHING, duration, held, joined
from auditor.store.records_db import Connection

#: What a unit on a trunk cable shows, which has no terminals.
UNIT = (
    "the unit's own reading (gateway), else in the junction box by a qualified person; no trunk connector is opened or"
    " probed under load"
)
#: What lies between the conductors of a service, in the order in which it is read.
LEGS = {
    "120/240": "L1-N, L2-N, L1-L2",
    "208Y/120": "A-N, B-N, C-N, A-B, B-C, C-A",
    "480Y/277": "A-N, B-N, C-N, A-B, B-C, C-A",
    "400Y/230": "A-N, B-N, C-N, A-B, B-C, C-A",
    "230": "L-N",
}
#: What a crew reads, in this order, with one meter: place and solar; the legs at the panel, else across the circuit.
ROUND = (
    ("main panel", "off"),
    ("main panel", "on, near full output"),
    ("combiner or junction box", "on"),
    ("first unit", "on"),
    ("last unit", "on"),
)
#: Looks that are named before the round.
LOOKS = 2


def readings(con: Connection, case: Case) -> list[Block]:
    """What was read, by place and instrument: shares over each limit and the worst hour, and the week around it."""
    rows = held(con, "reading_summary", case.system_id, "ALL")
    blocks: list[Block] = [Heading("Voltages that were read")]
    if not rows.height:
        return [*blocks, Text("The run holds no readings for a complaint about this system.")]
    table = tuple(
        (
            joined(row["place"], row["circuit_id"], row["unit"], row["leg"]),
            joined(row["instrument"], _off(row.get("error_v"))), _count(row["readings"], row.get("duration_s")),
            _days(row["first"], row["last"]), f"{row['mean_v']:.1f}", f"{row['max_v']:.1f}",
            _share(row["over_top_pct"]), _share(row["over_threshold_pct"]),
            f"{row['worst_hour']:%Y-%m-%d %H}h: {row['worst_hour_v']:.1f}",
        )
        for row in rows.iter_rows(named=True)
    )  # fmt: skip
    head = ("place", "instrument", "readings", "from, to", "mean V", "highest V", "% over range", "% over trip",
            "worst hour: V")  # fmt: skip
    hours = held(con, "reading_hour", case.system_id, "place, circuit_id, leg, hour")
    about = Text(_limits(case, rows.row(0, named=True).get("zone_h")))
    return [*blocks, Table(head, table, (2, 4, 5, 6, 7)), about, *drawn.hours(hours, case)]


def _off(error_v: float | None) -> str:
    return "" if error_v is None else f"±{error_v:.1f}\u00a0V"


def _days(first: datetime, last: datetime) -> str:
    one, other = (f"{at:%Y-%m-%d}" for at in (first, last))
    return one if one == other else f"{one} to {other}"


def _count(readings: int, seconds: float | None) -> str:
    return f"{readings:,}" if seconds is None else f"{readings:,} × {duration(seconds)}"


def _limits(case: Case, zone_h: int | None) -> str:
    """What the shares are counted against, and whose hours they are."""
    told = [word.replace("range ", "the range ends at ").replace("trip ", "the first threshold is ")
            for _, word in drawn.limits(case)]  # fmt: skip
    told += [f"a supply above {level:.1f} V without own output is reported at once" for level, _ in
             drawn.supply_limit(case)]  # fmt: skip
    across = f"Across a unit {', '.join(told)}; legs to neutral count by the same shares. " if told else ""
    zone = "" if zone_h is None else f"; local standard time is UTC{zone_h:+d} h"
    return (
        f"{across}Means count against the range, highest values against the threshold; an instrument may be off by what"
        f" stands beside it. Times are UTC{zone}."
    )


def _share(value: float | None) -> str:
    return NOTHING if value is None else f"{value:.1f}"


def log(con: Connection, case: Case) -> list[Block]:
    """Trips by month of the year, over all that the log covers."""
    rows = held(con, "observed", case.system_id, "month")
    if not rows.height:
        return []
    table = tuple(
        (calendar.month_name[row["month"]], f"{row['logged_days']:.0f}",
         *(str(row[name]) for name in ("trip_days", "trips", "episodes")))
        for row in rows.iter_rows(named=True)
    )  # fmt: skip
    head = ("month of the year", "days in the log", "days with a trip", "trips", "episodes")
    note = Text("Trips less than an hour apart are one episode. Only days in the log count.")
    return [Heading("Overvoltage trips in the log"), Table(head, table, (1, 2, 3, 4)), note]


def to_measure(case: Case, complaints: list[Complaint]) -> list[Block]:
    """What a crew measures: first what would settle most, then the whole round on the circuit that rises most.

    No round where every cause is told and nothing is left to look at, nor on a branch that is to stay open.
    """
    if complaints and not any(one.told.get("looks") for one in complaints):
        return []
    kept_open = {each["circuit_id"] for one in complaints for each in one.told.get("unexplained", ())}
    if None in kept_open:
        off = "Nothing live: the solar stays off until the terminations were checked."
        return [Heading("What to measure"), Text(off, True)]
    looks = tuple(look["sentence"] for one in complaints for look in one.told.get("looks", ())[:LOOKS])
    blocks: list[Block] = [Heading("What to measure")]
    blocks.append(Text("With one meter, near noon of a clear day; write down time, output and instrument."))
    if kept_open:
        named = ", ".join(sorted(kept_open))
        blocks.append(Text(f"Nothing live on circuit {named}: its breaker stays open, whatever else is read.", True))
    if looks:
        open_ = any(one.state == "cannot tell" for one in complaints)
        why = "First, since it would settle most:" if open_ else "First, to confirm the cause:"
        blocks += [Text(why), Bullets(tuple(dict.fromkeys(looks)))]
    circuit = _worst(case)
    places = tuple(each for each in ROUND if not kept_open or each[0] == "main panel")
    where = f" of circuit {circuit}" if circuit else " of the circuit"
    legs = LEGS.get(case.prepared.system["service"][0] or "", "every leg to neutral, and between legs")
    rows = tuple(
        (place if place == "main panel" else place + where, solar, _across(place, legs),
         "", "", "")
        for place, solar in places
    )  # fmt: skip
    return [*blocks, Table(("where", "solar", "across", "V read", "kW", "time"), rows)]


def _across(place: str, legs: str) -> str:
    if place == "main panel":
        return legs
    return UNIT if place.endswith("unit") else "across the circuit, and each leg to neutral where there is one"


def _worst(case: Case) -> str | None:
    """The circuit with the largest rise; None where none is known."""
    parts = case.top_profile.parts
    if not parts.height:
        return None
    rise = pl.col("design_v")
    sums = parts.filter("counted").group_by("circuit_id").agg(rise.sum(), rise.null_count().alias("unknown"))
    known = sums.filter(pl.col("unknown") == 0).sort("design_v", "circuit_id", descending=[True, False])
    return str(known["circuit_id"][0]) if known.height else None

"""The grammar of instants: ISO dates with a time of day and an offset from UTC, or in a zone that is stated.

Whole columns are read at once. A time of day without an offset is a moment only in a stated zone, and not even there
in the hour that the clocks skip or run through twice.
"""

from __future__ import annotations

import re
from datetime import datetime

import polars as pl

from auditor.errors import AuditorError

INSTANT = pl.Datetime("us")
FIRST_YEAR, LAST_YEAR = 1990, 2100
#: Furthest offset of a zone from UTC [minutes]; the widest in use are −12:00 and +14:00.
WIDEST_MIN = 14 * 60

_FORM = (
    r"^\s*(?<day>\d{4}-\d{2}-\d{2})[T ](?<minute>[0-2]\d:[0-5]\d)(?<second>:[0-5]\d(\.\d{1,9})?)?"
    r"\s*(?<offset>[Zz]|[+-]\d{2}(:?[0-5]\d)?)?\s*$"
)
_FIXED = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2})(?::?([0-5]\d))?", re.IGNORECASE)

#: Codes and sentences of what is no instant; the sentence follows the text in quotes.
NO_TIME = ("type-error", " is not a time such as 2025-06-01T12:00:00-05:00")
NO_ZONE = ("no-zone", " states no zone")
CLOCK_CHANGE = ("clock-change", " is no time, or two, as the clocks change there; write its offset, such as -05:00")
OUTSIDE = ("constraint-error", f" lies outside the years {FIRST_YEAR} to {LAST_YEAR}")
_FAULTS = (NO_TIME, NO_ZONE, CLOCK_CHANGE, OUTSIDE)


def checked_zone(text: str) -> str:
    """Return a zone as it is kept: a name of the tz database, or a fixed offset such as -05:00.

    AuditorError where it is neither.
    """
    body = text.strip()
    if body.upper() in ("UTC", "GMT", "Z"):
        return "UTC"
    fixed = _FIXED.fullmatch(body)
    if fixed is not None:
        hours, minutes = int(fixed[2]), int(fixed[3] or 0)
        if hours * 60 + minutes <= WIDEST_MIN:
            return f"{fixed[1]}{hours:02d}:{minutes:02d}"
    elif body:
        try:
            pl.Series([datetime(2025, 1, 1)]).dt.replace_time_zone(body)
        except pl.exceptions.PolarsError:
            pass
        else:
            return body
    raise AuditorError(
        f"--zone {text}: is no time zone. Name it as in America/New_York, or its offset from UTC, such as -05:00, where"
        " the clocks never change."
    )


def read_instants(cells: pl.Series, zone: str = "") -> tuple[pl.Series, pl.Series]:
    """Read texts or timestamps; return the instants in UTC, and of each cell that is none the place of its fault.

    A fault's place counts in `fault_of`; it is null where the cell could be read or is empty. A timestamp with a zone
    of its own keeps its moment.
    """
    if isinstance(cells.dtype, pl.Datetime):
        given = cells.is_not_null()
        values = _utc_of_timestamps(cells.cast(pl.Datetime("us", cells.dtype.time_zone)), zone)
        naive = cells.dtype.time_zone is None
        lost = NO_ZONE if naive and not zone else CLOCK_CHANGE
        return _bounded(values, pl.select(pl.when(given & values.is_null()).then(_place(lost))).to_series())
    parts = cells.cast(pl.String).str.extract_groups(_FORM).struct.unnest()
    clock = pl.concat_str("day", pl.lit("T"), "minute", pl.col("second").fill_null(":00"))
    local = parts.select(clock.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", time_unit="us", strict=False)).to_series()
    zoned = _utc_of_timestamps(local, zone)
    found = pl.DataFrame(
        {
            "text": cells.cast(pl.String),
            "local": local,
            "offset": parts["offset"],
            "m": _minutes(parts["offset"]),
            "zoned": zoned,
        }
    )
    has_offset = pl.col("offset").is_not_null()
    value = pl.when(has_offset).then(pl.col("local") - pl.duration(minutes="m")).otherwise("zoned")
    empty = pl.col("text").is_null() | (pl.col("text").str.strip_chars() == "")
    fault = (
        pl.when(empty | value.is_not_null())
        .then(None)
        .when(pl.col("local").is_null() | has_offset)
        .then(_place(NO_TIME))
        .otherwise(_place(CLOCK_CHANGE if zone else NO_ZONE))
    )
    answer = found.select(value.alias("value"), fault.alias("fault"))
    return _bounded(answer["value"], answer["fault"])


def fault_of(place: int, text: str) -> tuple[str, str]:
    """Return the code and the sentence of a fault."""
    code, sentence = _FAULTS[place]
    return code, f"{text!r}{sentence}"


def _place(fault: tuple[str, str]) -> pl.Expr:
    return pl.lit(_FAULTS.index(fault), dtype=pl.Int8)


def _bounded(values: pl.Series, faults: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Take out moments of years in which nobody measured: of a clock that was never set, or a slip."""
    frame = pl.DataFrame({"value": values, "fault": faults})
    outside = ~pl.col("value").dt.year().is_between(FIRST_YEAR, LAST_YEAR)
    frame = frame.select(
        pl.when(~outside).then("value").alias("value"), pl.when(outside).then(_place(OUTSIDE)).otherwise("fault")
    )
    return frame["value"], frame.to_series(1).alias("fault")


def _minutes(offsets: pl.Series) -> pl.Series:
    """Offsets from UTC [minutes], null for those that no zone has."""
    known: dict[str, int | None] = {}
    for text in offsets.unique().drop_nulls():
        if text in "Zz":
            known[text] = 0
            continue
        digits = text[1:].replace(":", "").ljust(4, "0")
        away = int(digits[:2]) * 60 + int(digits[2:])
        known[text] = None if away > WIDEST_MIN else -away if text[0] == "-" else away
    old = pl.Series(list(known), dtype=pl.String)
    return offsets.replace_strict(old, list(known.values()), default=None, return_dtype=pl.Int64)


def _utc_of_timestamps(local: pl.Series, zone: str) -> pl.Series:
    """Timestamps in UTC; null where the local time is none or two, or where it has no zone."""
    if local.dtype == INSTANT:
        if not zone:
            return pl.repeat(None, local.len(), dtype=INSTANT, eager=True)
        fixed = _FIXED.fullmatch(zone)
        if fixed is not None:
            away = (int(fixed[2]) * 60 + int(fixed[3])) * (-1 if fixed[1] == "-" else 1)
            return local.to_frame("t").select(pl.col("t") - pl.duration(minutes=away)).to_series()
        local = local.dt.replace_time_zone(zone, ambiguous="null", non_existent="null")
    return local.dt.convert_time_zone("UTC").dt.replace_time_zone(None)


_FIGURES = (
    r"^\s*(?<first>\d{1,2})[/.-](?<second>\d{1,2})[/.-](?<year>\d{4})[ T]+(?<hour>\d{1,2}):(?<minute>\d{2})"
    r"(?<seconds>:\d{2}(\.\d{1,9})?)?\s*(?<half>[AaPp]\.?[Mm]\.?)?\s*(?<offset>[Zz]|[+-]\d{2}(:?[0-5]\d)?)?\s*$"
)


def iso_clock(cells: pl.Series, order: str) -> pl.Series:
    """Rewrite times in figures, such as 6/1/2025 1:05 PM, as ISO dates; `order` is that of the day and the month.

    What is no such time stands as it is, and so does 13 PM: the grammar of instants refuses it.
    """
    parts = cells.str.extract_groups(_FIGURES).struct.unnest().with_columns(cells.alias("text"))
    month, day = ("first", "second") if order == "month-day-year" else ("second", "first")
    hour, half = pl.col("hour").cast(pl.Int64), pl.col("half").str.slice(0, 1).str.to_lowercase()
    of_day = pl.when(half.is_null()).then(hour).otherwise(hour % 12 + pl.when(half == "p").then(12).otherwise(0))
    possible = pl.col("year").is_not_null() & (half.is_null() | hour.is_between(1, 12)) & (hour <= 23)
    date = pl.concat_str("year", pl.lit("-"), pl.col(month).str.zfill(2), pl.lit("-"), pl.col(day).str.zfill(2))
    clock = pl.concat_str(of_day.cast(pl.String).str.zfill(2), pl.lit(":"), "minute", pl.col("seconds").fill_null(""))
    written = pl.concat_str(date, pl.lit("T"), clock, pl.col("offset").fill_null(""))
    return parts.select(pl.when(possible).then(written).otherwise("text").alias(cells.name)).to_series()

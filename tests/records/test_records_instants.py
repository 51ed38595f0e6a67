"""Instants: offsets, zones, and the hours that the clocks skip or run through twice.

The clock changes are those of the tz database: New York, 2025-03-09 02:00 to 03:00 and 2025-11-02 02:00 back to 01:00;
Lord Howe Island moves by half an hour, from +10:30 to +11:00, on 2025-10-05 at 02:00. Checked here with the standard
library's zoneinfo where it has them.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from auditor.errors import AuditorError
from auditor.records.instants import checked_zone, fault_of, read_instants


def read(text: str, zone: str = "") -> datetime | str:
    """The instant, or the code of its fault."""
    values, faults = read_instants(pl.Series([text]), zone)
    fault = faults[0]
    return values[0] if fault is None else fault_of(fault, text)[0]


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2025-06-01T12:00:00-05:00", datetime(2025, 6, 1, 17)),
        ("2025-06-01 12:00-0500", datetime(2025, 6, 1, 17)),
        ("2025-06-01T12:00:00Z", datetime(2025, 6, 1, 12)),
        ("2025-06-01T12:00:00.25z", datetime(2025, 6, 1, 12, 0, 0, 250_000)),
        (" 2025-12-31T23:30+05:45 ", datetime(2025, 12, 31, 17, 45)),
        ("2025-01-01T00:30:00+14", datetime(2024, 12, 31, 10, 30)),
        ("2024-02-29T00:00Z", datetime(2024, 2, 29)),
    ],
)
def test_an_offset_says_the_moment(text: str, utc: datetime) -> None:
    assert read(text) == utc
    # A stated zone is for times without an offset only.
    assert read(text, "America/New_York") == utc


@pytest.mark.parametrize(
    "text",
    [
        *("6/1/2025 12:00", "2025-06-01", "2025-02-30T10:00Z", "2025-01-01T24:00Z", "2025-01-01T10:60Z", "45809.5"),
        *("2025-01-01T10:00+15:00", "2025-01-01T10:00-14:30", "noon", "٢٠٢٥-06-01T12:00Z", "2025-06-01T12:00Z x"),
    ],
)
def test_what_is_no_time(text: str) -> None:
    assert read(text) == "type-error"


def test_years_of_a_clock_that_was_never_set() -> None:
    assert read("1970-01-01T00:00:10Z") == "constraint-error"
    assert read("2106-02-07T06:28Z") == "constraint-error"


def test_a_time_without_an_offset_needs_a_zone() -> None:
    assert read("2025-06-01T12:00") == "no-zone"
    for zone in ("America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"):
        for day in (datetime(2025, 1, 15, 12), datetime(2025, 7, 15, 12)):
            known = day.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
            assert read(day.isoformat(), zone) == known, (zone, day)


def test_the_hours_in_which_clocks_change() -> None:
    zone = "America/New_York"
    assert read("2025-03-09T01:59:59", zone) == datetime(2025, 3, 9, 6, 59, 59)
    assert read("2025-03-09T02:00:00", zone) == "clock-change"
    assert read("2025-03-09T03:00:00", zone) == datetime(2025, 3, 9, 7)
    assert read("2025-11-02T00:59:59", zone) == datetime(2025, 11, 2, 4, 59, 59)
    assert read("2025-11-02T01:30:00", zone) == "clock-change"
    assert read("2025-11-02T01:30:00-05:00", zone) == datetime(2025, 11, 2, 6, 30)
    assert read("2025-11-02T02:00:00", zone) == datetime(2025, 11, 2, 7)
    assert read("2025-10-05T02:15:00", "Australia/Lord_Howe") == "clock-change"
    # A fixed offset has none.
    assert read("2025-11-02T01:30:00", "-05:00") == datetime(2025, 11, 2, 6, 30)


def test_empty_cells_are_missing_and_no_fault() -> None:
    values, faults = read_instants(pl.Series(["", "  ", None]), "UTC")
    assert values.to_list() == faults.to_list() == [None, None, None]


def test_timestamps_keep_their_moment() -> None:
    moment = datetime(2025, 6, 1, 16)
    aware = (
        pl.Series([moment]).dt.replace_time_zone("UTC").dt.convert_time_zone("America/New_York").dt.cast_time_unit("ns")
    )
    assert read_instants(aware)[0].to_list() == [moment]
    assert read_instants(aware, "Asia/Kolkata")[0].to_list() == [moment]
    naive = pl.Series([datetime(2025, 6, 1, 12), datetime(2025, 11, 2, 1, 30)]).dt.cast_time_unit("ms")
    values, faults = read_instants(naive, "America/New_York")
    assert values.to_list() == [moment, None]
    assert fault_of(faults[1], "x")[0] == "clock-change"
    assert fault_of(read_instants(naive)[1][0], "x")[0] == "no-zone"


def test_zones_that_are_known_and_not() -> None:
    assert [checked_zone(z) for z in ("utc", "UTC-5", "+5:30", " Europe/Berlin ", "gmt+0")] == [
        *("UTC", "-05:00", "+05:30", "Europe/Berlin", "+00:00")
    ]
    for text in ("Berlin", "EDTX", "+15:00", "", "-5:75", "local"):
        with pytest.raises(AuditorError, match="is no time zone"):
            checked_zone(text)


def test_a_year_of_hours_agrees_with_the_standard_library() -> None:
    zone = ZoneInfo("Europe/Dublin")
    hours = [datetime(2025, 1, 1) + timedelta(minutes=30 * n) for n in range(2 * 24 * 365)]
    values, _ = read_instants(pl.Series([hour.isoformat() for hour in hours]), "Europe/Dublin")
    for hour, value in zip(hours, values, strict=True):
        both = {hour.replace(tzinfo=zone, fold=fold).astimezone(UTC).replace(tzinfo=None) for fold in (0, 1)}
        assert value == (both.pop() if len(both) == 1 else None), hour

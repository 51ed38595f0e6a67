"""What number formats make of stored numbers.

Built-in ids and format codes: ECMA-376 part 1, 18.8.30 and 18.8.31. Serials of days: the same, 18.17.4.1, whose example
values are the days 1 = 1900-01-01 and, counted from 1904, 0 = 1904-01-01; the day 2958465 = 9999-12-31.
"""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.records.cell_formats import DATE, NUMBER, PERCENT, CellFormat, built_in, number_text, read_format


@pytest.mark.parametrize(
    ("code", "meaning"),
    [
        ("General", NUMBER),
        ("0.00", NUMBER),
        ("#,##0", NUMBER),
        ("yyyy-mm-dd", DATE),
        ("m/d/yy", DATE),
        ("d-mmm", DATE),
        ("mmm", DATE),
        ("[$-409]d/mmm/yyyy;@", DATE),
        ("yyyy/mm/dd hh:mm", DATE),
        ("[h]:mm", NUMBER),
        ("hh:mm:ss", NUMBER),
        ("mm:ss.0", NUMBER),
        ("[Red]0.0", NUMBER),
        ('0 "days"', NUMBER),
        ('0 "yd"', CellFormat(unit="yd")),
        ('0.0" ft"', CellFormat(unit="ft")),
        ("0\\ \\m", CellFormat(unit="m")),
        ('0 "AWG"', CellFormat(unit="AWG")),
        ("0%", PERCENT),
        ("0.0 %", PERCENT),
        ("00000", CellFormat("padded", 5)),
        ("0", NUMBER),
        ('"dd"0', NUMBER),
        ("0.00;[Red]yyyy", NUMBER),
        ('0";"', NUMBER),
        ("", NUMBER),
    ],
)
def test_what_a_format_code_means(code: str, meaning: CellFormat) -> None:
    assert read_format(code) == meaning


def test_built_in_formats() -> None:
    assert [n for n in range(60) if built_in(n) == DATE] == [
        *(14, 15, 16, 17, 22, 27, 28, 29, 30, 31, 36, 50, 51, 52, 53, 54, 57, 58)
    ]
    assert [n for n in range(60) if built_in(n) == PERCENT] == [9, 10]


@pytest.mark.parametrize(
    ("stored", "cell_format", "text"),
    [
        ("16", NUMBER, "16"),
        ("12.5", NUMBER, "12.5"),
        # 0.1 + 0.2, and 0.1 as some programmes write it.
        ("0.30000000000000004", NUMBER, "0.3"),
        ("0.10000000000000001", NUMBER, "0.1"),
        ("1.1000000000000001", NUMBER, "1.1"),
        ("2.5E-3", NUMBER, "0.0025"),
        ("1.5E+3", NUMBER, "1500"),
        ("123456789012345", NUMBER, "123456789012345"),
        ("-0.5", NUMBER, "-0.5"),
        ("nonsense", NUMBER, "nonsense"),
        ("1E999", NUMBER, "1E999"),
        ("0.05", PERCENT, "5%"),
        ("0.025000000000000001", PERCENT, "2.5%"),
        ("123", CellFormat("padded", 5), "00123"),
        ("123456", CellFormat("padded", 5), "123456"),
        ("1.5", CellFormat("padded", 5), "1.5"),
        ("75", CellFormat(unit="ft"), "75 ft"),
        ("1", DATE, "1900-01-01"),
        ("59", DATE, "1900-02-28"),
        ("60", DATE, "1900-02-29"),
        ("61", DATE, "1900-03-01"),
        ("43915", DATE, "2020-03-25"),
        ("43915.75", DATE, "2020-03-25 18:00:00"),
        ("43915.999999999", DATE, "2020-03-25 23:59:59"),
        ("2958465", DATE, "9999-12-31"),
        ("2958466", DATE, "2958466"),
        ("0", DATE, "0"),
        ("-3", DATE, "-3"),
    ],
)
def test_a_stored_number_as_text(stored: str, cell_format: CellFormat, text: str) -> None:
    assert number_text(stored, cell_format, from_1904=False) == text


def test_days_counted_from_1904() -> None:
    assert number_text("1", DATE, from_1904=True) == "1904-01-02"
    assert number_text("42453", DATE, from_1904=True) == "2020-03-25"  # 43915 - 1462


@given(st.dates(datetime.date(1900, 3, 1), datetime.date(9999, 12, 31)))
def test_serials_agree_with_the_calendar(day: datetime.date) -> None:
    serial = (day - datetime.date(1899, 12, 30)).days
    assert number_text(str(serial), DATE, from_1904=False) == day.isoformat()


@given(st.decimals(-99_999, 99_999, places=6))
def test_figures_of_few_digits_come_back_as_they_were(figure: object) -> None:
    value = float(str(figure))
    assert float(number_text(f"{value:.17g}", NUMBER, from_1904=False)) == value

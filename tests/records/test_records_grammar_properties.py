"""Each grammar over many written forms, against the standard library's own writing and exact unit factors.

1 ft = 0.3048 m, 1 in = 0.0254 m and t/°C = (t/°F - 32) * 5/9 are exact (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import calendar
import math
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from records_files import code

from auditor.records.cells import CellRules, read_cell
from auditor.records.grammar import (
    Fault,
    Size,
    parse_choice,
    parse_current,
    parse_date,
    parse_integer,
    parse_length,
    parse_number,
    parse_quantity,
    parse_sections,
    parse_service,
    parse_size,
)
from auditor.records.schema import ROLES, SERVICES, simple_columns
from auditor.records.words import parse_arms

CENTS = st.integers(-(10**12), 10**12)


def swapped(text: str) -> str:
    """Return a figure written with the other decimal mark."""
    return text.translate(str.maketrans(",.", ".,"))


@given(CENTS)
def test_numbers_in_both_decimal_marks(cents: int) -> None:
    value = cents / 100
    plain, grouped = f"{value:.2f}", f"{value:,.2f}"
    assert parse_number(plain) == parse_number(plain, ".") == value
    assert parse_number(grouped, ".") == value
    assert parse_number(swapped(plain), ",") == parse_number(swapped(grouped), ",") == value
    # Without a declared mark no comma is read, whichever it may be.
    assert code(parse_number(swapped(plain))) == "ambiguous-number"


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_figure_that_python_writes_reads_as_itself(value: float) -> None:
    assert parse_number(repr(value)) == value
    assert parse_number(f"{value:e}") == float(f"{value:e}")


@given(st.integers(-(2**53), 2**53), st.integers(1, 99))
def test_whole_numbers_are_whole(value: int, cents: int) -> None:
    assert parse_integer(str(value)) == parse_integer(f"{value}.0") == parse_integer(f" {value} ") == value
    if abs(value) < 10**12:
        assert isinstance(parse_integer(f"{value}.{cents:02d}"), Fault)


@given(st.integers(0, 10_000), st.integers(0, 1199))
def test_feet_and_inches(feet: int, inch_hundredths: int) -> None:
    inches = inch_hundredths / 100
    metres = pytest.approx(feet * 0.3048 + inches * 0.0254, rel=1e-12)
    for text in (f"{feet}' {inches}\"", f"{feet} ft {inches} in", f"{feet}'-{inches}”", f"{feet}′{inches}″"):
        assert parse_length(text) == metres


@given(st.floats(0, 5000, allow_nan=False))
def test_feet_and_metres_agree(feet: float) -> None:
    in_feet, in_metres = parse_length(f"{feet!r} ft"), parse_length(repr(feet * 0.3048))
    assert isinstance(in_feet, float)
    assert isinstance(in_metres, float)
    assert in_feet == pytest.approx(in_metres, rel=1e-12, abs=1e-300)


@given(st.integers(-400, 1200))
def test_temperatures(fahrenheit: int) -> None:
    celsius = pytest.approx((fahrenheit - 32) * 5 / 9, abs=1e-9)
    for text in (f"{fahrenheit} °F", f"{fahrenheit}F", f"{fahrenheit} deg F"):
        assert parse_quantity(text, "°C") == celsius
    assert parse_quantity(str(fahrenheit), "°C", "F") == celsius


@given(st.integers(0, 10**6), st.sampled_from(["", "A", " A", " amps", "a", " Amp."]))
def test_currents(tenths: int, unit: str) -> None:
    assert parse_current(f"{tenths / 10}{unit}") == tenths / 10


@given(st.sampled_from(ROLES), st.data())
def test_choices_in_any_case_and_spacing(choice: str, data: st.DataObject) -> None:
    letters = [data.draw(st.sampled_from([c.lower(), c.upper()])) for c in choice]
    spaced = "".join(data.draw(st.sampled_from([" ", "  ", "-", "_"])) if c == " " else c for c in letters)
    assert parse_choice(f" {spaced} ", ROLES) == choice


@given(st.text(max_size=15))
def test_a_choice_is_one_of_them_or_refused(text: str) -> None:
    value = parse_choice(text, ROLES)
    assert isinstance(value, Fault) or value in ROLES


@given(st.sampled_from(SERVICES), st.data())
def test_services_in_any_case_and_spacing(service: str, data: st.DataObject) -> None:
    spelled = "".join(data.draw(st.sampled_from([c.lower(), c.upper(), c + " "])) for c in service)
    assert parse_service(spelled) == service


@given(st.text(max_size=15))
def test_an_unknown_service_is_kept_and_reads_as_itself(text: str) -> None:
    value = parse_service(text)
    assert value in SERVICES or parse_service(value) == value


@given(st.integers(1900, 2100), st.integers(1, 12), st.integers(1, 31))
def test_dates_are_those_of_the_calendar(year: int, month: int, day: int) -> None:
    exists = day <= calendar.monthrange(year, month)[1]
    name = calendar.month_name[month]
    forms = [
        (f"{year}-{month:02d}-{day:02d}", None),
        (f"{year}-{month:02d}-{day:02d} 14:30:00", None),
        (f"{day} {name} {year}", None),
        (f"{name[:3]} {day}, {year}", None),
        (f"{day}/{month}/{year}", "day-month-year"),
        (f"{day}.{month}.{year}", "day-month-year"),
        (f"{month}/{day}/{year}", "month-day-year"),
        (f"{year}/{month}/{day}", "year-month-day"),
    ]
    for text, order in forms:
        value = parse_date(text, order)  # type: ignore[arg-type]
        assert value == date(year, month, day) if exists else isinstance(value, Fault), text
    assert code(parse_date(f"{day}/{month}/{year}")) == "ambiguous-date"


@given(st.integers(1, 12), st.integers(1, 12), st.integers(2015, 2030))
def test_a_size_made_into_a_date_is_never_a_size(gauge: int, conductors: int, year: int) -> None:
    # 10/2 typed into a spreadsheet becomes the second of October, and is written in any of these forms.
    day = date(year, gauge, conductors)
    serial = (day - date(1899, 12, 30)).days
    month = calendar.month_abbr[gauge]
    for text in (
        f"{conductors}-{month}",
        f"{month}-{conductors:02d}",
        day.isoformat(),
        f"{day.isoformat()} 00:00:00",
        f"{gauge}/{conductors}/{year}",
        str(serial),
    ):
        value = parse_size(text)
        assert code(value) == "looks-like-date", text
        assert isinstance(value, Fault) and f"{gauge}/{conductors}" in value.sentence


@given(st.integers(1, 40))
def test_gauges_in_every_order_of_words(gauge: int) -> None:
    for text in (f"{gauge} AWG", f"AWG {gauge}", f"#{gauge}", f"{gauge}awg", f"#{gauge} AWG"):
        assert parse_size(text) == Size(f"{gauge} AWG"), text
    assert parse_size(str(gauge), "AWG") == Size(f"{gauge} AWG")
    assert code(parse_size(str(gauge))) == "ambiguous-unit"


@given(st.lists(st.integers(1, 999), min_size=1, max_size=5), st.data())
def test_arms_take_any_spacing(counts: list[int], data: st.DataObject) -> None:
    sign = data.draw(st.sampled_from(["+", " + ", "+ ", "  +"]))
    assert parse_arms(sign.join(f"{count:02d}" for count in counts)) == "+".join(map(str, counts))


@given(st.sampled_from(sorted(simple_columns())), st.sampled_from(["", " ", "\u00a0", "n/a", "N/A ", "-", "TBD"]))
def test_what_the_mapping_calls_missing_is_missing_in_every_column(name: str, text: str) -> None:
    rules = CellRules(missing=frozenset({"", "n/a", "-", "tbd"}))
    assert read_cell(text, simple_columns()[name], rules) is None


@given(st.dates(date(1990, 1, 1), date(2099, 12, 31)))
def test_a_serial_is_no_date_in_a_text_file(day: date) -> None:
    serial = (day - date(1899, 12, 30)) // timedelta(days=1)
    assert code(parse_date(str(serial))) == "type-error"


@given(st.sampled_from(["14 AWG", "1/0 AWG", "250 kcmil", "6 mm2", "2.5 mm2", "1 AWG", "4/0 AWG", "1000 kcmil"]))
def test_a_canonical_size_reads_as_itself(size: str) -> None:
    assert parse_size(size) == Size(size)


@given(st.lists(st.integers(1, 99), min_size=1, max_size=4), st.floats(0.01, 99))
def test_written_sections_read_as_themselves(counts: list[int], length: float) -> None:
    sections = " + ".join(f"{count}@{length:.10g}" for count in counts)
    assert parse_sections(sections) == sections


@given(st.text(max_size=12))
def test_no_text_breaks_a_grammar(text: str) -> None:
    for parse in (
        parse_length,
        parse_size,
        parse_number,
        parse_integer,
        parse_current,
        parse_date,
        parse_arms,
        parse_sections,
    ):
        value = parse(text)
        assert value is not None
        assert not isinstance(value, float) or math.isfinite(value)

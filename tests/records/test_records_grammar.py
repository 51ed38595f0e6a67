"""Each grammar against texts as people write them. Factors are exact by definition (NIST SP 811, appendix B.8)."""

from __future__ import annotations

from datetime import date

import pytest
from records_files import code

from auditor.records.grammar import (
    Fault,
    Size,
    parse_arms,
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

MATERIALS = ("copper", "aluminium")


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("75 ft", 22.86),  # 75 * 0.3048
        ("75'", 22.86),
        ("75’", 22.86),
        ("75ft", 22.86),
        ("75 Feet", 22.86),
        ("75 ft.", 22.86),
        ("75' 6\"", 23.0124),  # 75.5 * 0.3048
        ("75'6''", 23.0124),
        ("75 ft 6 in", 23.0124),
        ("906 in", 23.0124),
        ("25 yd", 22.86),
        ("23 m", 23.0),
        ("23", 23.0),
        ("2300 cm", 23.0),
        ("23000 mm", 23.0),
        ("23\u00a0m", 23.0),
        ("  23 ", 23.0),
        (".5 m", 0.5),
    ],
)
def test_lengths_become_metres(text: str, metres: float) -> None:
    assert parse_length(text) == pytest.approx(metres, rel=1e-12)


def test_a_bare_length_is_in_the_default_unit_and_a_unit_in_the_cell_governs() -> None:
    assert parse_length("75", "ft") == pytest.approx(22.86, rel=1e-12)
    assert parse_length("23 m", "ft") == 23.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1,250 ft", "ambiguous-number"),
        ("12,5", "ambiguous-number"),
        ("abc", "type-error"),
        ("75 parsecs", "type-error"),
        ("nan", "type-error"),
        ("inf m", "type-error"),
        ("1e999", "type-error"),
        ("٢٣ m", "type-error"),
        ("２３", "type-error"),
        ("6 ft 75", "type-error"),
        ("--", "type-error"),
    ],
)
def test_lengths_that_are_refused(text: str, expected: str) -> None:
    assert code(parse_length(text)) == expected


def test_a_declared_decimal_mark_settles_the_comma() -> None:
    assert parse_number("1,250", ".") == 1250.0
    assert parse_number("1,250", ",") == 1.25
    assert parse_number("1.250,5", ",") == 1250.5
    assert parse_number("1.250", ",") == 1250.0
    assert code(parse_number("12.5", ",")) == "type-error"
    assert code(parse_number("12,50", ".")) == "type-error"
    assert parse_length("1,250 ft", "m", ".") == pytest.approx(381, rel=1e-12)  # 1250 * 0.3048


@pytest.mark.parametrize("text", ["inf", "-Infinity", "NaN", "1e400", "0x10", "1_000", "½", "1 250", "", "۵", "1e"])
def test_what_is_not_a_number(text: str) -> None:
    assert code(parse_number(text)) == "type-error"


def test_whole_numbers() -> None:
    assert parse_integer("16") == 16
    assert parse_integer("16.0") == 16
    assert parse_integer("-3") == -3
    assert parse_integer("9007199254740993") == 9007199254740993
    for text in ("16.5", "16 pcs", "99999999999999999999", "9" * 5000, "١٦"):
        assert code(parse_integer(text)) == "type-error"
    assert code(parse_integer("1,250")) == "ambiguous-number"


def test_currents_and_other_quantities() -> None:
    assert [parse_current(t) for t in ("20", "20 A", "20A", "20 amps", "20.0 a")] == [20.0] * 5
    assert code(parse_current("20 V")) == "type-error"
    # Water freezes at 32 °F = 0 °C and boils at 212 °F = 100 °C.
    assert parse_quantity("32 F", "°C") == pytest.approx(0, abs=1e-12)
    assert parse_quantity("212", "°C", "F") == pytest.approx(100, rel=1e-12)
    assert parse_quantity("500 VA", "kVA") == 0.5
    assert parse_quantity("4 in", "mm") == pytest.approx(101.6, rel=1e-12)
    assert parse_quantity("30°", "deg") == 30.0


@pytest.mark.parametrize(
    ("text", "size"),
    [
        *[(t, "10 AWG") for t in ("#10", "10 AWG", "AWG 10", "10awg", "# 10 AWG", "awg#10", "no. 10")],
        *[(t, "4/0 AWG") for t in ("4/0", "0000", "4/0 AWG", "AWG 4/0", "#4/0", "0000 AWG")],
        ("00", "2/0 AWG"),
        ("0 AWG", "1/0 AWG"),
        ("250 kcmil", "250 kcmil"),
        ("250 MCM", "250 kcmil"),
        ("250mcm", "250 kcmil"),
        ("6 mm2", "6 mm2"),
        ("6 mm²", "6 mm2"),
        ("6mm^2", "6 mm2"),
        ("6 sq mm", "6 mm2"),
        ("2.50 mm2", "2.5 mm2"),
        ("400 mm2", "400 mm2"),
    ],
)
def test_sizes_take_one_spelling(text: str, size: str) -> None:
    assert parse_size(text) == Size(size)


@pytest.mark.parametrize(
    ("text", "size", "material"),
    [
        ("2/0 AL", "2/0 AWG", "aluminium"),
        ("#10 CU", "10 AWG", "copper"),
        ("250 kcmil Aluminum", "250 kcmil", "aluminium"),
        ("6 mm² copper", "6 mm2", "copper"),
        ("#10 Cu THWN-2 in 3/4 PVC", "10 AWG", "copper"),
        ("4/0 AL, XHHW-2", "4/0 AWG", "aluminium"),
        ("8 AWG THHN/THWN-2 stranded", "8 AWG", None),
    ],
)
def test_a_size_may_state_the_material(text: str, size: str, material: str | None) -> None:
    assert parse_size(text) == Size(size, material)


def test_a_size_of_two_materials_is_refused() -> None:
    assert code(parse_size("10 AWG Cu Al")) == "type-error"


@pytest.mark.parametrize(
    "text", ["10/2", "10-2", "10/2 NM-B", "12/3", "10-2 w/g", "4/0-4/0-2/0 AL", "3x10 AWG", "2-2-4"]
)
def test_a_cable_is_not_a_size(text: str) -> None:
    assert code(parse_size(text)) == "cable-not-size"


@pytest.mark.parametrize(
    "text", ["2026-10-02", "2026-10-02 00:00:00", "10/2/2026", "Oct-2", "2-Oct", "Oct 2", "2-Oct-26", "46297"]
)
def test_a_size_turned_into_a_date(text: str) -> None:
    # 46297 days after 1899-12-30 is 2026-10-02, computed with datetime.
    fault = parse_size(text)
    assert code(fault) == "looks-like-date"
    assert isinstance(fault, Fault)
    assert "made from 10/2" in fault.sentence


def test_a_bare_size_needs_the_mappings_unit() -> None:
    assert code(parse_size("6")) == "ambiguous-unit"
    assert parse_size("6", "AWG") == Size("6 AWG")
    assert parse_size("6", "mm2") == Size("6 mm2")
    assert parse_size("2,5", "mm2", ",") == Size("2.5 mm2")
    assert code(parse_size("6 CU")) == "ambiguous-unit"
    assert code(parse_size("10/2", "AWG")) == "cable-not-size"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("10 AWG THWN-2 x", "type-error"),
        ("５ AWG", "type-error"),
        ("five", "type-error"),
        ("41 AWG", "constraint-error"),
        ("10 kcmil", "constraint-error"),
        ("0 mm2", "constraint-error"),
        ("5/0", "type-error"),
    ],
)
def test_sizes_that_are_refused(text: str, expected: str) -> None:
    assert code(parse_size(text)) == expected


def test_dates() -> None:
    day = date(2020, 3, 25)
    for text in (
        "2020-03-25",
        " 2020-03-25 ",
        "2020-03-25 00:00:00",
        "2020-03-25T08:30",
        "25 Mar 2020",
        "March 25, 2020",
    ):
        assert parse_date(text) == day
    assert parse_date("3/25/2020", "month-day-year") == day
    assert parse_date("25.03.2020", "day-month-year") == day
    assert parse_date("2020/03/25", "year-month-day") == day
    assert parse_date("10/2/2023", "month-day-year") == date(2023, 10, 2)
    assert parse_date("10/2/2023", "day-month-year") == date(2023, 2, 10)


@pytest.mark.parametrize("text", ["10/2/2023", "25/03/2020", "3/25/20", "2020/03/25", "2020-3-5"])
def test_a_date_without_a_declared_order_is_refused(text: str) -> None:
    fault = parse_date(text)
    assert code(fault) == "ambiguous-date"
    assert isinstance(fault, Fault)
    assert "date_order" in fault.sentence


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3/25/20", "two-digit-year"),
        ("25/03/2020", "type-error"),
        ("02/30/2020", "type-error"),
        ("2020-02-30", "type-error"),
        ("43915", "type-error"),
        ("soon", "type-error"),
        ("2020-03-25T08:30Z", "type-error"),
        ("٢٠٢٠-٠٣-٢٥", "type-error"),
        ("0020-03-25", "constraint-error"),
    ],
)
def test_dates_that_are_refused_in_a_declared_order(text: str, expected: str) -> None:
    assert code(parse_date(text, "month-day-year")) == expected


def test_arms_and_sections() -> None:
    assert [parse_arms(t) for t in ("8+8", " 8 + 8 ", "16", "08+8")] == ["8+8", "8+8", "16", "8+8"]
    assert code(parse_arms("8,8")) == "type-error"
    assert code(parse_arms("8+0")) == "constraint-error"
    assert parse_sections("8@3.5+12@2") == "8@3.5 + 12@2"
    assert parse_sections("8@10 ft") == "8@3.048"
    assert code(parse_sections("8@")) == "type-error"
    assert code(parse_sections("8@-1")) == "constraint-error"


def test_choices_know_aliases_and_guess_nothing() -> None:
    assert [parse_choice(t, MATERIALS) for t in ("CU", "Copper", "al", "Aluminum", "ALUMINIUM")] == [
        "copper",
        "copper",
        "aluminium",
        "aluminium",
        "aluminium",
    ]
    assert code(parse_choice("copperish", MATERIALS)) == "constraint-error"
    assert parse_choice("Center-Fed", ("end", "centre", "arms")) == "centre"
    # An alias counts only where its choice is on offer.
    assert code(parse_choice("cu", ("pvc", "aluminium"))) == "constraint-error"


def test_services_keep_what_is_not_exactly_known() -> None:
    assert parse_service(" 208y / 120 ") == "208Y/120"
    assert parse_service("120/240") == "120/240"
    assert parse_service("240 1PH") == "240 1PH"
    assert parse_service("208/120") == "208/120"

"""Alarm words of open standards: bits, names and kinds as the published schemas have them.

SunSpec models 101 and 701 (github.com/sunspec/models, commit 7abdf898; "not implemented": pysunspec2, mb.py at
f2ece9aa) and IEEE 2030.5's `DERStatus.alarmStatus` (sep.xsd).
"""

from __future__ import annotations

import polars as pl
import pytest

from auditor.records.evidence_schema import EVENT_KINDS
from auditor.records.vocabularies import VOCABULARIES, VocabularyName, decoded, vocabulary


@pytest.mark.parametrize(
    ("name", "text", "kind", "bits"),
    [
        ("SunSpec Evt1", "1024", "overvoltage trip", ["AC_OVER_VOLT"]),
        ("SunSpec Evt1", "0x0400", "overvoltage trip", ["AC_OVER_VOLT"]),
        ("SunSpec Alrm", "1024", "overvoltage trip", ["AC_OVER_VOLT"]),
        # The array's voltage is not the grid's.
        ("SunSpec Evt1", "2", "other trip", ["DC_OVER_VOLT"]),
        ("SunSpec Evt1", "16", "other trip", ["GRID_DISCONNECT"]),
        ("SunSpec Evt1", "0x480", "overvoltage trip", ["OVER_TEMP", "AC_OVER_VOLT"]),
        ("SunSpec Evt1", "128", "other alarm", ["OVER_TEMP"]),
        ("SunSpec Evt1", "0x8000", "other trip", ["HW_TEST_FAILURE"]),
        ("SunSpec Evt1", "0", "no alarm", []),
        ("SunSpec Alrm", "65536", "other alarm", ["MANUFACTURER_ALRM"]),
        ("SunSpec Evt1", "0x80000000", "other alarm", ["bit 31"]),
        ("SunSpec ThrotSrc", "1024", "curtailed", ["VOLT_WATT"]),
        ("SunSpec ThrotSrc", "16", "other alarm", ["VOLT_VAR"]),
        ("SunSpec ThrotSrc", "0x4000", "other alarm", ["DERATED"]),
        ("IEEE 2030.5 alarmStatus", "00000002", "overvoltage trip", ["DER_FAULT_OVER_VOLTAGE"]),
        ("IEEE 2030.5 alarmStatus", "02", "overvoltage trip", ["DER_FAULT_OVER_VOLTAGE"]),
        # Hexadecimal, as HexBinary32 is: bit 4, and not bits 1 and 3.
        ("IEEE 2030.5 alarmStatus", "10", "other trip", ["DER_FAULT_UNDER_FREQUENCY"]),
        ("IEEE 2030.5 alarmStatus", "0x600", "other trip", ["DER_FAULT_LOW_POWER_INPUT", "DER_FAULT_PHASE_ROTATION"]),
    ],
)
def test_a_word_is_read_bit_by_bit(name: VocabularyName, text: str, kind: str, bits: list[str]) -> None:
    words = vocabulary(name)
    number = words.number(text)
    assert number is not None
    assert (words.kind(number), words.names(number)) == (kind, bits)
    assert all(bit in words.told(number) for bit in bits)
    assert kind in EVENT_KINDS


@pytest.mark.parametrize("name", ["SunSpec Evt1", "SunSpec Alrm", "SunSpec ThrotSrc"])
def test_what_a_device_does_not_fill_is_no_alarm(name: VocabularyName) -> None:
    """Read bit by bit, "not implemented" would be every alarm at once."""
    for text in ("4294967295", "0xFFFFFFFF", "0xffffffff"):
        number = vocabulary(name).number(text)
        assert number == 2**32 - 1
        assert vocabulary(name).kind(number) == "not reported"


@pytest.mark.parametrize("text", ["", "-1", "4294967296", "0x1FFFFFFFF", "1e3", "over voltage", "010", "10.0", "١"])
def test_what_is_no_word_stays_as_it_is(text: str) -> None:
    assert vocabulary("SunSpec Evt1").number(text) is None
    kinds, words = decoded(pl.Series([text, "1024", None]), vocabulary("SunSpec Evt1"))
    assert kinds.to_list() == [text, "overvoltage trip", None]
    assert words.to_list() == [text, "SunSpec Evt1 0x00000400: AC_OVER_VOLT", None]


def test_places_of_the_bits() -> None:
    """The tables' own numbers, named one by one."""
    places = {
        "SunSpec Evt1": {4: "GRID_DISCONNECT", 6: "MANUAL_SHUTDOWN", 7: "OVER_TEMP", 8: "OVER_FREQUENCY",
                         9: "UNDER_FREQUENCY", 10: "AC_OVER_VOLT", 11: "AC_UNDER_VOLT", 15: "HW_TEST_FAILURE"},
        "SunSpec ThrotSrc": {4: "VOLT_VAR", 8: "HVRT", 10: "VOLT_WATT", 14: "DERATED"},
        "IEEE 2030.5 alarmStatus": {0: "DER_FAULT_OVER_CURRENT", 1: "DER_FAULT_OVER_VOLTAGE",
                                    2: "DER_FAULT_UNDER_VOLTAGE", 7: "DER_FAULT_EMERGENCY_LOCAL",
                                    10: "DER_FAULT_PHASE_ROTATION"},
    }  # fmt: skip
    for words in VOCABULARIES:
        for bit, name in places.get(words.name, {}).items():
            assert words.bits[bit] == name

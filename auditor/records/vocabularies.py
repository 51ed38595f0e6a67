"""Alarm words of open standards: what each bit is called, and which kind of event it is.

A word comes as a whole number, decimal (1024) or hexadecimal (0x400, or bare digits where the standard prints it so).
The text that is kept names every bit that is set, so that nothing of the source's own vocabulary is lost.

Sources
-------
SunSpec information models, github.com/sunspec/models at commit 7abdf898: `Evt1` of models 101 to 103 and 111 to 113,
`Alrm` and `ThrotSrc` of model 701. Its "not implemented" value of a bitfield32 is 0xFFFFFFFF (pysunspec2 at f2ece9aa).
IEEE 2030.5, `DERStatus.alarmStatus` (HexBinary32), as in sep.xsd.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, get_args

import polars as pl

from auditor.records.evidence_schema import CURTAILED, NOT_REPORTED, NOTHING, OTHER_ALARM, OTHER_TRIP, TRIP

VocabularyName = Literal["SunSpec Evt1", "SunSpec Alrm", "SunSpec ThrotSrc", "IEEE 2030.5 alarmStatus"]
VOCABULARY_NAMES: tuple[VocabularyName, ...] = get_args(VocabularyName)

_ALARMS = (
    "GROUND_FAULT", "DC_OVER_VOLT", "AC_DISCONNECT", "DC_DISCONNECT", "GRID_DISCONNECT", "CABINET_OPEN",
    "MANUAL_SHUTDOWN", "OVER_TEMP", "OVER_FREQUENCY", "UNDER_FREQUENCY", "AC_OVER_VOLT", "AC_UNDER_VOLT",
    "BLOWN_STRING_FUSE", "UNDER_TEMP", "MEMORY_LOSS", "HW_TEST_FAILURE",
)  # fmt: skip
_THROTTLED = (
    "MAX_W", "FIXED_W", "FIXED_VAR", "FIXED_PF", "VOLT_VAR", "FREQ_WATT", "DYN_REACT_CURR", "LVRT", "HVRT", "WATT_VAR",
    "VOLT_WATT", "SCHEDULED", "LFRT", "HFRT", "DERATED",
)  # fmt: skip
_DER_FAULTS = (
    "DER_FAULT_OVER_CURRENT", "DER_FAULT_OVER_VOLTAGE", "DER_FAULT_UNDER_VOLTAGE", "DER_FAULT_OVER_FREQUENCY",
    "DER_FAULT_UNDER_FREQUENCY", "DER_FAULT_VOLTAGE_IMBALANCE", "DER_FAULT_CURRENT_IMBALANCE",
    "DER_FAULT_EMERGENCY_LOCAL", "DER_FAULT_EMERGENCY_REMOTE", "DER_FAULT_LOW_POWER_INPUT", "DER_FAULT_PHASE_ROTATION",
)  # fmt: skip
#: Alarms that stop a unit for another reason than a high voltage.
_STOPS = {
    "GROUND_FAULT", "DC_OVER_VOLT", "AC_DISCONNECT", "DC_DISCONNECT", "GRID_DISCONNECT", "MANUAL_SHUTDOWN",
    "OVER_FREQUENCY", "UNDER_FREQUENCY", "AC_UNDER_VOLT", "HW_TEST_FAILURE", "DER_FAULT_UNDER_VOLTAGE",
    "DER_FAULT_OVER_FREQUENCY", "DER_FAULT_UNDER_FREQUENCY", "DER_FAULT_EMERGENCY_LOCAL", "DER_FAULT_EMERGENCY_REMOTE",
    "DER_FAULT_OVER_CURRENT", "DER_FAULT_VOLTAGE_IMBALANCE", "DER_FAULT_CURRENT_IMBALANCE", "DER_FAULT_PHASE_ROTATION",
}  # fmt: skip
_KINDS = {"AC_OVER_VOLT": TRIP, "DER_FAULT_OVER_VOLTAGE": TRIP, "VOLT_WATT": CURTAILED}
_WIDTH = 32
_NUMBER = re.compile(r"0[xX][0-9a-fA-F]{1,8}|[0-9]{1,10}")
_HEXADECIMAL = re.compile(r"[0-9a-fA-F]{1,8}")


@dataclass(frozen=True)
class Vocabulary:
    """One word of bits: their names from bit 0 on, the value that means "not implemented", how bare digits read."""

    name: VocabularyName
    bits: tuple[str, ...]
    absent: int | None
    hexadecimal: bool = False

    @property
    def reads(self) -> str:
        """How a word is written."""
        return "hexadecimal digits, such as 00000002" if self.hexadecimal else "a whole number, such as 1024 or 0x400"

    def number(self, text: str) -> int | None:
        """The word as a number below 2³²; None where the text is none."""
        body = text.strip()
        if self.hexadecimal and _HEXADECIMAL.fullmatch(body):
            return int(body, 16)
        value = int(body, 0) if _NUMBER.fullmatch(body) and not _octal(body) else None
        return value if value is not None and value < 2**_WIDTH else None

    def kind(self, word: int) -> str:
        """The kind of event that a word is: of several bits, the one that tells most."""
        if word == self.absent:
            return NOT_REPORTED
        kinds = {_kind(name) for name in self.names(word)}
        return next((kind for kind in (TRIP, OTHER_TRIP, CURTAILED, OTHER_ALARM) if kind in kinds), NOTHING)

    def names(self, word: int) -> list[str]:
        """The names of the bits that are set; a bit that the standard does not name goes by its number."""
        set_bits = [bit for bit in range(_WIDTH) if word >> bit & 1]
        return [self.bits[bit] if bit < len(self.bits) else f"bit {bit}" for bit in set_bits]

    def told(self, word: int) -> str:
        """The word as it is kept: its name, its value and the names of its bits."""
        if word == self.absent:
            return f"{self.name} 0x{word:08X}: not implemented"
        return f"{self.name} 0x{word:08X}: {', '.join(self.names(word)) or 'no bit set'}"


def _octal(text: str) -> bool:
    """Whether Python would read the digits in a base of eight; a word with leading zeros is refused."""
    return len(text) > 1 and text[0] == "0" and text.isdecimal()


def _kind(name: str) -> str:
    return _KINDS.get(name) or (OTHER_TRIP if name in _STOPS else OTHER_ALARM)


_ABSENT = 0xFFFFFFFF
VOCABULARIES = (
    Vocabulary("SunSpec Evt1", _ALARMS, _ABSENT),
    Vocabulary("SunSpec Alrm", (*_ALARMS, "MANUFACTURER_ALRM"), _ABSENT),
    Vocabulary("SunSpec ThrotSrc", _THROTTLED, _ABSENT),
    Vocabulary("IEEE 2030.5 alarmStatus", _DER_FAULTS, None, hexadecimal=True),
)


def vocabulary(name: VocabularyName) -> Vocabulary:
    """The vocabulary of that name."""
    return next(entry for entry in VOCABULARIES if entry.name == name)


def decoded(cells: pl.Series, words: Vocabulary) -> tuple[pl.Series, pl.Series]:
    """Of each text cell its kind of event and the text to keep; cells that are no such word stand as they are.

    Both series are as long as `cells`. Each distinct word is read once.
    """
    distinct = cells.unique().drop_nulls().to_list()
    read = {text: number for text in distinct if (number := words.number(text)) is not None}
    kinds = {text: words.kind(number) for text, number in read.items()}
    told = {text: words.told(number) for text, number in read.items()}
    return cells.replace(kinds).alias("kind"), cells.replace(told).alias("words")

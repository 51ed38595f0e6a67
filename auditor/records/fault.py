"""What a grammar returns when a text is not what it should be."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

#: Spaces that do not break a line; typed in word processors and pasted into records, they mean a plain space.
NO_BREAK_SPACES = "\u00a0\u2007\u202f"
_TO_SPACE = str.maketrans(dict.fromkeys(NO_BREAK_SPACES, " "))
_SHOWN_CHARACTERS = 60


@dataclass(frozen=True)
class Fault:
    """Why a cell is refused: a code that never changes and a sentence for people."""

    code: str
    sentence: str


def clean(text: str) -> str:
    """Return the text in Unicode normal form C, no-break spaces made plain and the ends trimmed."""
    if text.isascii():
        return text.strip()
    return unicodedata.normalize("NFC", text).translate(_TO_SPACE).strip()


def shown(text: str) -> str:
    """Return the text in quotes, shortened, as a sentence shows it."""
    return repr(text if len(text) <= _SHOWN_CHARACTERS else text[: _SHOWN_CHARACTERS - 1] + "…")


def foreign_digits(text: str) -> bool:
    """Whether the text holds decimal digits other than 0 to 9, which no figure may."""
    return not text.isascii() and any(c.isdecimal() and not c.isascii() for c in text)

"""Which way modules face and how steep they lie, where cells say it in compass points or as a roof's pitch."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from auditor.records.proposing.vocabulary import folded

#: Where the compass points, clockwise from north [half degrees].
_COMPASS = {
    **{"n": 0, "nne": 45, "ne": 90, "ene": 135, "e": 180, "ese": 225, "se": 270, "sse": 315},
    **{"s": 360, "ssw": 405, "sw": 450, "wsw": 495, "w": 540, "wnw": 585, "nw": 630, "nnw": 675},
}
#: North, east, south and west as languages shorten them: English, German, Dutch, and French, Spanish or Italian. An O
#: is east or west, and only the other cells tell which.
_LETTERS = ("nesw", "nosw", "nozw", "neso")
_LONG = {
    **dict.fromkeys(("north", "noord", "norte", "nord"), "N"),
    **dict.fromkeys(("east", "oost", "este", "est", "ost"), "E"),
    **dict.fromkeys(("south", "zuid", "sued", "sud", "sur"), "S"),
    **dict.fromkeys(("west", "ouest", "oeste", "ovest"), "W"),
}
_LONGEST_FIRST = re.compile("|".join(sorted(_LONG, key=len, reverse=True)))
_SAYS_NOTHING = re.compile(r"\bdue\b|\bfacing\b|\bfacade\b|[\s./-]")
_PITCH = re.compile(r"(\d{1,2}(?:\.\d+)?)\s*(?:/|:|-|in|on)\s*12", re.ASCII)
_IN_TWELVE = re.compile(r"(?:/|\bin|:|\bper)\s?12\b")


def azimuths_of(texts: Sequence[str]) -> dict[str, str]:
    """Return cell -> azimuth [deg] for compass points such as SW, read as one language's set.

    The set that explains the most cells is taken; where several explain as many, only what they agree on is said.
    """
    signs = {
        text: _SAYS_NOTHING.sub("", _LONGEST_FIRST.sub(lambda long: _LONG[long[0]], folded(text))) for text in texts
    }
    readings = [_read(signs, letters) for letters in _LETTERS]
    most = max(map(len, readings))
    best = [reading for reading in readings if len(reading) == most]
    return {text: value for text, value in best[0].items() if all(other.get(text) == value for other in best)}


def _read(signs: dict[str, str], letters: str) -> dict[str, str]:
    english = str.maketrans(letters, "nesw")
    found = {}
    for text, sign in signs.items():
        short = "".join(sign).translate(english) if set(sign) <= {*letters, *"NESW"} else ""
        if short.lower() in _COMPASS:
            found[text] = f"{_COMPASS[short.lower()] / 2:g}"
    return found


def tilts_of(texts: Sequence[str], header: str) -> dict[str, str]:
    """Return cell -> tilt [deg] for a roof's pitch: its rise over a run of twelve, such as 4/12 or 5:12.

    Bare figures are such rises where the header says so ("Pitch /12"). tan(tilt) = rise / 12.
    """
    rises = {
        text: float(found[1]) for text in texts if (found := _PITCH.fullmatch(text.lower().rstrip('"'))) is not None
    }
    if _IN_TWELVE.search(folded(header)):
        rises |= {text: float(text) for text in texts if re.fullmatch(r"\d{1,2}(?:\.\d+)?", text, re.ASCII)}
    return {text: f"{math.degrees(math.atan(rise / 12)):.1f}" for text, rise in rises.items() if rise <= 24}

"""Which phases an office's letters, numbers or colours mean, read as one set: B is the second, or the blue one."""

from __future__ import annotations

import re
from collections.abc import Sequence

#: The first, second and third phase as offices write them: letters; numbers, with or without L; European letters;
#: the colours of Australia and New Zealand, of the United Kingdom before 2006, and of the United States.
_SETS: tuple[tuple[str, str, str], ...] = (
    ("a", "b", "c"),
    ("1", "2", "3"),
    ("r", "s", "t"),
    ("u", "v", "w"),
    ("r", "w", "b"),
    ("r", "y", "b"),
)
_COLOURS = {"red": "r", "white": "w", "yellow": "y", "blue": "b"}
_BY_PHASES = {
    frozenset("A"): "A",
    frozenset("B"): "B",
    frozenset("C"): "C",
    frozenset("AB"): "AB",
    frozenset("BC"): "BC",
    frozenset("AC"): "CA",
    frozenset("ABC"): "ABC",
}
_THREE = re.compile(r"3\s*-?\s*(?:ph|phase|p|~|[øφ])|three.?phase|all(?: three| 3)?(?: phases)?")
_LEFT_OUT = re.compile(r"phases?|\bph\b|line|[øφ]|[-+/&,;()\s]|\band\b|\bto\b")


def phases_of(texts: Sequence[str]) -> dict[str, str]:
    """Return cell -> ABC, AB, BC, CA, A, B or C for the cells that one set of names explains.

    The set that explains the most cells is taken; nothing is said where two sets explain as many and differ.
    """
    signs = {text: sign for text in texts if (sign := _signs(text))}
    if not any(len(sign) > 1 or "l" in text.lower() for text, sign in signs.items() if sign.isdecimal()):
        signs = {text: sign for text, sign in signs.items() if not sign.isdecimal()}  # A bare 3 may count phases.
    readings = [_read(signs, names) for names in _SETS]
    most = max(map(len, readings), default=0)
    if not most:
        return {}
    best = [reading for reading in readings if len(reading) == most]
    same = {text: value for text, value in best[0].items() if all(other.get(text) == value for other in best)}
    return same if len(same) == most else {}


def _signs(text: str) -> str:
    """Return the names of a cell's phases, one sign each, without the neutral; empty where it says another thing."""
    body = text.lower()
    for colour, letter in _COLOURS.items():
        body = body.replace(colour, letter)
    if _THREE.fullmatch(body):
        return "*"
    body = re.sub(r"l(?=[123])", "", _LEFT_OUT.sub("", body))
    body = re.sub(r"(?<=[^n])n$", "", body)
    return body if 1 <= len(body) <= 3 and len(set(body)) == len(body) else ""


def _read(signs: dict[str, str], names: tuple[str, str, str]) -> dict[str, str]:
    meant = dict(zip(names, "ABC", strict=True))
    found: dict[str, str] = {}
    for text, sign in signs.items():
        if sign == "*":
            found[text] = "ABC"
        elif all(one in meant for one in sign):
            found[text] = _BY_PHASES[frozenset(meant[one] for one in sign)]
    return found

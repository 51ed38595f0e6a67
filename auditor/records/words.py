"""Grammars of words and short lists: choices with their aliases, services, arm counts, extra trunk."""

from __future__ import annotations

import re

from auditor.records.fault import Fault, clean, shown
from auditor.records.quantities import parse_length
from auditor.records.schema import SERVICES

#: Spellings people use for a choice, folded (lower case, hyphens and underscores as spaces).
ALIASES: dict[str, str] = {
    "cu": "copper",
    "al": "aluminium",
    "alum": "aluminium",
    "aluminum": "aluminium",
    "homerun": "home run",
    "end fed": "end",
    "center": "centre",
    "center fed": "centre",
    "centre fed": "centre",
    "load side": "load",
    "supply side": "supply",
    "line side": "supply",
    "opposite": "opposite end",
    "center fed end": "centre-fed end",
    "inject": "injects",
    "injecting": "injects",
    "absorb": "absorbs",
    "absorbing": "absorbs",
    "ba": "AB",
    "cb": "BC",
    "ac": "CA",
    "a b": "AB",
    "b c": "BC",
    "c a": "CA",
    "a b c": "ABC",
}

_SERVICES = {re.sub(r"\s", "", service).casefold(): service for service in SERVICES}
_SECTION = re.compile(r"\s*(\d{1,6})\s*@\s*(.+?)\s*", re.ASCII)
_LARGEST_COUNT = 100_000


def _fold(text: str) -> str:
    return re.sub(r"[\s_-]+", " ", text).strip().casefold()


def parse_choice(text: str, choices: tuple[str, ...]) -> str | Fault:
    """Return the canonical choice; case, hyphens and the aliases are settled, and nothing else is guessed."""
    folded = _fold(clean(text))
    for choice in choices:
        if folded == _fold(choice):
            return choice
    alias = ALIASES.get(folded)
    if alias in choices:
        return alias
    return Fault("constraint-error", f"{shown(clean(text))} is not one of: {', '.join(choices)}")


def parse_service(text: str) -> str:
    """Return the canonical service where the spelling is the same but for case and spaces, else the text itself.

    An unknown service stays as it is written, for it must never become the nearest known one.
    """
    body = clean(text)
    return _SERVICES.get(re.sub(r"\s", "", body).casefold(), body)


def parse_arms(text: str) -> str | Fault:
    """Return arm counts in canonical form, such as 8+8: units on each arm from the feed point."""
    body = clean(text)
    counts = [part.strip() for part in body.split("+")]
    if not all(re.fullmatch(r"\d{1,6}", count, re.ASCII) for count in counts):
        return Fault("type-error", f"{shown(body)} is not a list of arm counts such as 8+8")
    if not all(1 <= int(count) <= _LARGEST_COUNT for count in counts):
        return Fault("constraint-error", f"{shown(body)}: an arm has 1 to {_LARGEST_COUNT} units")
    return "+".join(str(int(count)) for count in counts)


def parse_sections(text: str, decimal_mark: str | None = None) -> str | Fault:
    """Return extra trunk in canonical form, such as 8@3.5 + 12@2: the unit it follows and its length [m].

    A length may carry a unit, such as 8@10 ft.
    """
    body = clean(text)
    sections: list[str] = []
    for part in body.split("+"):
        match = _SECTION.fullmatch(part)
        if match is None:
            return Fault("type-error", f"{shown(body)} is not a list of extra trunk such as 8@3.5 + 12@2")
        length_m = parse_length(match[2], "m", decimal_mark)
        if isinstance(length_m, Fault):
            return length_m
        if not 0 < length_m <= 1_000 or int(match[1]) < 1:
            return Fault(
                "constraint-error", f"{shown(body)}: units count from 1 and a length is above 0 m, up to 1000 m"
            )
        sections.append(f"{int(match[1])}@{length_m:.10g}")
    return " + ".join(sections)

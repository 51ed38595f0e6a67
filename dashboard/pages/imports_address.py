"""The import page's state in the address: the file that waits, and which rejects and suspicious values are listed."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import parse_qsl, urlencode

from dashboard.filters import MOST_CHARACTERS
from dashboard.queries.imports import STATES, Asked

_HASH = re.compile(r"[0-9a-f]{64}")
_MOST_PAGES = 100_000


@dataclass(frozen=True)
class Place:
    """What the page shows: `upload` is the hash of a file that waits, `suspicion` the kind that is listed."""

    upload: str = ""
    asked: Asked = field(default_factory=Asked)
    suspicion: str | None = None
    suspicion_page: int = 1

    @property
    def address(self) -> str:
        """The query string; only what differs from the default is written."""
        asked = self.asked
        pairs: list[tuple[str, Any]] = [
            ("upload", self.upload or None),
            ("rejects", asked.state if asked.state != STATES[0] else None),
            ("reason", asked.reason),
            ("column", asked.column),
            ("import", asked.imported),
            ("page", asked.page if asked.page > 1 else None),
            ("suspicion", self.suspicion),
            ("suspicion_page", self.suspicion_page if self.suspicion_page > 1 else None),
        ]
        given = [(name, value) for name, value in pairs if value is not None]
        return f"?{urlencode(given)}" if given else ""


def place_of(search: str | None) -> tuple[Place, tuple[str, ...]]:
    """The place of a query string, and a sentence about each part that is not understood and so left out."""
    place, notes = Place(), []
    for name, value in parse_qsl((search or "").removeprefix("?"), keep_blank_values=True):
        changed = _with(place, name, value) if len(value) <= MOST_CHARACTERS else None
        if changed is None:
            notes.append(f"The address asks for {name[:40]} = {value[:60]}, which is not understood; it is left out.")
        else:
            place = changed
    return place, tuple(notes)


def _with(place: Place, name: str, value: str) -> Place | None:
    asked = place.asked
    match name:
        case "upload" if _HASH.fullmatch(value):
            return replace(place, upload=value)
        case "rejects" if value in STATES:
            return replace(place, asked=replace(asked, state=value))
        case "reason" | "column":
            return replace(place, asked=replace(asked, **{name: value}))
        case "import" if _number(value):
            return replace(place, asked=replace(asked, imported=int(value)))
        case "page" if _number(value):
            return replace(place, asked=replace(asked, page=int(value)))
        case "suspicion":
            return replace(place, suspicion=value)
        case "suspicion_page" if _number(value):
            return replace(place, suspicion_page=int(value))
    return None


def _number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and 0 < int(text[:9]) <= _MOST_PAGES and len(text) <= 6


def chosen(place: Place, name: str, value: str | None) -> Place:
    """The place after something was picked; what is in force already is lifted, and lists begin anew."""
    asked = place.asked
    match name:
        case "state":
            return replace(place, asked=replace(asked, state=value or STATES[0], page=1))
        case "reason" | "column":
            held = getattr(asked, name)
            return replace(place, asked=replace(asked, **{name: None if held == value else value}, page=1))
        case "imported":
            number = int(value or 0)
            return replace(place, asked=replace(asked, imported=None if asked.imported == number else number, page=1))
        case "page":
            return replace(place, asked=replace(asked, page=max(1, int(value or 1))))
        case "suspicion":
            return replace(place, suspicion=None if place.suspicion == value else value, suspicion_page=1)
        case "suspicion_page":
            return replace(place, suspicion_page=max(1, int(value or 1)))
    return place

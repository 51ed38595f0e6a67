"""The page of changes as its address holds it: two runs, filters, sort, places in lists, and a what-if's systems."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qsl, urlencode

PATH = "/changes"
#: Longest text of a filter [characters]: a cause names all that differs.
MOST_CHARACTERS = 1_500

#: What is compared: verdicts of checks, verdicts over all checks, bands of expected trip-days.
LEVELS = {"check": "verdicts of checks", "system": "verdicts of whole systems", "trips": "bands of trip-days a year"}
#: What became of a verdict, and how it is said of several.
WAYS = {
    "worse": "fail now and passed or did not apply",
    "better": "fail no more",
    "unknown": "became unknown",
    "known": "became known",
    "other": "apply now and did not, or the other way round",
    "came": "came in: the earlier run has no such circuit or system",
    "went": "went: the later run has no such circuit or system",
    "same": "as before, with other figures",
}
SORTS = ("system", "check", "before", "after", "lost", "cause", "utility", "designer")
#: Filters by a text, where None is all and "" stands for rows that state none.
TEXTS = ("check", "was", "now", "cause", "utility", "designer")


@dataclass(frozen=True)
class Asked:
    """What the page shows. `part` is the query string of the portfolio page whose systems a what-if is for."""

    before: int | None = None
    after: int | None = None
    level: str = "check"
    way: str | None = None
    check: str | None = None
    was: str | None = None
    now: str | None = None
    cause: str | None = None
    utility: str | None = None
    designer: str | None = None
    sort: tuple[str, bool] = ("after", False)
    page: int = 1
    told: int = 1
    part: str = ""

    @property
    def pair(self) -> tuple[int, int] | None:
        """The two runs, where both are named."""
        return None if self.before is None or self.after is None else (self.before, self.after)

    @property
    def address(self) -> str:
        """The query string; only what differs from the default is written."""
        default = Asked()
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        values["sort"] = ("-" if self.sort[1] else "") + self.sort[0]
        kept = [
            (name, str(value)) for name, value in values.items()
            if value is not None and (name == "sort" or value != getattr(default, name))
        ]  # fmt: skip
        kept = [(name, value) for name, value in kept if (name, value) != ("sort", default.sort[0])]
        return f"?{urlencode(kept)}" if kept else ""

    @property
    def href(self) -> str:
        """The page's path with its query string."""
        return PATH + self.address

    def but(self, **changes: Any) -> Asked:
        """The same with changes; a change of what is listed starts the lists anew."""
        anew = {} if changes.keys() <= {"page", "told", "part"} else {"page": 1, "told": 1}
        return replace(self, **(anew | changes))

    @property
    def narrowed(self) -> bool:
        """Whether a filter by a fact of systems is in force, so that counts of all verdicts do not fit."""
        return any(getattr(self, name) is not None for name in ("cause", "utility", "designer"))


def asked_of(search: str | None) -> tuple[Asked, tuple[str, ...]]:
    """What a query string asks for, and a sentence about each part that is not understood and so left out."""
    asked, notes = Asked(), []
    for name, value in parse_qsl((search or "").removeprefix("?"), keep_blank_values=True)[:40]:
        read = _read(name, value)
        if read is None:
            notes.append(f"The address asks for {name[:40]} = {value[:60]}, which is not understood; it is left out.")
        else:
            asked = replace(asked, **{name: read})
    return asked, tuple(notes)


def _read(name: str, value: str) -> Any:
    """The value of a part of the address; None where it is not understood."""
    if name in ("before", "after", "page", "told"):
        return int(value) if re.fullmatch(r"[1-9][0-9]{0,8}", value) else None
    if name == "level":
        return value if value in LEVELS else None
    if name == "way":
        return value if value in WAYS else None
    if name == "sort":
        column = value.removeprefix("-")
        return (column, value.startswith("-")) if column in SORTS else None
    if name in TEXTS:
        return value if len(value) <= MOST_CHARACTERS else None
    return value if name == "part" and len(value) <= 2 * MOST_CHARACTERS else None

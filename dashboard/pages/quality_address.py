"""The quality page's state in the address: what is compared, by which outcome, and whose course is shown."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from urllib.parse import parse_qsl, urlencode

from auditor.reports.cases import DEFAULT_OUTCOME, UNITS
from dashboard.filters import MOST_CHARACTERS


@dataclass(frozen=True)
class Asked:
    """What the page shows. `unit` is None for all together, "" for whom no record names; `region` is "" for all."""

    by: str = "designer"
    outcome: str = DEFAULT_OUTCOME
    region: str = ""
    unit: str | None = None

    @property
    def address(self) -> str:
        """The query string; only what differs from the default is written."""
        default = Asked()
        pairs = [(name, getattr(self, name)) for name in ("by", "outcome", "region", "unit")]
        given = [(name, value) for name, value in pairs if value is not None and value != getattr(default, name)]
        return f"?{urlencode(given)}" if given else ""

    def of(self, unit: str | None) -> Asked:
        """The same with one unit's course."""
        return replace(self, unit=unit or "")


def asked_of(search: str | None, outcomes: Collection[str], regions: Collection[str]) -> tuple[Asked, tuple[str, ...]]:
    """What a query string asks for, and a sentence about each part that is not understood and so left out."""
    asked, notes = Asked(), []
    for name, value in parse_qsl((search or "").removeprefix("?"), keep_blank_values=True)[:20]:
        known = {
            "by": value in UNITS,
            "outcome": value in outcomes,
            "region": value in regions,
            "unit": len(value) <= MOST_CHARACTERS,
        }
        if known.get(name):
            asked = replace(asked, **{name: value})
        else:
            notes.append(f"The address asks for {name[:40]} = {value[:60]}, which is not understood; it is left out.")
    return asked, tuple(notes)

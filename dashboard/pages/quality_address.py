"""The quality page's state in the address: what is compared, by which outcome, and whose course is shown."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields, replace
from urllib.parse import parse_qsl, urlencode

from auditor.reports.cases import DEFAULT_OUTCOME, UNITS
from dashboard.filters import MOST_CHARACTERS

#: Digits of a number at most.
MOST_DIGITS = 9


@dataclass(frozen=True)
class Asked:
    """What the page shows.

    `unit` is None for all together, "" for whom no record names; `region` is "" for all. `rules` is "now" for the specs
    of today, "" for those of each design date where the run was judged by them; `action` is the number of a corrective
    action, "" for none; `visits` and `seed` are the field sample's.
    """

    by: str = "designer"
    outcome: str = DEFAULT_OUTCOME
    region: str = ""
    unit: str | None = None
    rules: str = ""
    action: str = ""
    visits: str = "40"
    seed: str = "1"

    @property
    def address(self) -> str:
        """The query string; only what differs from the default is written."""
        default = Asked()
        pairs = [(field.name, getattr(self, field.name)) for field in fields(self)]
        given = [(name, value) for name, value in pairs if value is not None and value != getattr(default, name)]
        return f"?{urlencode(given)}" if given else ""

    def of(self, unit: str | None) -> Asked:
        """The same with one unit's course."""
        return replace(self, unit=unit or "", action="")

    @property
    def compared(self) -> Asked:
        """The same without the corrective action and the field sample, of which the comparison knows nothing."""
        return Asked(self.by, self.outcome, self.region, self.unit, self.rules)


def asked_of(search: str | None, outcomes: Collection[str], regions: Collection[str]) -> tuple[Asked, tuple[str, ...]]:
    """What a query string asks for, and a sentence about each part that is not understood and so left out."""
    asked, notes = Asked(), []
    for name, value in parse_qsl((search or "").removeprefix("?"), keep_blank_values=True)[:20]:
        known = {
            "by": value in UNITS,
            "outcome": value in outcomes,
            "region": value in regions,
            "unit": len(value) <= MOST_CHARACTERS,
            "rules": value == "now",
            **dict.fromkeys(("action", "visits", "seed"), value.isdecimal() and len(value) <= MOST_DIGITS),
        }
        if known.get(name):
            asked = replace(asked, **{name: value})
        else:
            notes.append(f"The address asks for {name[:40]} = {value[:60]}, which is not understood; it is left out.")
    return asked, tuple(notes)

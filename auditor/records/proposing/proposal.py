"""What a proposal says of each column, and of the file as a whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from auditor.records.dates import DateOrder

Sureness = Literal["sure", "likely", "unsure"]
#: From the least to the most.
SURENESS: tuple[Sureness, ...] = ("unsure", "likely", "sure")


@dataclass(frozen=True)
class Table:
    """The first rows of a file as text, and how they were read.

    `rows` are those after the header, as wide as it; `titles` are the cells of the rows above it. `sheet` is set where
    a workbook has several, `encoding` where the file is not in UTF-8.
    """

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    header_row: int = 1
    titles: tuple[str, ...] = ()
    delimiter: str | None = None
    encoding: str | None = None
    sheet: str | None = None


@dataclass(frozen=True)
class ColumnProposal:
    """What one of the user's columns is proposed to be.

    `canonical` is None where nothing is proposed. `unit` is what bare figures are in (None: the canonical unit, or
    every cell states its own), `lengths` is None where nothing says one-way or round-trip, `values` translates codes.
    """

    header: str
    canonical: str | None
    sureness: Sureness
    reasons: tuple[str, ...]
    unit: str | None = None
    lengths: str | None = None
    values: dict[str, str] = field(default_factory=dict)
    unread: tuple[str, ...] = ()


@dataclass(frozen=True)
class Proposal:
    """The columns in the file's order, and what holds for the whole file. `constants` are suggestions only."""

    columns: tuple[ColumnProposal, ...]
    date_order: DateOrder | None
    date_reason: str
    decimal_mark: str | None
    missing: tuple[str, ...]
    constants: dict[str, str]

    def mapped(self) -> tuple[ColumnProposal, ...]:
        """The columns for which something is proposed."""
        return tuple(column for column in self.columns if column.canonical is not None)

    def of(self, canonical: str) -> ColumnProposal | None:
        """The column proposed for a canonical one."""
        return next((column for column in self.columns if column.canonical == canonical), None)


def least(levels: Sequence[Sureness]) -> Sureness:
    """Return the least sure of several."""
    return min(levels, key=SURENESS.index)

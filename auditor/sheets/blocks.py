"""What a sheet is made of, whatever it is written as. Every text is plain: nothing in it is ever markup."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Heading:
    """A section's heading."""

    text: str


@dataclass(frozen=True)
class Text:
    """A paragraph; a `warning` stands out."""

    text: str
    warning: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table of texts; columns whose number is in `right` are figures."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...] = ()


@dataclass(frozen=True)
class Chart:
    """A drawing as SVG, and in words what it shows."""

    svg: str
    label: str


Block = Heading | Text | Bullets | Table | Chart


@dataclass(frozen=True)
class Sheet:
    """A whole sheet: its title, a line below it, its blocks, and what the foot of each page says."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    foot: str

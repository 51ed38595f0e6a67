"""What the tests of the command line share."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"


@dataclass(frozen=True)
class Ran:
    """How a command ended and what it printed."""

    status: int
    out: str
    err: str


Run = Callable[..., Ran]
Refused = Callable[..., str]


def expected_import(name: str = "expected_import.csv") -> dict[str, dict[str, int]]:
    """The counts of each file of the sample, as its plan states them."""
    lines = (SAMPLE / name).read_text("utf-8").splitlines()
    counts = ("rows_in", "accepted", "rejected", "duplicates")
    return {row["file"]: {name: int(row[name]) for name in counts} for row in csv.DictReader(lines)}

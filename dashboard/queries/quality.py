"""The quality page's figures. A comparison of a published run never changes, so the last few are kept."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import polars as pl

from auditor.quality.compare import Comparison
from auditor.reports.cases import Sides, judged_by, sides, undated
from auditor.reports.quality import comparison as compared
from auditor.reports.quality import fault_counts as counted
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot, recheck_numbers

#: Comparisons kept: at a million cases each takes some seconds and a tenth of a gigabyte.
KEPT = 4


@dataclass(frozen=True)
class Run:
    """A published run of a store: its number, and what tells it from one of the same number made anew."""

    root: Path
    number: int
    made: str


def run_of(con: Connection, store: Store) -> Run:
    """The run that a snapshot holds."""
    number, made = con.execute("SELECT run, made FROM audit").fetchall()[0]
    return Run(store.root, int(number), str(made))


def run_numbered(store: Store, number: int) -> Run:
    """A run of a store by its number, an audit or a re-check."""
    with open_snapshot(store, number) as con:
        return run_of(con, store)


def sides_of(run: Run) -> Sides:
    """The runs of the same records by the specs of each design date and by one day's; AuditorError without the run."""
    return _sides(run, tuple(recheck_numbers(Store(run.root))))


@lru_cache(maxsize=KEPT)
def _sides(run: Run, rechecks: tuple[int, ...]) -> Sides:
    """The sides while these re-checks are there: none of them ever changes."""
    return sides(Store(run.root), run.number)


@dataclass(frozen=True)
class About:
    """By which rules a run judged, in a sentence, and how many of its systems have no design date."""

    judged_by: str
    undated: int


@lru_cache(maxsize=KEPT)
def about(run: Run) -> About:
    """What a comparison by a run rests on."""
    with open_snapshot(Store(run.root), run.number) as con:
        return About(judged_by(con), undated(con))


@lru_cache(maxsize=KEPT)
def comparison(run: Run, by: str, outcome: str, region: str = "") -> Comparison:
    """The comparison of a run; AuditorError where there is no such comparison."""
    with open_snapshot(Store(run.root), run.number) as con:
        return compared(con, by, outcome, region)


@lru_cache(maxsize=KEPT)
def fault_counts(run: Run, by: str, region: str = "") -> pl.DataFrame:
    """Systems judged and failing by unit, year and cause, of a run."""
    with open_snapshot(Store(run.root), run.number) as con:
        return counted(con, by, region)

"""Small systems with round figures, and their candidates."""

from __future__ import annotations

import sys
from collections.abc import Collection
from datetime import date
from pathlib import Path

import polars as pl

from auditor.policy import Policy, load_policy
from auditor.prepare import Records
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT
from auditor.remedies.mending import Candidates, work_out

sys.path.insert(0, str(Path(__file__).parents[1] / "prepare"))

from prepare_cases import Row, catalog, circuit, frame, run, system

__all__ = ["AS_OF", "PER_KM_10", "Row", "candidates", "catalog", "circuit", "home_run_m", "of", "records", "run",
           "system"]  # fmt: skip

AS_OF = date(2026, 1, 31)
#: 10 AWG stranded copper, NEC Chapter 9 Table 8: 1.24 ohm per 1000 ft at 75 °C [ohm/m].
PER_KM_10 = 1.24 / 304.8


def home_run_m(rise_pct: float, current_a: float = 16.0) -> float:
    """Length [m] of 10 AWG copper on which this current raises 240 V by so much: ΔV = 2 I R' l."""
    return rise_pct / 100 * 240 / (2 * current_a * PER_KM_10)


def records(systems: list[Row], circuits: list[Row], runs: list[Row], units: list[Row] | None = None) -> Records:
    return Records(frame(SYSTEM, systems), frame(CIRCUIT, circuits), frame(UNIT, units or []), frame(RUN, runs))


def candidates(
    folder: Path,
    systems: list[Row],
    circuits: list[Row],
    runs: list[Row],
    units: list[Row] | None = None,
    policy: Policy | None = None,
    cleared: Collection[str] = (),
    called: Collection[str] = (),
    doubtful: Collection[str] = (),
) -> Candidates:
    held, frames = records(systems, circuits, runs, units), catalog(folder).frames()
    known = {"cleared": cleared, "called": called, "doubtful": doubtful}
    return work_out(held, frames, policy or load_policy(), AS_OF, **known)


def of(found: Candidates, remedy: str, **figures: object) -> Row:
    """The one candidate of that remedy."""
    rows = found.table.filter(pl.col("remedy") == remedy, **figures)
    assert rows.height == 1, found.table.select("system_id", "remedy", "done")
    return rows.row(0, named=True)

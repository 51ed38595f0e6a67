"""A run counts alike whether it is recorded as one or as its two halves: the halves are in series."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from prepare_cases import Row, catalog, frame, run

from auditor.policy import load_policy
from auditor.prepare.runs import in_series, prepare_runs
from auditor.records.schema import RUN

KEY = ["system_id", "circuit_id"]

#: Runs that say everything, little or nothing. A length of zero is none of a wire.
KINDS: dict[str, Row] = {
    "complete": {"length_m": 20.0, "raceway": "PVC", "terminal_rating_c": 75.0, "conductor_rating_c": 90.0},
    "no length": {"length_m": None},
    "no wire": {"length_m": 12.0, "size": None, "material": None},
    "no such size": {"length_m": 12.0, "size": "13 AWG"},
    "zero": {"length_m": 0.0, "size": None},
    "aluminium": {"length_m": 31.0, "size": "4/0 AWG", "material": "aluminium", "parallel_sets": 2},
    "rated": {"length_m": 7.0, "size": "6 mm2", "rated_a": 36.0},
}


def series(folder: Path, role: str, rows: list[Row]) -> pl.DataFrame:
    """The runs in series, by circuit."""
    tables = catalog(folder).frames()
    return in_series(prepare_runs(frame(RUN, rows), tables, load_policy()), role, KEY).sort(KEY)


def halves(whole: Row) -> list[Row]:
    """The two halves of a run."""
    half = None if whole["length_m"] is None else whole["length_m"] / 2
    return [{**whole, "length_m": half, "run_order": order} for order in (1, 2)]


@pytest.mark.parametrize("role", ["home run", "feeder"])
def test_two_halves_are_the_whole(tmp_path: Path, role: str) -> None:
    rows: list[dict[str, Any]] = [{**run(role, number), **kind} for number, kind in enumerate(KINDS.values(), 1)]
    whole = series(tmp_path, role, rows)
    split = series(tmp_path, role, [half for row in rows for half in halves(row)])
    runs, prefix = f"{role.replace(' ', '_')}_runs", role.replace(" ", "_")
    assert (whole[runs].unique().to_list(), split[runs].unique().to_list()) == ([1], [2])
    # A run of unknown length has the impedance of one metre, and two such runs have that of two.
    metres = pl.when(pl.col(f"{prefix}_length_m").is_null()).then(0.5).otherwise(1.0)
    ohms = [f"{prefix}_{part}_ohm" for part in "rx"]
    assert_frame_equal(whole.drop(runs), split.drop(runs).with_columns(pl.col(*ohms) * metres), rel_tol=1e-12)


def test_a_run_alone_is_the_same_beside_others(tmp_path: Path) -> None:
    single = {**run("home run", 1), **KINDS["complete"]}
    beside = [{**run("home run", 2), **KINDS["complete"], "run_order": order} for order in (1, 2)]
    assert_frame_equal(series(tmp_path, "home run", [single]), series(tmp_path, "home run", [*beside, single])[:1])

"""The complaints of the sample: the cause planted behind each is found, and not without what settles it.

What was measured and logged was made by the sample's own arithmetic (`sample_portfolio/troubles.py`), which imports
nothing of the auditor.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.records.evidence_schema import EVENT, READING
from auditor.records.schema import Table
from auditor.store import Store
from auditor.store.snapshot import open_snapshot
from auditor.triage.tables import Known, decided

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
Frames = tuple[pl.DataFrame, pl.DataFrame]
_TYPES = {"number": pl.Float64, "instant": pl.Datetime("us"), "date": pl.Date}


def read(name: str, table: Table) -> pl.DataFrame:
    """A file of the sample with the columns of a table, as the store gives them."""
    raw = pl.read_csv(SAMPLE / name, infer_schema=False)
    columns = []
    for column in table.columns:
        cell = pl.col(column.name) if column.name in raw.columns else pl.lit(None, pl.String)
        cell = pl.when(cell != "").then(cell)
        kind = _TYPES.get(column.kind, pl.String)
        cell = cell.str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_unit="us") if column.kind == "instant" else cell
        columns.append(cell.cast(kind).alias(column.name))
    return raw.select(columns)


READINGS = read("complaint_readings.csv", READING)
EVENTS = read("complaint_events.csv", EVENT).with_columns(pl.col("start").alias("known_until"))
ANSWERS = {row["complaint_id"]: row for row in csv.DictReader((SAMPLE / "expected_triage.csv").open(encoding="utf-8"))}


@pytest.fixture(scope="session")
def decide_all(sample_store: tuple[Store, object]) -> Callable[[Callable[[Frames], Frames]], pl.DataFrame]:
    """Decide on all complaints with what a filter leaves of the evidence."""
    with open_snapshot(sample_store[0]) as con:
        known = Known(
            *(
                pl.DataFrame(con.sql(f"FROM {table}").to_arrow_table())
                for table in ("system", "unit", "system_result", "circuit_result")
            )
        )
    complaints = pl.read_csv(SAMPLE / "complaints.csv", infer_schema=False)
    catalog, policy = load_catalog([SAMPLE / "catalog"]).frames(), load_policy(SAMPLE / "policy.toml")

    def of(left: Callable[[Frames], Frames]) -> pl.DataFrame:
        def evidence(system_id: str) -> Frames:
            mine = pl.col("system_id") == system_id
            return left((READINGS.filter(mine), EVENTS.filter(mine)))

        return decided(complaints, known, catalog, policy, evidence, {}, {}).triage

    return of


def test_the_planted_causes_are_found_and_none_is_surely_wrong(
    decide_all: Callable[[Callable[[Frames], Frames]], pl.DataFrame],
) -> None:
    told = decide_all(lambda frames: frames)
    assert told.height == len(ANSWERS) == 40
    right = 0
    for row in told.iter_rows(named=True):
        cause = ANSWERS[row["complaint_id"]]["cause"]
        if cause in ("neutral", "hot connection"):
            # A call has no score and no further reading.
            assert (row["state"], row["chance"]) == ("stop", None), row
            assert f"suspected {cause}" in row["answer"], row
            assert '"ranked": [], "looks": []' in row["told"]
            right += 1
        elif row["state"] == "decided":
            assert row["answer"] == cause, row
            right += 1
        else:
            assert row["state"] == "cannot tell"
    assert right >= 0.9 * told.height


def test_without_what_settles_it_nobody_can_tell(
    decide_all: Callable[[Callable[[Frames], Frames]], pl.DataFrame],
) -> None:
    without = {
        "readings": decide_all(lambda frames: (frames[0].clear(), frames[1])),
        "events": decide_all(lambda frames: (frames[0], frames[1].clear())),
    }
    for missing, told in without.items():
        mine = [key for key, answer in ANSWERS.items() if answer["decisive"] == missing]
        assert mine
        states = told.filter(pl.col("complaint_id").is_in(mine))
        assert set(states["state"]) == {"cannot tell"}, states.filter(pl.col("state") != "cannot tell")
        assert states["next_step"].str.len_chars().min() > 20  # what would settle it

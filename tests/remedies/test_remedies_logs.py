"""What is said of trips after a remedy where the model hardly allows the log."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
from remedy_cases import AS_OF, catalog, circuit, home_run_m, records, run, system

from auditor.evidence.observed import MONTH_SCHEMA
from auditor.likelihood.sky import MONTH_LENGTH
from auditor.policy import load_policy
from auditor.remedies.judging import situated
from auditor.remedies.mending import UNEXPLAINED, work_out
from auditor.trips import Evidence

WIRES = {"terminal_rating_c": 75.0, "conductor_rating_c": 90.0, "raceway": "pvc"}


def year(count: int) -> Evidence:
    """A whole year's log of system S with so many trip-days, all in June."""
    rows = [
        ("S", month, float(length), *[count if month == 6 else 0] * 3, date(2025, 1, 1), AS_OF)
        for month, length in enumerate(MONTH_LENGTH, 1)
    ]
    return Evidence(pl.DataFrame(rows, schema=MONTH_SCHEMA, orient="row"))


def test_after_a_log_that_the_model_does_not_explain_nothing_is_said_of_trips(tmp_path: Path) -> None:
    """25 trip-days in a year in which hardly any was to be expected; the same log of a system that trips is explained.

    Of the supply's trip-days the first asks nothing of the utility: the shares rest on the same model.
    """
    frames, rules = catalog(tmp_path).frames(), load_policy()
    for supply_rise, explained in ((0.1, False),):
        runs = [run("home run", 1, length_m=home_run_m(supply_rise), **WIRES), run("feeder", **WIRES)]
        held = records([system(latitude_deg=35.0)], [circuit(first_section_m=1.0)], runs)
        found = situated(held, frames, rules, AS_OF, None, year(25)).system.row(0, named=True)
        assert found["chance_of_so_many_in_log"] < 0.01 and found["likely"]
        print({k: found[k] for k in found if "share" in k or "trip_days" in k or "chance" in k})
        table = work_out(held, frames, rules, AS_OF, evidence=year(25)).table
        print(table)
        assert not (table["remedy"] == "supply-request").any()
        for name in ("trip_days_after", "trip_days_removed", "lost_after_kwh"):
            assert table[name].is_null().all()
        assert not table["helps"].any() and set(table["trips_unknown"]) == {UNEXPLAINED}
        quiet = work_out(held, frames, rules, AS_OF, evidence=year(0)).table
        print(quiet)

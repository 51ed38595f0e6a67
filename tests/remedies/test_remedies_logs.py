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
from auditor.remedies.plan import eligible
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
    """25 trip-days in a year in which hardly 2 were to be expected; a year without any is no wonder.

    The supply has the largest share, and without the log's doubt the utility would be asked.
    """
    frames, rules = catalog(tmp_path).frames(), load_policy()
    runs = [run("home run", 1, length_m=home_run_m(0.8), **WIRES), run("feeder", **WIRES)]
    held = records([system(latitude_deg=35.0)], [circuit(first_section_m=1.0)], runs)
    found = situated(held, frames, rules, AS_OF, None, year(25)).system.row(0, named=True)
    assert found["chance_of_so_many_in_log"] < 0.01 and found["likely"] and found["supply_share"] > 0.34
    table = work_out(held, frames, rules, AS_OF, evidence=year(25)).table
    wire = table.filter(remedy="home-run-size")
    assert wire["helps"].to_list() == [True] and wire["mends"].to_list() == ["voltage-rise"]  # 2.13 % by the records
    assert not (table["remedy"] == "supply-request").any()
    for name in ("trip_days_after", "trip_days_removed", "lost_after_kwh"):
        assert table[name].is_null().all()
    assert set(table["trips_unknown"]) == {UNEXPLAINED}
    assert eligible(table.with_columns(cost=pl.lit(1.0)), "cost").height == 0
    quiet = work_out(held, frames, rules, AS_OF, evidence=year(0)).table
    assert (
        quiet["trips_unknown"].is_null().all() and not quiet.drop_nulls("rise_after_pct")["trip_days_after"].has_nulls()
    )


def test_without_a_failing_check_such_a_log_makes_no_choice(tmp_path: Path) -> None:
    """What lowers the trips alone does not help where nobody can say by how much."""
    frames, rules = catalog(tmp_path).frames(), load_policy()
    runs = [run("home run", 1, length_m=home_run_m(0.1), **WIRES), run("feeder", **WIRES)]
    held = records([system(latitude_deg=35.0)], [circuit(first_section_m=1.0)], runs)
    table = work_out(held, frames, rules, AS_OF, evidence=year(25)).table
    assert table.height and not table["helps"].any() and set(table["trips_unknown"]) == {UNEXPLAINED}

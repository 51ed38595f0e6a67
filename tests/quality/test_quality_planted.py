"""What is said of each designer of the sample: who was made worse, who only looks it, who improved, who is alike."""

from __future__ import annotations

import csv
from pathlib import Path

import polars as pl
import pytest

from auditor.errors import AuditorError
from auditor.quality import compare, words
from auditor.reports import quality
from auditor.reports.cases import UNITS, cases, outcomes
from auditor.store import Store
from auditor.store.snapshot import open_snapshot

PLANTED = Path(__file__).parents[2] / "sample_portfolio" / "expected_designers.csv"
Sample = tuple[Store, object]


@pytest.fixture(scope="module")
def found(sample_store: Sample) -> compare.Comparison:
    with open_snapshot(sample_store[0]) as con:
        return quality.comparison(con, "designer", "voltage-rise")


def test_each_planted_designer_is_told_for_what_they_are(found: compare.Comparison) -> None:
    said = {row["value"]: row for row in quality.told(found).iter_rows(named=True)}
    with PLANTED.open(encoding="utf-8", newline="") as file:
        planted = list(csv.DictReader(file))
    assert {row["said"] for row in planted} == {"worse", "looks worse", "improved", "alike"}
    for row in planted:
        unit = said.pop(row["designer"])
        assert (unit["judged"], unit["failed"]) == (int(row["circuits"]), int(row["failing"]))
        if row["said"] == "worse":
            assert unit["says"].startswith("More fail than its case mix explains"), unit["says"]
            assert unit["changed"] is None
            assert unit["ratio_low"] > 1
            assert unit["shrunken_low"] > 1
        elif row["said"] == "improved":
            assert f"Better since {row['since']}: " in unit["says"]
            assert unit["after"] < 1
            assert unit["before"] > 2
        elif row["said"] == "looks worse":
            assert "Looks worse" in unit["says"]
            assert "its case mix explains it" in unit["says"]
            assert (unit["unadjusted"], unit["evidence"]) == (compare.MORE, compare.NONE)
        else:
            assert unit["says"].startswith("No evidence that it differs"), unit["says"]
    # Of everybody else nothing was planted, and nothing is said.
    assert all(unit["evidence"] == compare.NONE and unit["changed"] is None for unit in said.values())


def test_the_answer_counts_who_stands_apart_in_the_order_of_size(found: compare.Comparison) -> None:
    # Work of which no designer is stated is nobody's: it stands in a row of its own and is told of no one.
    assert (found.units.height, found.named) == (15, 14)
    assert words.answer(found, "designers").startswith("2 of 14 designers stand apart")
    by_year = compare.compare(found.cases.with_columns(value=pl.col("year").cast(pl.String)), "year").units["value"]
    assert by_year.drop_nulls().is_sorted()
    judged = found.units["judged"].to_list()
    assert judged == sorted(judged, reverse=True)
    assert found.units["expected"].sum() == pytest.approx(found.failed, rel=1e-4)


def test_cases_count_what_the_run_judged(sample_store: Sample) -> None:
    with open_snapshot(sample_store[0]) as con:
        for outcome, table, column in (
            ("voltage-rise", "circuit_result", "voltage_rise_verdict"),
            ("busbar", "system_result", "busbar_verdict"),
            ("verdict", "system_result", "verdict"),
        ):
            counts = dict(con.execute(f"SELECT {column}::VARCHAR, count(*) FROM {table} GROUP BY 1").fetchall())
            frame = cases(con, "office", outcome)
            held = (frame["failed"].sum(), (~frame["failed"]).sum(), frame["failed"].is_null().sum())
            assert held == (counts["fail"], counts["pass"], counts["unknown"]), outcome
        often = cases(con, "region", "trips:most months")["failed"].sum()
        bands = "('most months', 'most weeks')"
        counted = con.execute(f"SELECT count(*) FROM system_result WHERE trip_band IN {bands}").fetchall()[0][0]
        assert often == counted > 0
        frame = cases(con, "designer", "voltage-rise", "Tallis Isles")
        assert set(frame["value"]) == {"Maren", "Yannel"}
        assert set(quality.fault_counts(con, "designer", "Tallis Isles")["value"]) == {"Maren", "Yannel"}
        with pytest.raises(AuditorError, match="Did you mean Tallis Isles"):
            cases(con, "designer", "busbar", "Tallis Isle")
        safety = "SELECT DISTINCT system_id FROM finding WHERE severity = 'safety' AND verdict = "
        failing, unknown = ({row[0] for row in con.execute(f"{safety}'{v}'").fetchall()} for v in ("fail", "unknown"))
        frame = cases(con, "crew", "severity:safety")
        assert set(frame.filter("failed")["system_id"]) == failing
        assert set(frame.filter(pl.col("failed").is_null())["system_id"]) == unknown - failing
        assert {*outcomes(con)} >= {"voltage-rise", "busbar", "verdict", "trips:most weeks"}
        for by in UNITS:
            for outcome in ("verdict", "voltage-rise"):
                assert cases(con, by, outcome)["value"].n_unique() > 1
        lengths = cases(con, "designer", "voltage-rise").filter(pl.col("system_id") == "D0600")
        runs = con.execute(
            "SELECT length_m FROM run WHERE system_id = 'D0600' AND role = 'home run' ORDER BY circuit_id"
        )
        assert lengths["home_run_m"].to_list() == [row[0] for row in runs.fetchall()]


def test_causes_are_counted_by_system(sample_store: Sample) -> None:
    with open_snapshot(sample_store[0]) as con:
        counts = quality.fault_counts(con, "designer")
        failing = con.execute("SELECT count(*) FROM system_result WHERE voltage_rise_verdict = 'fail'").fetchall()
        busbar = con.execute("SELECT count(*) FROM system_result WHERE busbar_verdict = 'fail'").fetchall()
    rise = counts.filter(pl.col("cause").str.starts_with("voltage-rise"))
    assert rise["failed"].sum() == failing[0][0]
    assert counts.filter(pl.col("cause") == "busbar")["failed"].sum() == busbar[0][0]
    # Designers of the office whose home runs were left thin fail by just these.
    assert set(rise.filter((pl.col("value") == "Corvane") & (pl.col("failed") > 0))["cause"]) == {
        "voltage-rise: home run"
    }


@pytest.mark.parametrize(("by", "outcome"), [("desinger", "verdict"), ("designer", "voltage-rize")])
def test_what_cannot_be_compared_is_said(sample_store: Sample, by: str, outcome: str) -> None:
    with open_snapshot(sample_store[0]) as con, pytest.raises(AuditorError, match="Did you mean"):
        cases(con, by, outcome)

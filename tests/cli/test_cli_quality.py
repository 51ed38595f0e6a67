"""`auditor quality` and `auditor action` on the command line."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from command_line import Refused, Run

from auditor.reports.export import export_frame
from auditor.store import Store
from auditor.store.actions import actions_of
from auditor.store.decisions import all_decisions, in_force
from auditor.store.snapshot import open_snapshot

Sample = tuple[Store, object]


@pytest.fixture
def root(sample_store: Sample) -> Path:
    """The sample's store, which no command here changes."""
    return sample_store[0].root


def test_the_comparison_says_by_which_rules_and_how_to_read_it(run: Run, root: Path) -> None:
    told = run("quality", "--store", root)
    assert told.status == 0
    lines = told.out.splitlines()
    assert lines[0] == "Run 1: judged by the policy “sample portfolio” and the specs of 2026-01-31."
    assert "2 of 14 designers stand apart" in told.out
    assert "Adjusted for home-run length, feeder length, units per branch, year, service" in told.out
    assert "In the order of size (years in their own), not of rate" in told.out
    names = [line.split()[0] for line in lines if " fail, " in line and "expected" in line and line[0].isalpha()]
    assert names.index("Odalys") < names.index("Isaune") < names.index("Hestrel") < names.index("Nerrow")
    none = run("quality", "--by", "office", "--outcome", "busbar", "--run", 1, "--store", root)
    assert "No evidence that offices differ" in none.out


def test_each_part_is_written(run: Run, refused: Refused, root: Path) -> None:
    for part in ("units", "years", "signals", "fit", "calibration", "causes", "repeats"):
        assert run("quality", "--part", part, "-o", f"{part}.parquet", "--store", root).status == 0
    units = pl.read_parquet("units.parquet")
    assert units.filter(pl.col("value") == "Corvane")["says"][0].startswith("More fail than its case mix explains")
    assert pl.read_parquet("causes.parquet")["cumulative"][-1] == pytest.approx(1)
    assert pl.read_parquet("years.parquet")["judged"].sum() == units["judged"].sum()
    signals = pl.read_parquet("signals.parquet")
    changes = signals.filter(pl.col("measure") == "times as many as expected").select("value", "year", "worse")
    assert changes.rows() == [("Isaune", 2019, False)]
    assert run("quality", "-o", "units.xlsx", "--store", root).status == 0
    assert "Did you mean crew" in refused("quality", "--by", "crews", "--store", root)
    assert "there are units, years" in refused("quality", "--part", "all", "-o", "x.csv", "--store", root)
    assert "no run 9" in refused("quality", "--run", "9", "--store", root)


def test_a_field_sample_goes_out_and_its_results_come_back(run: Run, refused: Refused, root: Path) -> None:
    for name in ("one.csv", "two.csv"):
        told = run("quality", "sample", "--visits", "30", "--seed", "7", "-o", name, "--store", root)
        assert told.status == 0
    assert Path("one.csv").read_bytes() == Path("two.csv").read_bytes()
    assert "an assumption that steers the visits and not the estimate" in told.out
    sample = pl.read_csv("one.csv", infer_schema=False)
    assert sample.height == 30
    assert "too few" in refused("quality", "sample", "--visits", "3", "-o", "x.csv", "--store", root)
    assert "needs two results" in refused("quality", "estimate", "one.csv")
    found = pl.when(pl.col("stratum") == "fail").then(pl.lit("Deficient ")).otherwise(pl.lit("sound"))
    sample.with_columns(found=found).write_csv("back.csv")
    told = run("quality", "estimate", "back.csv")
    fails, systems = (sample.unique("stratum").filter(by)["stratum_systems"].cast(int).sum()
                      for by in (pl.col("stratum") == "fail", pl.lit(True)))  # fmt: skip
    assert told.out.startswith(f"Deficient: {fails / systems:.1%} of {systems:,} systems")
    # A workbook comes back as it went out, and a stratum that is gone is noticed.
    visited = run("quality", "sample", "--visits", "30", "--seed", "7", "-o", "out.xlsx", "--store", root)
    assert visited.status == 0 and "needs two results" in refused("quality", "estimate", "out.xlsx")
    for name in ("back.xlsx", "back.jsonl"):
        export_frame(sample.with_columns(pl.col("stratum_systems").cast(int), found=found), Path(name))
        assert run("quality", "estimate", name).out == told.out
    sample.with_columns(found=found).filter(stratum="fail").write_csv("part.csv")
    gone = refused("quality", "estimate", "part.csv")
    assert f"have {fails:,} systems together, and the sample was drawn from {systems:,}" in gone
    sample.with_columns(found=pl.lit("fine")).write_csv("odd.csv")
    assert "odd.csv, row 2" in refused("quality", "estimate", "odd.csv")
    sample.drop("stratum").write_csv("less.csv")
    assert "lacks the column stratum" in refused("quality", "estimate", "less.csv")
    assert "cannot be read" in refused("quality", "estimate", "nowhere.csv")


HEADER = "system_id,circuit_id,service,inverter_model,inverter_count,breaker_a\n"


def seen(store: Path, query: str) -> list[tuple[object, ...]]:
    with open_snapshot(Store(store)) as con:
        return con.execute(query).fetchall()


def brought(run: Run, store: Path, units: int) -> None:
    Path("rows.csv").write_text(f"{HEADER}S1,1,120/240,Larkfield U240,{units},20\n", "utf-8")
    assert run("import", "rows.csv", "--older", "--store", store).status == 0


def test_work_is_judged_by_the_specs_of_its_design_date(run: Run, refused: Refused, store: Path) -> None:
    dated = HEADER.replace("\n", ",design_date,designer\n")
    rows = "".join(f"S{n},1,120/240,Larkfield U240,{16 - n % 2},20,2015-05-0{n + 1},Bo\n" for n in range(4))
    Path("dated.csv").write_text(dated + rows, "utf-8")
    assert run("import", "dated.csv", "--store", store).status == 0
    compared = ("quality", "--outcome", "branch-unit-limit", "--store", store)
    assert "Run: auditor recheck --as-of design-date" in refused(*compared, "--rules", "then")
    assert "say then or now" in refused(*compared, "--rules", "later")
    # The first sheet allowed sixteen, today's allows fewer.
    today = run(*compared)
    assert "0 of 4 fail" not in today.out
    assert run("recheck", "--as-of", "design-date", "--store", store).status == 0
    then = run(*compared)
    assert "the specs of each design date" in then.out.splitlines()[0]
    assert "branch-unit-limit: 0 of 4 fail" in then.out
    count = today.out.partition("branch-unit-limit: ")[2].partition(" fail")[0]
    assert f"Beside it by today's rules: {count} fail." in then.out
    assert "By the specs of each design date: auditor recheck --as-of design-date" in today.out
    now = run(*compared, "--rules", "now").out.partition("\nAll of it: ")
    assert now[0] == today.out.partition("\nAll of it: ")[0]
    assert "--outcome branch-unit-limit --rules now -o" in now[2]
    # Today's figures stand beside those of then in what is written, too.
    assert run(*compared, "-o", "units.csv").out.startswith(then.out.splitlines()[0])
    (unit,) = pl.read_csv("units.csv").iter_rows(named=True)
    assert (unit["failed"], f"{unit['today_failed']} of {unit['today_judged']}") == (0, count)
    assert run(*compared, "--rules", "now", "-o", "units.csv").status == 0
    assert "today_failed" not in pl.read_csv("units.csv").columns


def test_an_action_is_verified_and_reopened_by_later_audits(run: Run, refused: Refused, store: Path) -> None:
    def state() -> tuple[str, int]:
        (action,) = actions_of(in_force(all_decisions(Store(store))))
        return action.state, action.reopened

    brought(run, store, 16)  # as many as the inverter's first sheet allowed
    about = ("--owner", "Bo [x]", "--due", "2030-01-31", "--why", "two too many today", "--store", store)
    assert "is not judged" in refused("action", "open", "S2", "--check", "branch-unit-limit", *about)
    assert "about a check that fails" in refused("action", "open", "S1", "--check", "breaker-size", *about)
    assert run("action", "open", "S1", "--check", "branch-unit-limit", *about).status == 0
    # By other rules than the store's own it would pass; such a run moves nothing.
    assert run("audit", "--as-of", "2015-01-31", "--store", store).status == 0
    assert seen(store, "SELECT branch_unit_limit_verdict::VARCHAR FROM circuit_result") == [("pass",)]
    assert state() == ("open", 0)
    why = ("--why", "a unit moved to another branch", "--store", store)
    assert run("action", "answer", "1", *why).status == 0
    assert run("action", "accept", "1", *why).status == 0
    listed = run("action", "list", "--store", store)
    assert "evidence accepted" in listed.out
    assert "Bo [x]" in listed.out
    brought(run, store, 10)
    assert state() == ("verified", 0)
    brought(run, store, 16)
    assert state() == ("reopened", 1)
    assert run("action", "list", "--all", "-o", "actions.csv", "--store", store).status == 0
    assert pl.read_csv("actions.csv")["state"].to_list() == ["reopened"]
    assert "no corrective action 9" in refused("action", "reopen", "9", *why)
    shown = run("action", "show", "1", "--store", store).out.splitlines()
    steps = [line.split("  ")[2].partition(",")[0] for line in shown[1:]]
    assert steps == ["open", "answered", "evidence accepted", "verified", "reopened"]
    assert shown[4].endswith("verified, by run 3: branch-unit-limit passes in run 3")
    assert "no corrective action 9" in refused("action", "show", "9", "--store", store)

"""The quality page by the rules of then and now, what it says of each planted designer, and its corrective actions."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from dash import Dash
from test_quality_parts import words

from auditor.catalog import load_catalog
from auditor.compare.recheck import recheck
from auditor.compare.rules import Rules
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.reports.cases import Sides, sides
from auditor.reports.quality import field_sample
from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from dashboard.context import Context
from dashboard.pages import quality, quality_actions, quality_visits
from dashboard.pages.quality_address import Asked
from dashboard.snapshots import Snapshots

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
FIELDS = {"who": "Ada", "owner": "Bo", "due": "2999-01-31", "why": "two units too many"}
#: What the page says of each planted kind, and what it must not say.
SAID = {
    "worse": (r"^More fail than its case mix explains: \d+ of \d+ fail", "since"),
    "looks worse": (r"^Looks worse \(38% against 8%\), and its case mix explains it", "More fail"),
    "improved": (
        r"^More fail than its case mix .* Better since 2019: 0\.\d times .* [23]\.\d times before\.$",
        "Worse",
    ),
    "alike": (r"^No evidence that it differs: 4 of 30 fail", "case mix explains it"),
}


def test_the_page_says_of_each_planted_designer_what_was_planted(context: Context) -> None:
    said = words(quality.layout(context, "", ""))
    with (SAMPLE / "expected_designers.csv").open(encoding="utf-8", newline="") as file:
        planted = list(csv.DictReader(file))
    for row in planted:
        told = re.search(rf'unit={row["designer"]}".*?aria-hidden": "true"}}.*?}}, "([^"]+)"', said)
        assert told is not None
        must, never = SAID[row["said"]]
        assert re.search(must, told[1]), told[1]
        assert never not in told[1]
    assert "not stated" in said


@pytest.fixture(scope="module")
def dated(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Four systems that keep to the specs of their design date and not to today's, but for one without a date."""
    store = Store(tmp_path_factory.mktemp("dated") / "store")
    store.create()
    rows = "system_id,circuit_id,service,inverter_model,inverter_count,breaker_a,design_date,designer\n"
    rows += "".join(
        f"S{n},1,120/240,Larkfield U240,16,20,{'' if n == 3 else f'2015-05-0{n + 1}'},Bo\n" for n in range(4)
    )
    path = store.root.with_suffix(".csv")
    path.write_text(rows, "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        publish(con, store, load_catalog([SAMPLE / "catalog"]), load_policy(None), date(2026, 1, 31))
    return store


@pytest.fixture
def of_dated(dated: Store) -> Iterator[Context]:
    context = Context(dated, Snapshots(dated))
    yield context
    context.snapshots.close()


def by_design_date(rules: Rules) -> Rules:
    return Rules(rules.catalog, rules.policy.model_copy(update={"specs_of": "design date"}), rules.as_of)


def test_work_is_judged_by_its_design_date_where_that_was_done(of_dated: Context) -> None:
    search, store = "?outcome=branch-unit-limit", of_dated.store
    said = words(quality.layout(of_dated, "", search))
    assert "This page judges by today's specs. " in said
    assert "Judge it by design dates" in said
    assert "Beside it" not in said
    closed = Context(store, of_dated.snapshots, upload=False)
    assert "auditor recheck --as-of design-date --run 1" in words(quality.layout(closed, "", search))
    # Another catalog or day makes no side: what would differ is not the design date alone.
    recheck(store, change=lambda r: Rules(r.catalog, by_design_date(r).policy, date(2020, 1, 31)))
    assert sides(store, 1) == Sides(None, 1)
    recheck(store, change=by_design_date)
    assert sides(store, 1) == Sides(3, 1)
    then = words(quality.layout(of_dated, "", search))
    assert "By the specs of each design date: " in then
    assert "0 of 3 fail; 1 more are unknown and do not count. " in then
    assert "Beside it, by today's specs: " in then
    assert "4 of 4 fail, 0 unknown. " in then
    assert "1 system has no design date" in then
    assert "This page judges" not in then
    now = words(quality.layout(of_dated, "", f"{search}&rules=now"))
    assert "By today's specs: " in now
    assert "4 of 4 fail; 0 more are unknown" in now
    assert "Beside it, by the specs of each design date: " in now
    # A newer re-check of the same rules takes its place.
    recheck(store, change=by_design_date)
    assert sides(store, 1) == Sides(4, 1)
    assert sides(store, 4) == Sides(4, None)


def test_actions_are_opened_on_what_fails_and_moved_on(of_dated: Context) -> None:
    asked = "?outcome=branch-unit-limit"
    with of_dated.snapshots.cursor() as con:
        told = quality_actions.opened(of_dated, con, ["S0", "S1"], "branch-unit-limit", FIELDS)
        assert told == "2 actions opened: 1, 2. Owner Bo, due 2999-01-31."
        for systems, check, what in ((["S2", "S9"], "branch-unit-limit", "S9: .* not judged"),
                                     (["S2", "S1"], "branch-unit-limit", "Action 2 is about .* of S1 already"),
                                     (["S2"], "breaker-size", "an action is about a check that fails"),
                                     (["S2"], "no-check", "not judged")):  # fmt: skip
            with pytest.raises(AuditorError, match=what):
                quality_actions.opened(of_dated, con, systems, check, FIELDS)
    assert len(all_decisions(of_dated.store)) == 2
    steps = {"who": "Bo", "why": "a unit moved"}
    assert quality_actions.stepped(of_dated, "1", "action-answer", steps) == "Action 1 is answered."
    assert quality_actions.stepped(of_dated, "1", "action-accept", steps) == "Action 1 is evidence accepted."
    assert quality_actions.stepped(of_dated, "1", "undo", steps) == "The last step of action 1 was taken back."
    assert quality_actions.stepped(of_dated, "1", "action-reopen", steps) == "Action 1 is reopened."
    with pytest.raises(AuditorError, match="no corrective action 7"):
        quality_actions.stepped(of_dated, "7", "action-answer", steps)
    said = words(quality.corrective(of_dated, f"{asked}&action=1"))
    for sentence in ("Action 1: branch-unit-limit of S0, reopened", "“evidence accepted” taken back", "31 to 90 days",
                     "by designer and age",
                     "4 systems fail", "Choose S2", "1 of 2 came back"):  # fmt: skip
        assert sentence in said, sentence
    assert "Choose S0" not in said
    assert "There is no action 9 here" in words(quality.corrective(of_dated, f"{asked}&action=9"))
    # Those of another unit are left out where one is picked.
    assert "No corrective action was opened" in words(quality.corrective(of_dated, f"{asked}&unit=Ada"))
    assert "An action is about one check" in words(quality.corrective(of_dated, "?outcome=verdict"))
    closed = Context(of_dated.store, of_dated.snapshots, upload=False)
    assert "auditor action open SYSTEM --check branch-unit-limit" in words(quality.corrective(closed, asked))
    with pytest.raises(AuditorError, match="takes no decisions"):
        quality_actions.stepped(closed, "1", "action-answer", steps)


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ({}, {}),
        ({"who": " "}, {"who": "Say who"}),
        ({"owner": None}, {"owner": "needs an owner"}),
        ({"due": "31.1.2030"}, {"due": "31.1.2030: write the due date as year-month-day"}),
        ({"due": "2026-01-30"}, {"due": "That day is past"}),
        ({"due": None, "why": ""}, {"due": "No date: write", "why": "needs its reason"}),
    ],
)
def test_what_is_wrong_is_said_at_its_field(given: dict[str, str | None], wrong: dict[str, str]) -> None:
    told = quality_actions.opening_errors(FIELDS | given, ["S1"], date(2026, 1, 31))
    assert told.keys() == wrong.keys()
    assert all(text in told[name] for name, text in wrong.items())
    assert quality_actions.opening_errors(FIELDS, [], date(2026, 1, 31)).keys() == {"systems"}


def test_the_field_sample_is_planned_on_the_page_and_downloaded(context: Context, app: Dash) -> None:
    said = words(quality.to_visit(context, "?visits=30&seed=7"))
    with context.snapshots.cursor() as con:
        sample = field_sample(con, 30, 7)
    # As many of each desk verdict as the list has, and the chance that the list states.
    for stratum, chance, drawn in (
        sample.group_by("stratum").agg(pl.col("chance").first(), pl.len()).iter_rows()
    ):  # fmt: skip
        row = re.search(rf'"{stratum}", "className": "".*?"Tr"', said)
        assert row is not None
        assert f'"{drawn}"' in row[0]
        assert f'"{chance:.3g}"' in row[0]
    assert "/export/visits.csv?visits=30&seed=7" in said
    client = app.server.test_client()
    got = client.get("/export/visits.csv?visits=30&seed=7")
    assert got.status_code == 200
    assert pl.read_csv(got.data, infer_schema=False)["system_id"].to_list() == sample["system_id"].to_list()
    assert client.get("/export/visits.csv?visits=3&seed=7").status_code == 409
    assert client.get("/export/visits.csv?visits=many&seed=7").status_code == 400
    assert "3 visits are too few" in words(quality.to_visit(context, "?visits=3"))
    asked = Asked(visits="30")
    found = quality_visits.asked_of_fields("12", "9", asked)
    assert found == (Asked(visits="12", seed="9"), {"visits": "", "seed": ""})
    found = quality_visits.asked_of_fields("ten", " 1", asked)
    assert found == (asked, {"visits": "Write a whole number.", "seed": ""})

"""The quality page without a browser: its address, what it shows of actions, and hostile names."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from dash import no_update
from dash.development.base_component import Component

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.decisions import append
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from dashboard.context import Context
from dashboard.pages import quality, quality_parts
from dashboard.pages.parts import key
from dashboard.pages.quality_address import Asked, asked_of
from dashboard.snapshots import Snapshots

OUTCOMES = ("voltage-rise", "verdict")
REGIONS = ("North & West",)
SAMPLE = Path(__file__).parents[2] / "sample_portfolio" / "catalog"


def words(component: Component) -> str:
    """Everything a component says, as JSON."""
    return json.dumps(component.to_plotly_json(), default=lambda o: o.to_plotly_json(), ensure_ascii=False)


@pytest.mark.parametrize(
    "asked",
    [
        Asked(),
        Asked("crew", "verdict", "North & West", "A&B=1 ü", "now", "12", "30", "7"),
        Asked(unit=""),
        Asked(by="year", unit="2019"),
    ],
    ids=["default", "all", "not stated", "year"],
)
def test_an_address_says_it_all(asked: Asked) -> None:
    assert asked_of(asked.address, OUTCOMES, REGIONS) == (asked, ())


def test_what_is_not_understood_is_said() -> None:
    wrong = "?by=boss&outcome=luck&unit=Bo&rank=1&region=Elsewhere&rules=ours&action=x"
    asked, notes = asked_of(wrong, OUTCOMES, REGIONS)
    assert asked == Asked(unit="Bo")
    assert len(notes) == 6


def test_a_choice_becomes_an_address() -> None:
    asked = Asked(unit="Bo")
    assert quality.after(asked, "designer", "verdict", None, "", None) == "?outcome=verdict&unit=Bo"
    assert quality.after(asked, "crew", "voltage-rise", key(None), "", None) == "?by=crew"
    assert quality.after(asked, "designer", "voltage-rise", key(None), "now", None) == "?unit=Bo&rules=now"
    north = quality.after(asked, "designer", "voltage-rise", key("North & West"), "", None)
    assert north == "?region=North+%26+West&unit=Bo"
    assert quality.after(asked, "designer", "voltage-rise", key(None), "", None) is no_update
    for value, address in (("Ö & co", "?unit=%C3%96+%26+co"), (None, "?unit=")):
        click = {"points": [{"customdata": [key(value)]}]}
        assert quality.after(Asked(), "designer", "voltage-rise", None, "", click) == address


@pytest.fixture
def acting(store: Store, tmp_path: Path) -> Iterator[Context]:
    """The sample's snapshot with decisions of its own."""
    own = Store(tmp_path / "own")
    own.root.mkdir()
    for name in ("originals", "snapshots"):
        (own.root / name).symlink_to(store.root / name)
    context = Context(own, Snapshots(own))
    yield context
    context.snapshots.close()


def test_actions_are_shown_with_who_and_when(acting: Context) -> None:
    assert "No corrective action was opened" in words(quality.corrective(acting, ""))
    for due in ("2020-01-31", "2999-01-31"):
        about = {"system": f"<b>{due}</b>", "check": "busbar", "owner": "Bo", "due": due}
        append(acting.store, "action", about, "why", "Ada")
    said = words(quality.corrective(acting, ""))
    assert "2020-01-31, overdue" in said
    assert "2999-01-31, overdue" not in said
    assert "/system/%3Cb%3E2020-01-31%3C%2Fb%3E" in said


@pytest.mark.parametrize("outcome", ["busbar", "trips:most weeks", "part-rise"])
def test_every_kind_of_outcome_has_a_page(context: Context, outcome: str) -> None:
    said = words(quality.layout(context, "", Asked("crew", outcome, "Tallis Isles", "Tallis 1").address))
    assert "Corrective actions" in said
    assert "NaN" not in said


def test_names_stand_in_charts_without_markup(context: Context) -> None:
    with context.snapshots.cursor() as con:
        run = quality.queries.run_of(con, context.store)
    found = quality.queries.comparison(run, "designer", "voltage-rise")
    hostile = found.units.with_columns(value=found.units["value"] + "<img src=x>$x$")
    part = quality_parts.funnel(type(found)(**{**found.__dict__, "units": hostile}), [key(v) for v in hostile["value"]])
    figure = json.dumps(part.children[2].children.figure.to_plotly_json(), default=str)
    assert "<img" not in figure
    assert "$" not in figure


#: Odd portfolios: designer and units of each circuit (the catalog's limit is between 10 and 18), and what is said.
ODD = {
    "no system": ([], ["No case has a verdict: nothing can be said of designers."]),
    "all unknown": ([("Bo", ""), ("Ada", "")] * 3, ["No case has a verdict", "every verdict is unknown"]),
    "one designer": ([("Bo", 18), ("Bo", 10), (" ", 10)], ["One of the designers alone is named", "not stated"]),
    "misspelt": (
        [("Corvane", 18), ("Corvan", 10), ("corvane", 10), ("Bo", 10)],
        ["3 pairs of names may be one", "“Corvan” (1 judged) and “Corvane” (1)", "Too few cases to tell"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", ODD)
def test_odd_portfolios_have_a_page(own: Store, context_of_own: Context, kind: str) -> None:
    own.create()
    cases, told = ODD[kind]
    rows = "system_id,circuit_id,service,inverter_model,breaker_a,designer,inverter_count\n"
    rows += "".join(f"S{n},1,120/240,Larkfield U240,20,{who},{count}\n" for n, (who, count) in enumerate(cases))
    path = own.root.with_suffix(".csv")
    path.write_text(rows, "utf-8")
    with own.locked("import"), open_records(own) as con:
        import_file(con, own, path, imported_on="2026-01-31")
        publish(con, own, load_catalog([SAMPLE]), load_policy(None), date(2026, 1, 31))
    said = words(quality.layout(context_of_own, "", "?outcome=branch-unit-limit"))
    for sentence in told:
        assert sentence in said
    assert not re.search(r"NaN|\bnan\b|\binf\b|Infinity", said)
    context_of_own.snapshots.close()

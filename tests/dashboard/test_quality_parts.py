"""The quality page without a browser: its address, what it shows of actions, and hostile names."""

from __future__ import annotations

import json
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
    return json.dumps(component.to_plotly_json(), default=lambda o: o.to_plotly_json())


@pytest.mark.parametrize(
    "asked",
    [Asked(), Asked("crew", "verdict", "North & West", "A&B=1 ü"), Asked(unit=""), Asked(by="year", unit="2019")],
    ids=["default", "all", "not stated", "year"],
)
def test_an_address_says_it_all(asked: Asked) -> None:
    assert asked_of(asked.address, OUTCOMES, REGIONS) == (asked, ())


def test_what_is_not_understood_is_said() -> None:
    asked, notes = asked_of("?by=boss&outcome=luck&unit=Bo&rank=1&region=Elsewhere", OUTCOMES, REGIONS)
    assert asked == Asked(unit="Bo")
    assert len(notes) == 4


def test_a_choice_becomes_an_address() -> None:
    asked = Asked(unit="Bo")
    assert quality.after(asked, "designer", "verdict", None, None) == "?outcome=verdict&unit=Bo"
    assert quality.after(asked, "crew", "voltage-rise", key(None), None) == "?by=crew"
    assert (
        quality.after(asked, "designer", "voltage-rise", key("North & West"), None) == "?region=North+%26+West&unit=Bo"
    )
    assert quality.after(asked, "designer", "voltage-rise", key(None), None) is no_update
    for value, address in (("Ö & co", "?unit=%C3%96+%26+co"), (None, "?unit=")):
        click = {"points": [{"customdata": [key(value)]}]}
        assert quality.after(Asked(), "designer", "voltage-rise", None, click) == address


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
    assert "No corrective action was opened" in words(quality.corrective(acting))
    for due in ("2020-01-31", "2999-01-31"):
        about = {"system": f"<b>{due}</b>", "check": "busbar", "owner": "Bo", "due": due}
        append(acting.store, "action", about, "why", "Ada")
    said = words(quality.corrective(acting))
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


@pytest.mark.parametrize("count", [0, 1, 2])
def test_a_few_circuits_have_a_page(own: Store, context_of_own: Context, count: int) -> None:
    own.create()
    rows = "system_id,circuit_id,service,inverter_model,inverter_count,breaker_a\n"
    rows += "".join(f"S{n},1,120/240,Larkfield U240,{18 - 8 * n},20\n" for n in range(count))
    path = own.root.with_suffix(".csv")
    path.write_text(rows, "utf-8")
    with own.locked("import"), open_records(own) as con:
        import_file(con, own, path, imported_on="2026-01-31")
        publish(con, own, load_catalog([SAMPLE]), load_policy(None), date(2026, 1, 31))
    said = words(quality.layout(context_of_own, "", "?outcome=branch-unit-limit"))
    told = ("No case has a verdict", "All of 1 fail: no evidence", "No evidence that designers differ")
    assert told[count] in said
    assert "NaN" not in said

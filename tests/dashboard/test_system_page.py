"""The system page without a browser: what it says, what its address chooses, and what it never lets through."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import plotly.utils
import pytest
from dash import no_update
from dash.development.base_component import Component

from auditor.catalog import load_catalog
from auditor.errors import AuditorError
from auditor.one_system import Case, load
from auditor.one_system.what_if import Change
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.records_db import open_records
from dashboard import figures_system
from dashboard.context import Context
from dashboard.filters import View, parse
from dashboard.pages import system, system_findings, system_profile, system_whatif
from dashboard.pages.system_address import address, choice_of, place, supply_of
from dashboard.queries import system as queries
from dashboard.snapshots import Snapshots

SAMPLE = Path(__file__).parents[2] / "sample_portfolio"
SampleStore = tuple[Store, dict[str, Imported]]
MARKUP = "<img src=x onerror=alert(1)>"
MATHS = "$\\href{javascript:alert(1)}{x}$"
ODD = "a/b?c#d %41"


@pytest.fixture(scope="module")
def context(sample_store: SampleStore) -> Iterator[Context]:
    snapshots = Snapshots(sample_store[0])
    yield Context(sample_store[0], snapshots)
    snapshots.close()


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Context]:
    """A store of systems whose every text is an attack, that say nothing, or that have many circuits."""
    root = tmp_path_factory.mktemp("odd")
    store = Store(root / "store")
    store.create()
    shutil.copyfile(SAMPLE / "catalog" / "equipment.toml", store.catalog / "equipment.toml")
    header = "system_id,circuit_id,site_label,region,service,inverter_model,inverter_count,trunk_model,feed,combiner_id"
    header += ",orientation,home_run_length_m,home_run_size,home_run_material,feeder_length_m,service_entrance_length_m"
    rows = [
        f"{MARKUP},{MATHS},{MARKUP},{MARKUP},120/240,Larkfield U240,4,Larkfield TC-2,end,{MARKUP}"
        ",portrait,9,10 AWG,cu,0,0",
        f"{ODD},1,{MATHS},y,{MARKUP},{MARKUP},7,{MARKUP},end,,,,,,,",
        "EMPTY,1" + "," * 14,
        *(f"MANY,{n},x,y,120/240,Larkfield U240,12,Larkfield TC-2,centre,,,,,,," for n in range(1, 21)),
    ]
    (root / "odd.csv").write_text("\n".join([header, *rows]) + "\n", "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, root / "odd.csv", imported_on="2026-01-31")
        publish(con, store, load_catalog([store.catalog]), load_policy())
    snapshots = Snapshots(store)
    yield Context(store, snapshots)
    snapshots.close()


def case_of(context: Context, system_id: str) -> Case:
    with context.snapshots.cursor() as con:
        return load(con, system_id)


def ids(context: Context, condition: str) -> list[str]:
    with context.snapshots.cursor() as con:
        query = f"SELECT system_id FROM system_result WHERE {condition} ORDER BY system_id"
        return [row[0] for row in con.execute(query).fetchall()]


def shown(component: Any) -> str:
    if not isinstance(component, Component):
        return ""
    return json.dumps(component.to_plotly_json(), cls=plotly.utils.PlotlyJSONEncoder, ensure_ascii=False)


@pytest.mark.parametrize("condition", ["verdict = 'fail'", "verdict = 'unknown'", "verdict = 'pass'"])
def test_a_page_has_every_section(context: Context, condition: str) -> None:
    for system_id in ids(context, condition)[:3]:
        text = shown(system.layout(context, system_id, ""))
        for heading in ("Findings", "The path as recorded", "Voltage along the path", "What if", "Facts", "Records"):
            assert heading in text
        assert "Trunk connectors are not load-break" in text
        assert f'"/system/{quote(system_id, "")}"' not in text, "the neighbours are other systems"


def test_safety_comes_first_in_the_answer(context: Context) -> None:
    seen = 0
    with context.snapshots.cursor() as con:
        for system_id in ids(context, "fails > 1")[:25]:
            lines = system_findings.answer(queries.findings(con, system_id))
            assert lines == sorted(lines, key=lambda line: ["fail", "unknown", "pass"].index(line[0]))
            fails = [text.startswith("Suspected safety") for verdict, text in lines if verdict == "fail"]
            assert fails == sorted(fails, reverse=True)
            seen += sum(fails)
    assert seen


def test_a_pass_says_so(context: Context) -> None:
    with context.snapshots.cursor() as con:
        lines = system_findings.answer(queries.findings(con, ids(context, "verdict = 'pass'")[0]))
    assert lines == [("pass", "Passes every check that applies, as far as its records go.")]


def test_a_failing_margin_is_below_zero(context: Context) -> None:
    """A system for each check that fails, over its limit and under it."""
    with context.snapshots.cursor() as con:
        kinds = con.execute(
            """SELECT "check", min(system_id) FROM judged WHERE verdict = 'fail' GROUP BY "check", value > "limit" """
        ).fetchall()
        rows = [
            row
            for system_id in sorted({system_id for _, system_id in kinds})
            for row in queries.findings(con, system_id).iter_rows(named=True)
        ]
    assert {row["check"] for row in rows if row["verdict"] == "fail"} == {check for check, _ in kinds}
    margins = {system_findings._margin(row)[0] for row in rows if row["verdict"] == "fail"}
    assert margins <= {"−", "–"}


def test_an_unknown_id_is_said_and_near_ones_are_offered(context: Context) -> None:
    known = ids(context, "true")[0]
    text = shown(system.layout(context, known + "x", ""))
    assert "There is no such system" in text
    assert f"/system/{known}" in text


def test_no_imported_text_becomes_markup_in_figures(odd: Context) -> None:
    assert MARKUP in shown(system.layout(odd, MARKUP, "")), "as plain text it is shown"
    case = case_of(odd, MARKUP)
    assert case.top_profile.grids.keys() == {MATHS}
    for figure in (
        figures_system.profile_figure(case.top_profile, MATHS),
        figures_system.parts_figure(case.top_profile, {MATHS: 2.0}, MATHS),
    ):
        drawn = json.dumps(figure.to_plotly_json()["data"], cls=plotly.utils.PlotlyJSONEncoder)
        drawn += json.dumps(figure.layout.to_plotly_json(), cls=plotly.utils.PlotlyJSONEncoder)
        assert "circuit href" in drawn
        assert not any(mark in drawn for mark in ("<", "$", "{x}")), drawn


def test_ids_that_a_path_cannot_hold_and_empty_systems_have_pages(odd: Context) -> None:
    assert ODD in shown(system.layout(odd, ODD, ""))
    text = shown(system.layout(odd, "EMPTY", ""))
    assert "not recorded" in text
    assert "The voltage at the units is not known." in text


def test_circuits_stand_in_the_order_people_count(odd: Context) -> None:
    assert place(case_of(odd, "MANY"))["circuits"] == [str(n) for n in range(1, 21)]


def test_the_address_holds_what_differs_from_the_default(context: Context) -> None:
    case = case_of(context, ids(context, "circuits > 2 AND verdict = 'pass'")[0])
    at = place(case)
    other = next(c for c in at["circuits"] if c != at["circuit"])
    asked_v = at["supply_v"] - 5
    assert address("", at, at["circuit"], at["supply_v"]) == ""
    there = address("?region=x", at, other, asked_v)
    assert there == f"?region=x&circuit={other}&supply_v={asked_v:g}"
    choice, notes = choice_of(case, there)
    assert (choice.circuit, choice.supply_v, notes) == (other, asked_v, [])
    assert address(there, at, at["circuit"], at["supply_v"]) == "?region=x"
    assert system_profile.after_address(there, at, at["circuit"], at["supply_v"]) == (other, asked_v)
    assert system_profile.after_address(there, at, other, asked_v) == (no_update, no_update)


def test_what_an_address_cannot_have_is_told(context: Context) -> None:
    case = case_of(context, ids(context, "circuits > 2 AND verdict = 'pass'")[0])
    choice, notes = choice_of(case, "?circuit=none-such&supply_v=1e9")
    assert (choice.circuit, choice.supply_v) == (place(case)["circuit"], None)
    assert len(notes) == 2
    assert address("", place(case), None, 1e9) == ""
    for text in ("nan", "inf", "x", "-5"):
        with pytest.raises(AuditorError, match="supply voltage"):
            supply_of(case, text)


def test_a_control_moves_the_voltages(context: Context) -> None:
    system_id = ids(context, "terminal_voltage_verdict = 'pass' AND circuits > 1")[0]
    at = place(case_of(context, system_id))
    for supply_v in (at["supply_v"], at["supply_v"] - 10):
        text = "".join(map(shown, system_profile.after_controls(context, at, at["circuit"], supply_v)))
        assert f"With {supply_v:.1f} V at the point of common coupling" in text


def test_what_if_answers_or_says_what_is_wrong(context: Context) -> None:
    system_id = ids(context, "voltage_rise_verdict = 'pass' AND circuits > 1 AND starts_with(system_id, 'Q')")[0]
    circuit = place(case_of(context, system_id))["circuit"]
    fields = ["home_run_length_m", "home_run_size", "feed"]
    changes = system_whatif.changes_of(fields, ["300 ft", "", None], circuit)
    assert changes == [Change("home_run_length_m", "300 ft", circuit)]
    assert "Voltage rise in the wiring" in shown(system_whatif.worked_out(context, system_id, changes))
    every = system_whatif.changes_of(fields, ["x", "", None], system_whatif.EVERY)
    assert "is not a length" in shown(system_whatif.worked_out(context, system_id, every))
    assert "at least one thing" in shown(system_whatif.worked_out(context, system_id, []))


def test_neighbours_follow_the_list(context: Context) -> None:
    listed = ids(context, "true")
    view = View(parse("")[0].filters, (("system_id", False),))
    with context.snapshots.cursor() as con:
        before, after = queries.neighbours(con, view, listed[1])
        assert {before, after} <= set(listed) and before != after
        assert queries.neighbours(con, view, str(after))[0] == listed[1]
        assert queries.neighbours(con, view, "none-such") == (None, None)


def test_conflicts_and_refused_rows_are_told(context: Context) -> None:
    with context.snapshots.cursor() as con:
        system_id = con.execute("SELECT system_id FROM conflict ORDER BY system_id").fetchall()[0][0]
        assert queries.conflicts(con, system_id).height > 0
        # A refused cell names no system: it is shown beside the systems whose rows stand next to it.
        file, row = con.execute("SELECT import_id, row_number FROM reject ORDER BY ALL LIMIT 1").fetchall()[0]
        query = "SELECT system_id FROM circuit WHERE import_id = ? AND source_row = ?"
        beside = con.execute(query, [file, row - 1]).fetchall()
        assert queries.refused_beside(con, beside[0][0]).height > 0
    assert "disagrees in" in shown(system.layout(context, system_id, ""))

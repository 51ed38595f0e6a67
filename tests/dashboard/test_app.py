"""The app over stores that are empty, replaced or not there, its callbacks without a browser, and downloads."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from dash import Dash, no_update
from dash.development.base_component import Component

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from auditor.store.snapshot import drop_old
from dashboard import exporting, figures, grid, shell
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.filters import Filters, View, query_string
from dashboard.guard import Access
from dashboard.pages import page_of, parts, parts_trips, portfolio
from dashboard.snapshots import Snapshots

HEADER = "system_id,circuit_id,site_label,designer,service,inverter_model,inverter_count,breaker_a\n"


def words(component: Component) -> str:
    """Everything a component says, as JSON."""
    return json.dumps(component.to_plotly_json(), default=lambda o: o.to_plotly_json())


def published(store: Store, text: str) -> None:
    """Import rows and publish the audit."""
    path = store.root.with_suffix(".csv")
    path.write_text(HEADER + text, "utf-8")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        publish(con, store, load_catalog(), load_policy(None), date(2026, 1, 31))


@pytest.fixture
def own(tmp_path: Path) -> Store:
    store = Store(tmp_path / "store")
    store.create()
    return store


def test_a_store_that_is_not_there_says_what_to_do(tmp_path: Path) -> None:
    context = Context(Store(tmp_path / "none"), Snapshots(Store(tmp_path / "none")))
    said = words(shell.page_for(context, "/", ""))
    assert "Nothing to show yet" in said
    assert "auditor import FILE --store" in said
    assert shell.run_shown(context) == (None, "")
    assert shell.newer_run(context, None) is no_update


def test_a_store_without_an_audit_says_what_to_do(own: Store) -> None:
    context = Context(own, Snapshots(own))
    said = words(shell.page_for(context, "/", ""))
    assert "auditor audit --store" in said
    assert create_app(own, access=Access()).server.test_client().get("/export/systems.csv").status_code == 409


def test_one_system_and_none_at_all_make_a_page(own: Store) -> None:
    published(own, "S1,1,Only one,Ilse,120/240,Unheard of,12,20\n")
    context = Context(own, Snapshots(own))
    assert "1 system, 1 branch circuit" in words(shell.page_for(context, "/", ""))
    assert "0 systems of 1" in words(shell.page_for(context, "/", "?designer=Nobody"))


def test_the_snapshot_is_replaced_under_a_running_app(own: Store) -> None:
    published(own, "S1,1,First,Ilse,120/240,Unheard of,12,20\n")
    context = Context(own, Snapshots(own))
    assert "1 system," in words(portfolio.layout(context, "", ""))
    with context.snapshots.cursor() as held:
        published(own, "S2,1,Second,Tevin,120/240,Unheard of,12,20\n")
        assert held.execute("SELECT count(*) FROM shown").fetchall() == [(1,)]
        assert "2 systems," in words(portfolio.layout(context, "", ""))
        assert context.snapshots.open_runs() == [1, 2]
    assert context.snapshots.open_runs() == [2]
    own.current.write_text("audit-0001.duckdb\n", "utf-8")
    assert "1 system," in words(portfolio.layout(context, "", ""))
    assert context.snapshots.open_runs() == [1]
    own.current.write_text("audit-0002.duckdb\n", "utf-8")
    drop_old(own, 1)
    assert "2 systems," in words(portfolio.layout(context, "", ""))
    context.snapshots.close()


def test_a_snapshot_of_an_older_version_says_so(own: Store) -> None:
    published(own, "S1,1,First,Ilse,120/240,Unheard of,12,20\n")
    import duckdb

    with duckdb.connect(str(own.snapshots / "audit-0001.duckdb")) as con:
        con.execute("DROP TABLE shown")
    assert "made by an older version" in words(shell.page_for(Context(own, Snapshots(own)), "/", ""))


def test_apps_in_one_process_share_nothing(own: Store, app: Dash) -> None:
    published(own, "S1,1,First,Ilse,120/240,Unheard of,12,20\n")
    other = create_app(own, access=Access())
    rows = [len(a.server.test_client().get("/export/systems.csv").text.splitlines()) for a in (app, other)]
    assert rows[0] > rows[1] == 2


def test_addresses_and_their_pages() -> None:
    assert page_of("/") == (portfolio.PAGE, "")
    found = page_of("/system/A%2F1%20%C3%A4")
    assert found is not None
    assert (found[0].name, found[1]) == ("system", "A/1 ä")
    assert page_of("/nowhere") is None


def test_an_error_in_a_page_is_a_page(context: Context, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "answer", lambda con, view: 1 / 0)
    assert "could not be made" in words(shell.page_for(context, "/", ""))


def test_a_pick_puts_a_value_in_force_and_lifts_it() -> None:
    source = {"pick": "answer", "name": "check", "value": parts.key("voltage-rise")}
    once = portfolio.after_pick("", source, None)
    assert once == "?check=voltage-rise"
    assert portfolio.after_pick(once, source, None) == ""
    click = {"points": [{"customdata": ["year", parts.key(2015)]}]}
    assert portfolio.after_pick("?sort=region", None, click) == "?year=2015&sort=region"
    assert portfolio.after_pick("?year=2015&text=x", {"pick": "clear", "name": "", "value": ""}, None) == ""
    assert portfolio.after_pick("?text=x", {"pick": "chip", "name": "text", "value": parts.key("x")}, None) == ""


def test_keys_survive_any_text() -> None:
    for text in (None, "", "none", "a.b", '{"x":1}', "<b>é</b>", "’; --"):
        assert parts.value_of("designer", parts.key(text)) == text


def test_the_form_keeps_what_it_does_not_hold() -> None:
    empty = [[] for _ in portfolio.LISTS]
    kept = portfolio.after_form("?fact=feed&rise=2..3", "roof", empty, ["model", None])
    assert kept == "?fact=feed&rise=2..3&text=roof&by=model"
    assert portfolio.after_form("?fact=feed", "", empty, ["year", "utility"]) is no_update


def test_a_new_sort_alone_leaves_the_charts(context: Context) -> None:
    shown = portfolio._shown(View())
    assert "figures" not in portfolio.followed(context, "?sort=fails", shown)
    changed = portfolio.followed(context, "?verdict=fail", shown)
    assert len(changed["figures"]) == len(portfolio.CHARTS)


def test_the_grid_gets_rows_and_puts_its_sort_in_the_address(context: Context) -> None:
    request = {"startRow": 0, "endRow": 100, "filterModel": {}, "sortModel": [{"colId": "fails", "sort": "desc"}]}
    answer, search = grid.answered(context, request, "?verdict=fail")
    assert answer["rowCount"] >= len(answer["rowData"]) > 0
    assert search == "?verdict=fail&sort=-fails"
    assert {row["verdict"] for row in answer["rowData"]} == {"fail"}
    same = grid.answered(context, request, search)
    assert same[1] is no_update


def test_a_download_is_what_the_table_shows(app: Dash, context: Context) -> None:
    view = View(Filters(verdict=("fail",)), (("fails", True), ("region", False)))
    answer = app.server.test_client().get("/export/systems.csv" + query_string(view))
    assert answer.headers["Content-Disposition"] == 'attachment; filename="systems-run-0001.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    request = {"startRow": 0, "endRow": 500, "filterModel": {}, "sortModel": grid_sort(view)}
    shown = grid.answered(context, request, query_string(view))[0]
    assert [row["system_id"] for row in rows] == [row["system_id"] for row in shown["rowData"]]
    for row, other in zip(rows, shown["rowData"], strict=True):
        assert row["designer"] == (other["designer"] or "")
        assert float(row["worst_rise_pct"] or "nan") == pytest.approx(
            other["worst_rise_pct"] or float("nan"), nan_ok=True
        )


def grid_sort(view: View) -> list[dict[str, str]]:
    return [{"colId": name, "sort": "desc" if down else "asc"} for name, down in view.sort]


def test_a_workbook_holds_as_many_rows(app: Dash, store: Store) -> None:
    answer = app.server.test_client().get("/export/systems.xlsx?verdict=unknown")
    book = zipfile.ZipFile(io.BytesIO(answer.data))
    sheet = book.read("xl/worksheets/sheet1.xml").decode()
    csv_rows = app.server.test_client().get("/export/systems.csv?verdict=unknown").text.splitlines()
    assert sheet.count("<row ") == len(csv_rows)
    assert "<f>" not in sheet


def test_a_download_leaves_no_file_behind(app: Dash, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    app.server.test_client().get("/export/systems.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_download_refuses_what_it_cannot_do(app: Dash, monkeypatch: pytest.MonkeyPatch) -> None:
    asking = app.server.test_client()
    assert asking.get("/export/systems.pdf").status_code == 404
    wrong = asking.get("/export/systems.csv?verdict=perhaps")
    assert (wrong.status_code, "not understood" in wrong.text) == (400, True)
    monkeypatch.setitem(exporting.MOST_ROWS, "xlsx", 10)
    large = asking.get("/export/systems.xlsx")
    assert large.status_code == 413
    assert "more than the 10" in large.text


def test_texts_of_a_download_are_guarded(own: Store) -> None:
    published(own, 'S1,1,"=HYPERLINK(""http://x"")",+Ilse,120/240,@model,12,20\n')
    text = create_app(own, access=Access()).server.test_client().get("/export/systems.csv").text
    row = next(csv.DictReader(io.StringIO(text)))
    assert row["site_label"].startswith("'=")
    assert row["designer"].startswith("'+")
    assert row["model"].startswith("'@")


def test_imported_text_reaches_no_figure_as_markup(own: Store) -> None:
    published(own, 'S1,1,x,"<a href=javascript:alert(1)>$x^2$&amp;</a>",120/240,<img src=x>,12,20\n')
    context = Context(own, Snapshots(own))
    with context.snapshots.cursor() as con:
        for by in ("designer", "model"):
            figure, _ = parts.group_chart(con, View(by=by))
            trips, _ = parts_trips.group_chart(con, View(trips_by=by))
            drawn = figure.to_json() + trips.to_json()
            assert not set("<>&$") & set("".join(trips.layout.yaxis.ticktext))
            assert not set("<>&$") & set("".join(figure.data[0].hovertext) + "".join(figure.layout.yaxis.ticktext))
            assert "href" not in drawn or "<a" not in drawn


def test_plain_text_is_short_and_says_something() -> None:
    assert figures.plain("<b>$x$</b>") == "bx/b"
    assert figures.plain("") == "?"
    assert len(figures.plain("x" * 90)) <= figures.LABEL_CHARACTERS


def test_charts_have_no_button_that_sends_them_away(app: Dash) -> None:
    from dashboard.components import GRAPH_CONFIG

    assert GRAPH_CONFIG["displaylogo"] is False
    assert "sendChartToCloud" in GRAPH_CONFIG["modeBarButtonsToRemove"]
    assert pl.DataFrame({"x": [1]}).height == 1

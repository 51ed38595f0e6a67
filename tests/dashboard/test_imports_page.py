"""The import page's lists over snapshots that are the sample's, older ones without the newer tables, and none."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from dataclasses import replace
from datetime import date

import duckdb
import pytest
from dash import Dash

from auditor.catalog import load_catalog
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.reports.fetching import facts_query
from auditor.store import Store
from auditor.store.decisions import all_decisions
from auditor.store.importing import import_file
from auditor.store.records_db import Connection, open_records
from dashboard import shell
from dashboard.app import create_app
from dashboard.context import Context
from dashboard.guard import Access
from dashboard.pages import imports, page_of
from dashboard.pages.imports_address import Place, chosen, place_of
from dashboard.pages.imports_duplicates import decide
from dashboard.pages.parts import key
from dashboard.queries import facts
from dashboard.queries import imports as queries
from dashboard.queries.imports import Asked
from dashboard.snapshots import Snapshots

HEADER = "system_id,circuit_id,site_label,service,inverter_count,breaker_a\n"


def said(component: object) -> str:
    return json.dumps(component, default=lambda o: o.to_plotly_json() if hasattr(o, "to_plotly_json") else str(o))


def brought(store: Store, text: str, audit: bool = True) -> Context:
    path = store.root.with_suffix(".csv")
    path.write_text(HEADER + text, "utf-8")
    store.create()
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        if audit:
            publish(con, store, load_catalog(), load_policy(None), date(2026, 1, 31))
    return Context(store, Snapshots(store))


def test_the_address_of_the_page() -> None:
    found = page_of("/import")
    assert found is not None
    assert found[0] is imports.PAGE
    assert page_of("/importance") is None


def test_what_an_address_says_is_read_back() -> None:
    place = Place("a" * 64, Asked("type-error", "Ckt & <b>", 3, "all", 2), "long-run", 4)
    assert place_of(place.address) == (place, ())
    assert Place().address == ""
    assert place_of("") == (Place(), ())


@pytest.mark.parametrize(
    "search",
    ["?upload=../x", "?upload=" + "A" * 64, "?rejects=some", "?page=0", "?page=-1", "?page=1e9", "?page=9999999",
     "?import=x", "?other=1", "?reason=" + "x" * 400, "?page=²"],
)  # fmt: skip
def test_what_an_address_cannot_mean_is_told(search: str) -> None:
    place, notes = place_of(search)
    assert place == Place()
    assert len(notes) == 1


def test_a_choice_is_put_in_force_and_lifted() -> None:
    once = chosen(Place(asked=Asked(page=3)), "reason", "type-error")
    assert once.address == "?reason=type-error"
    assert chosen(once, "reason", "type-error") == Place()
    assert chosen(once, "imported", "4").address == "?reason=type-error&import=4"
    assert chosen(once, "page", "2").address == "?reason=type-error&page=2"
    assert chosen(Place(), "state", "closed").address == "?rejects=closed"
    assert chosen(Place(), "suspicion", "x").address == "?suspicion=x"
    assert chosen(Place(), "nonsense", "x") == Place()


def raw_rejects(con: Connection) -> list[tuple[str, str, int]]:
    return [
        (code, column or "whole row", import_id)
        for code, column, import_id in con.execute('SELECT code, "column", import_id FROM reject').fetchall()
    ]


def test_rejects_are_counted_as_they_stand(con: Connection) -> None:
    rows = raw_rejects(con)
    every = Asked(state="all")
    for by, at in (("reason", 0), ("column", 1)):
        counts = Counter(row[at] for row in rows)
        frame, kinds = queries.kinds(con, every, by)
        assert kinds == len(counts)
        assert dict(zip(frame["value"], frame["rejects"], strict=True)).items() <= counts.items()
    assert queries.states(con)["all"] == len(rows)
    for asked in (
        every,
        Asked(state="all", reason=rows[0][0]),
        Asked(state="all", column=rows[0][1], imported=rows[0][2]),
    ):
        wanted = [
            row
            for row in rows
            if asked.reason in (None, row[0]) and asked.column in (None, row[1]) and asked.imported in (None, row[2])
        ]
        frame, count = queries.rejects(con, asked)
        assert count == len(wanted) == frame.height


def test_what_is_not_chosen_stays_in_sight(con: Connection) -> None:
    for by in ("reason", "column"):
        every, kinds = queries.kinds(con, Asked(state="all"), by)
        asked = Asked(state="all", **{by: every["value"][0]})
        assert kinds > 1
        assert queries.kinds(con, asked, by)[0].equals(every)
        other = {"reason": "column", "column": "reason"}[by]
        assert queries.kinds(con, asked, other)[0]["rejects"].sum() == every["rejects"][0]


def test_pages_of_rejects_hold_each_once(own: Store) -> None:
    context = brought(own, "".join(f"S{n},1,x,120/240,many,20\n" for n in range(120)))
    with context.snapshots.cursor() as con:
        seen = []
        for page in (1, 2, 3, 4):
            frame, count = queries.rejects(con, Asked(page=page))
            assert count == 120
            seen += frame["row_number"].to_list()
    assert seen == list(range(2, 122))
    text = said(imports.layout(context, "", "?page=2"))
    assert "51 to 100 of 120" in text
    assert "none here" in said(imports.layout(context, "", "?page=9"))


def test_the_facts_that_settle_most_are_the_work_lists_own(con: Connection) -> None:
    frame = facts.settling(con)
    listed: Counter[str] = Counter()
    others: Counter[str] = Counter()
    for row in con.sql(facts_query(con)).to_arrow_table().to_pylist():
        listed[row["fact"]] += row["settles_alone"]
        others[row["fact"]] += row["settles_with_others"]
    assert dict(zip(frame["label"], frame["alone"], strict=True)) == dict(listed)
    assert dict(zip(frame["label"], frame["with_others"], strict=True)) == dict(others)
    assert frame["alone"].to_list() == sorted(frame["alone"], reverse=True)
    unknown, named = facts.unknown_verdicts(con)
    query = "SELECT count(*) FROM finding WHERE verdict = 'unknown'"
    assert unknown == con.execute(query).fetchall()[0][0] >= named
    waits = "SELECT count(*) FROM shown WHERE contains((SELECT fact_names(waits_for)), ?)"
    for row in frame.head(3).iter_rows(named=True):
        assert row["systems"] == con.execute(waits, [row["label"]]).fetchall()[0][0]


def test_the_page_of_the_sample_says_it_all(context: Context) -> None:
    text = said(imports.layout(context, "", ""))
    for words in (
        "What came in",
        "tidy.csv",
        "site_book.xlsx",
        "site_book_mapping.toml",
        "Rejected",
        "By reason",
        "Rows that disagree",
        "Missing facts",
        "would settle",
        "where it is found",
        "/export/facts.csv",
    ):
        assert words in text, words  # fmt: skip


def test_an_older_snapshot_still_makes_a_page(own: Store) -> None:
    context = brought(own, "S1,1,one,120/240,12,20\nS2,1,two,120/240,many,20\n")
    context.snapshots.close()
    path = own.snapshots / "audit-0001.duckdb"
    with duckdb.connect(str(path)) as con:
        for table in ("warning", "import_warning", "possible_duplicate", "merged"):
            con.execute(f"DROP TABLE IF EXISTS {table}")
        for column in ("system_id", "circuit_id", "closed_by"):
            con.execute(f"ALTER TABLE reject DROP COLUMN IF EXISTS {column}")
        for column in ("circuit_id", "sheets", "files"):
            con.execute(f"ALTER TABLE conflict DROP COLUMN IF EXISTS {column}")
    text = said(imports.layout(Context(own, Snapshots(own)), "", ""))
    assert "'many' is not a whole number" in text
    assert "Suspicious" not in text


def test_a_store_of_rejects_alone_shows_them(own: Store) -> None:
    context = brought(own, ",1,nobody,120/240,12,20\n")
    text = said(imports.layout(context, "", ""))
    assert "system_id is empty" in text
    assert "No verdict is unknown." in text
    start = said(shell.page_for(context, "/", ""))
    assert "No system could be read from what was imported" in start
    assert '"href": "/import"' in start


def test_what_is_not_audited_yet_is_said_on_every_page(own: Store) -> None:
    context = brought(own, "S1,1,one,120/240,12,20\n")
    assert shell.not_audited(context) == []
    brought(own, "S2,1,two,120/240,12,20\n", audit=False)
    told = said(shell.not_audited(context))
    assert "1 import is not audited yet" in told
    assert f"auditor audit --store {own.root}" in told
    brought(own, "S3,1,three,120/240,12,20\n", audit=False)
    assert "2 imports are not audited yet" in said(shell.not_audited(context))
    brought(own, "S4,1,four,120/240,12,20\n")
    assert shell.not_audited(context) == []


def test_without_an_audit_there_is_the_upper_part_alone(own: Store) -> None:
    context = Context(own, Snapshots(own))
    text = said(imports.layout(context, "", ""))
    assert "upload-choose" in text
    assert "What came in" not in text
    assert shell.not_audited(context) == []
    brought(own, "S1,1,one,120/240,12,20\n", audit=False)
    assert "Nothing was audited yet" in said(imports.layout(context, "", ""))
    assert "bring a file in through this page" in said(shell.page_for(context, "/", ""))


@pytest.mark.parametrize("what", ["facts", "rejects", "warnings", "conflicts", "duplicates"])
def test_lists_are_downloads(app: Dash, what: str) -> None:
    asking = app.server.test_client()
    for suffix in ("csv", "xlsx"):
        answer = asking.get(f"/export/{what}.{suffix}")
        assert answer.status_code == 200, answer.text
        assert answer.headers["Content-Disposition"] == f'attachment; filename="{what}-run-0001.{suffix}"'
    if what == "facts":
        rows = list(csv.DictReader(io.StringIO(asking.get("/export/facts.csv").text)))
        assert {"system_id", "fact", "where_it_is_found", "settles_alone"} <= set(rows[0])
    assert asking.get(f"/export/{what}.pdf").status_code == 404


def test_nothing_else_can_be_had_as_a_list(own: Store) -> None:
    asking = create_app(own, access=Access()).server.test_client()
    assert asking.get("/export/findings.csv").status_code == 404
    assert asking.get("/export/facts.csv").status_code == 409


def test_rows_of_totals_are_not_open(own: Store) -> None:
    context = brought(own, "S1,1,One,120/240,5,20\nTotal,,,,5,\nS2,1,Two,120/240,5,big\n")
    with context.snapshots.cursor() as con:
        assert queries.states(con) == {"open": 1, "closed": 0, "all": 2, "totals": 1}
        assert queries.imports(con)["open"].to_list() == [1]
        assert queries.rejects(con, Asked())[0]["code"].to_list() == ["type-error"]
        assert queries.rejects(con, Asked(state="all"))[1] == 2
        assert queries.kinds(con, Asked(), "reason")[0]["value"].to_list() == ["type-error"]
    page = said(imports.layout(context, "", ""))
    assert "1 rejected row sums up other rows: no record, and nothing to mend." in page
    assert "1 reject is open" in page


def test_a_suspicion_on_a_whole_file_is_of_no_system(own: Store) -> None:
    context = brought(own, "S1,1,One,120/240,5,20\n")
    context.snapshots.close()
    with duckdb.connect(str(own.snapshots / "audit-0001.duckdb")) as con:
        con.execute("INSERT INTO warning BY NAME SELECT 'file-lengths' AS code, 'import 1, x.csv: odd' AS sentence")
    page = said(imports.layout(Context(own, Snapshots(own)), "", ""))
    assert "a whole file" in page
    assert "import 1, x.csv: odd" in page


def test_a_run_under_other_rules_is_said_on_every_page(own: Store) -> None:
    context = brought(own, "S1,1,one,120/240,12,20\n")
    assert shell.banner(context) == []
    with own.locked("audit"), open_records(own) as con:
        publish(con, own, load_catalog(), load_policy(None), date(2020, 1, 31), other_rules="--as-of 2020-01-31")
    told = said(shell.banner(context))
    assert "other rules than the store's own" in told
    assert "--as-of 2020-01-31" in told
    assert f"auditor audit --store {own.root}" in told
    with duckdb.connect(str(own.snapshots / "audit-0001.duckdb")) as con:
        con.execute("ALTER TABLE audit DROP COLUMN other_rules")
    own.current.write_text("audit-0001.duckdb\n", "utf-8")
    assert shell.banner(context) == []


DOUBLED = "A-1,1,Hill Farm,120/240,12,20\nA-0001,1,Hill Farm,120/240,12,20\nB-7,1,Vale Farm,120/240,9,20\n"
MERGE = {"decide": "merge", "one": key("A-1"), "other": key("A-0001")}
NAMED = {"who": " Ada ", "why": "one roof"}


def test_what_is_decided_on_the_page_is_a_decision_like_any_other(own: Store) -> None:
    context = brought(own, DOUBLED)
    made = decide(context, MERGE, NAMED)
    assert all_decisions(own) == [made]
    assert (made.kind, dict(made.subject), made.who, made.text) == (
        "merge",
        {"keep": "A-1", "drop": "A-0001"},
        "Ada",
        "one roof",
    )
    assert "one project: A-0001 is left out (by Ada: one roof)" in said(imports.layout(context, "", ""))
    decide(context, {"decide": "undo", "one": key("1"), "other": key("")}, NAMED)
    assert decide(context, MERGE | {"decide": "not-duplicate"}, NAMED).subject == {"a": "A-1", "b": "A-0001"}


@pytest.mark.parametrize(
    ("pressed", "fields", "sentence"),
    [
        (MERGE, NAMED | {"who": " "}, "Say who decides"),
        (MERGE, NAMED | {"who": None}, "Say who decides"),
        (MERGE, NAMED | {"why": ""}, "A decision needs its reason"),
        (MERGE | {"other": key("B-7")}, NAMED, "holds no such pair"),
        (MERGE | {"decide": "waive"}, NAMED, "There is no such decision"),
        ({"decide": "undo", "one": key("5"), "other": key("")}, NAMED, "There is no decision 5"),
    ],
)
def test_what_cannot_be_decided_is_not(
    own: Store, pressed: dict[str, str], fields: dict[str, str], sentence: str
) -> None:
    context = brought(own, DOUBLED)
    with pytest.raises(AuditorError, match=sentence):
        decide(context, pressed, fields)
    assert all_decisions(own) == []


def test_a_dashboard_without_uploads_decides_nothing(own: Store) -> None:
    context = replace(brought(own, DOUBLED), upload=False)
    with pytest.raises(AuditorError, match="takes no decisions"):
        decide(context, MERGE, NAMED)
    page = said(imports.layout(context, "", ""))
    assert "auditor decide merge KEEP DROP --why TEXT" in page
    assert '"decide"' not in page

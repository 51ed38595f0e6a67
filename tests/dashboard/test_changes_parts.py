"""The page of changes without a browser: what it counts, filters, sorts, exports and says, and its what-if's fields."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import plotly.graph_objects as go
import polars as pl
import pytest
from dash.development.base_component import Component
from flask.testing import FlaskClient

from auditor import jobs
from auditor.compare.altering import altered, setting_of
from auditor.compare.comparison import compare
from auditor.compare.part import Part
from auditor.compare.recheck import recheck
from auditor.errors import AuditorError
from auditor.jobs import Job
from auditor.store import Store
from auditor.store.decisions import append
from auditor.store.records_db import Connection
from auditor.store.snapshot import recheck_numbers
from dashboard import figures_changes, what_if
from dashboard.app import create_app
from dashboard.changes_address import Asked, asked_of
from dashboard.components import MARKS
from dashboard.context import Context
from dashboard.figures import VERDICT_LOOKS
from dashboard.guard import Access
from dashboard.pages import changes, changes_form
from dashboard.pages.parts import key
from dashboard.queries import changes as queries
from dashboard.snapshots import Snapshots

#: The limit of 15 units becomes 13: Q-1 and Q-2 fail with 14, Q-3 passes with 12, Q-4 fails with 16 as before.
THIRTEEN = setting_of("inverter: Larkfield U240: branch_limits.2.units = 13")


@pytest.fixture(scope="module")
def store(few: Callable[[], Store], audit_few: Callable[[Store], Store]) -> Store:
    """Run 1; run 2 with a limit of 13 units; run 3 the same on a part; each compared with run 1."""
    store = few()
    for system in ("Q-1", "Q-4"):
        subject = {"system": system, "check": "branch-unit-limit", "until": "2030-01-01"}
        append(store, "waive", subject, "as built", "Ada <i>")
    audit_few(store)
    recheck(store, 1, lambda rules: altered(rules, [THIRTEEN]), told="--set 13")
    recheck(store, 1, lambda rules: altered(rules, [THIRTEEN]), told="--set 13", part=Part(designer=["Bo"]))
    for after in (2, 3):
        compare(store, 1, after).close()
    return store


@pytest.fixture
def context(store: Store) -> Iterator[Context]:
    snapshots = Snapshots(store)
    yield Context(store, snapshots)
    snapshots.close()


@pytest.fixture
def con(store: Store) -> Iterator[Connection]:
    with compare(store, 1, 2) as con:
        yield con


@pytest.fixture(scope="module")
def asking(store: Store) -> FlaskClient:
    return create_app(store, access=Access()).server.test_client()


def text_of(part: object) -> str:
    """All that a part of a page says."""
    if isinstance(part, Component):
        return text_of(getattr(part, "children", None))
    if isinstance(part, list | tuple):
        return " ".join(text_of(one) for one in part)
    return "" if part is None else str(part)


def test_what_is_counted_is_what_changed(con: Connection) -> None:
    asked = Asked(1, 2)
    assert queries.ways(con, asked) == {"worse": (2, 2, 2), "same": (2, 2, 1)}
    assert queries.flows(con, asked).rows() == [("pass", "fail", 2, 2)]
    (total,) = con.execute("SELECT sum(count) FROM tally WHERE kind = 'check'").fetchall()
    assert queries.as_before(con, asked) == total[0] - 2
    # Verdicts of whole systems: were unknown, since little is known of them, and fail now.
    assert queries.ways(con, asked.but(level="system")) == {"known": (2, 2, 2)}
    assert queries.ways(con, asked.but(level="trips")) == {}
    assert queries.ways(con, asked.but(utility="Ennick")) == {"worse": (2, 2, 2)}
    assert queries.ways(con, asked.but(utility="")) == {"same": (1, 1, 0)}  # 12 units of 15, then of 13
    assert queries.changed_systems(con, asked) == 2
    assert dict(queries.offered(con, asked, "designer")) == {"Ada": 1, "Bo": 1}


def test_rows_are_filtered_sorted_and_waived_ones_are_among_them(con: Connection) -> None:
    def systems(asked: Asked) -> list[str]:
        assert queries.count(con, asked) == len(queries.rows(con, asked))
        return [row["system_id"] for row in queries.rows(con, asked)]

    asked = Asked(1, 2)
    assert systems(asked) == ["Q-1", "Q-2"]
    assert systems(asked.but(designer="Bo")) == ["Q-2"]
    assert systems(asked.but(was="pass", now="fail", cause="inverter Larkfield U240")) == ["Q-1", "Q-2"]
    assert systems(asked.but(was="fail", now="pass")) == []
    assert systems(asked.but(way="same", sort=("after", True))) == ["Q-3", "Q-4"]
    assert systems(asked.but(sort=("designer", True))) == ["Q-2", "Q-1"]
    assert queries.rows(con, asked.but(page=2)) == []
    first = queries.rows(con, asked)[0]
    # (15 - 14) / 15 and (13 - 14) / 13 of the limit.
    assert (first["margin_before_pct"], first["margin_after_pct"]) == pytest.approx((6.667, -7.692), abs=1e-3)
    assert (first["waived_by"], first["waived_why"]) == ("Ada <i>", "as built")
    told, total = queries.notices(con, asked.but(was="fail"))
    assert total == 2, "whom to tell does not depend on which verdicts are looked at"
    assert [(row["system_id"], row["waived"]) for row in told] == [
        ("Q-1", "branch-unit-limit until 2030-01-01"),
        ("Q-2", None),
    ]
    assert queries.notices(con, asked.but(designer="Bo"))[1] == 1


def test_the_page_says_it(context: Context) -> None:
    said = text_of(changes.layout(context, "", "?before=1&after=2"))
    assert "2 systems have a verdict that became worse" in said
    assert "1 of these is waived; a waiver hides nothing" in said
    assert "waived until 2030-01-01 by Ada <i>: as built" in said
    assert "inverter Larkfield U240 : branch_limits from" in said
    assert "of a part" not in said
    part = text_of(changes.layout(context, "", "?before=1&after=3"))
    assert "1 system has a verdict that became worse" in part
    assert (
        "1 of 3 systems changed in the verdict of a check. Compared over the systems of a part alone: designer Bo."
        in part
    )
    # Without an address: the newest re-check beside the run that it judges again.
    assert "Compared over the systems of a part" in text_of(changes.layout(context, "", ""))
    odd = text_of(changes.layout(context, "", "?before=1&after=9&way=sideways&nothing=1"))
    assert "There is no run 9; it is left out." in odd
    assert "way = sideways, which is not understood" in odd
    assert "Choose two runs" in odd
    assert "The two runs are the same one" in text_of(changes.layout(context, "", "?before=2&after=2"))
    closed = Context(context.store, context.snapshots, upload=False)
    assert "Runs 2 and 3 are not compared yet" in (said := text_of(changes.layout(closed, "", "?before=2&after=3")))
    assert f"auditor compare 2 3 --store {context.store.root}" in said


def test_an_address_holds_all_of_it() -> None:
    texts = ("worse", "busbar", "pass", "fail", "only together: a; b", "", "Ö & <b>")
    asked = Asked(3, 4, "check", *texts, sort=("lost", True), page=2, told=3, part="?a=b")
    assert asked_of(asked.address) == (asked, ())
    assert Asked().address == "" and asked_of("")[0] == Asked()
    assert asked.but(utility=None).page == 1 and asked.but(told=4).page == 2
    bad = ("before=0", "after=-1", "level=x", "sort=margin", "page=1e9", "check=" + "x" * 2_000, "kind=check", "row=1")
    for text in bad:
        found, notes = asked_of(f"?{text}")
        assert found == Asked() and len(notes) == 1, text


def test_a_choice_moves_the_address_and_no_other_filter_along() -> None:
    asked = Asked(1, 2, utility="Ennick", page=3, part="?designer=Bo")
    same = {"before": "1", "after": "2", "level": "check", "check": "all", "utility": key("Ennick")}
    assert changes.chosen(asked, same) == asked
    assert changes.chosen(asked, same | {"designer": key("Bo")}) == asked.but(designer="Bo")
    assert changes.chosen(asked, same | {"utility": key(None)}) == asked.but(utility="")
    assert changes.chosen(asked, same | {"utility": "all"}) == asked.but(utility=None)
    assert changes.chosen(asked, same | {"level": "system"}) == Asked(1, 2, "system", part=asked.part)
    assert changes.chosen(asked, same | {"after": "3"}) == Asked(1, 3, part=asked.part)


def test_downloads_hold_what_the_filters_keep(asking: FlaskClient) -> None:
    def lines(path: str) -> list[dict[str, str]]:
        answer = asking.get(path)
        assert answer.status_code == 200, answer.text
        return list(csv.DictReader(io.StringIO(answer.text)))

    rows = lines("/export/changes.csv?before=1&after=2&designer=Bo")
    assert [(row["system_id"], row["change"], row["cause"]) for row in rows] == [
        ("Q-2", "pass to fail", "inverter Larkfield U240")
    ]
    told = lines("/export/notices.csv?before=1&after=2")
    assert [(row["system_id"], row["contact"]) for row in told] == [("Q-1", "a@x.invalid"), ("Q-2", "b@x.invalid")]
    assert asking.get("/export/changes.xlsx?before=1&after=2").data[:2] == b"PK"
    assert asking.get("/export/changes.csv?before=1&after=2&way=up").status_code == 400
    assert asking.get("/export/changes.csv?before=2&after=1").status_code == 404
    assert asking.get("/export/notices.pdf?before=1&after=2").status_code == 404


def drawn(frame: pl.DataFrame) -> go.Figure:
    order = [name for name in VERDICT_LOOKS if name in {*frame["before"], *frame["after"]}]
    return figures_changes.flow(frame, order, figures_changes.looks_of(order, True), MARKS)


def test_flows_are_as_high_as_their_counts_and_none_is_lost() -> None:
    frame = pl.DataFrame(
        {"before": ["pass", "pass", "fail"], "after": ["fail", "unknown", "pass"], "count": [60, 39, 1]}
    )
    figure = drawn(frame)
    flows = {t.name: max(t.y[:24]) for t in figure.data if t.name}
    assert list(flows) == ["pass to fail: 60", "pass to unknown: 39", "fail to pass: 1"]
    heights = {t.name: t.y[-1] - t.y[0] for t in figure.data if t.name}
    assert heights["pass to fail: 60"] == pytest.approx(0.60)
    assert heights["pass to unknown: 39"] == pytest.approx(0.39)
    assert heights["fail to pass: 1"] == figures_changes.LEAST
    # One leaves where the one above it ends: 0.022 and a gap below the failing one, and reaches its end likewise.
    top = figures_changes.LEAST + figures_changes.GAP
    edges = {t.name: (t.y[0], t.y[23]) for t in figure.data if t.name}
    assert edges["pass to fail: 60"] == pytest.approx((top, 0))
    assert edges["pass to unknown: 39"] == pytest.approx((top + 0.6, 0.6 + figures_changes.GAP))
    said = [t.text[0].strip() for t in figure.data if t.mode == "text"]
    assert said == ["60", "39", "▲ fail 1", "● pass 99", "▲ fail 60", "◇ unknown 39", "● pass 1"]
    # What is unknown now is told apart by its pattern, too.
    patterns = {t.name: t.fillpattern.shape for t in figure.data if t.name}
    assert patterns == {"pass to fail: 60": None, "pass to unknown: 39": "/", "fail to pass: 1": None}
    assert not drawn(frame.clear()).data


def test_the_what_if_says_what_is_wrong_and_starts_nothing(context: Context) -> None:
    def refused(
        value: str, search: str = "", kind: str = "policy", name: str = "", path: str = "rise.target_pct"
    ) -> str:
        with pytest.raises(AuditorError) as error:
            changes_form.judge(context, asked_of(search)[0], kind, name, path, value)
        return str(error.value)

    assert refused("") == "Write a figure."
    assert refused("2") == "That is what it is now."
    assert refused("two") == '[rise] target_pct = "two": must be a number above 0, up to 20.'
    assert refused("1", kind="trunk", name="Larkfield TC-9", path="rated_a").startswith(
        "trunk Larkfield TC-9: the run's"
    )
    nobody = Asked(part="?designer=Nobody").address
    assert refused("1", nobody) == "No system of the run that is shown fits: designer Nobody."
    assert "No system of the run that is shown fits" in text_of(changes_form.systems(context, asked_of(nobody)[0]))
    bo = Asked(part="?designer=Bo&utility=Ennick")
    assert changes_form.part_of(context, bo) == ("utility Ennick; designer Bo", ["Q-2"])
    assert changes_form.part_of(context, Asked()) == ("", None)
    closed = Context(context.store, context.snapshots, upload=False)
    with pytest.raises(AuditorError, match="starts no commands"):
        changes_form.judge(closed, Asked(), "policy", "", "rise.target_pct", "1")
    with pytest.raises(AuditorError, match="removes no runs"):
        changes_form.decide(closed, "discard 2")
    with pytest.raises(AuditorError, match="Run 1 is a published audit"):
        changes_form.decide(context, "discard 1")
    assert not (context.store.root / "what_if").exists() and not context.store.jobs.exists()


@pytest.fixture
def copy(store: Store, tmp_path: Path) -> Iterator[Context]:
    """A store of the test's own, with the same runs."""
    own = Store(Path(shutil.copytree(store.root, tmp_path / "store")))
    snapshots = Snapshots(own)
    yield Context(own, snapshots)
    snapshots.close()


def test_a_run_and_its_repeat_have_nothing_to_say(copy: Context) -> None:
    repeat = recheck(copy.store, 1).number
    compare(copy.store, 1, repeat).close()
    said = text_of(changes.layout(copy, "", f"?before=1&after={repeat}"))
    for words in ("Nothing changed", "Nothing: same rules, same records.", "Nobody: no verdict became worse."):
        assert words in said
    assert "From what to what" not in said


def test_a_what_if_is_kept_or_discarded_and_never_asked_about_again(
    copy: Context, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[list[str]] = []

    def start(store: Store, args: list[str], note: str = "") -> Job:
        started.append(args)
        return Job(7, tuple(args), note, "2026-01-31T12:00:00+00:00", "done")

    def judged(run: int) -> what_if.WhatIf:
        asked = what_if.waiting(copy.store)
        assert asked is not None and asked.run(copy.store) is None
        (copy.store.root / "what_if" / asked.token / "report.json").write_text(f'{{"run": {run}}}', "utf-8")
        assert asked.run(copy.store) == run
        return asked

    monkeypatch.setattr(jobs, "start", start)
    asked = Asked(part="?designer=Ada")
    changes_form.judge(copy, asked, "inverter", "Larkfield U240", "branch_limits.2.units", " 13 ")
    told = judged(2)
    folder = copy.store.root / "what_if" / told.token
    assert started[0] == [
        *("recheck", "--store", str(copy.store.root), "--run", "1", "--set", THIRTEEN.words),
        *("--report", str(folder / "report.json"), "--systems", str(folder / "systems.txt"), "--part=designer Ada"),
    ]
    assert (folder / "systems.txt").read_text("utf-8") == "Q-1\n"
    drawn, _ = changes_form.status(copy, (1, 3))
    assert "Run 2 is a what-if: inverter: Larkfield U240: branch_limits.2.units = 13, on a part (designer Ada)." in (
        " ".join(text_of(drawn).split())
    )
    changes_form.decide(copy, "keep 2")
    assert what_if.waiting(copy.store) is None and recheck_numbers(copy.store) == [2, 3]
    # By design dates comes before today's, and what waited goes with the next.
    changes_form.judge(copy, Asked(), "policy", "", "rise.target_pct", "1")
    changes_form.by_design_date(copy)
    assert "--as-of design-date" in " ".join(started[2]) and "--systems" not in started[2]
    assert len(list((copy.store.root / "what_if").glob("*"))) == 1
    then = judged(3)
    assert changes_form.pair_of(then, 3) == (3, 1)
    assert changes.followed(copy, "?before=1&after=2", ["running"], None)["judged"] == "?before=3&after=1"
    changes_form.decide(copy, "discard 3")
    assert what_if.waiting(copy.store) is None and recheck_numbers(copy.store) == [2]

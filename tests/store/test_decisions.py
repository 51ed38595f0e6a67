"""Decisions: added and never changed, judged against those in force, whole after a kill, readable while written."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.decisions import Decision, all_decisions, append, in_force


def merge(store: Store, keep: str, drop: str) -> Decision:
    return append(store, "merge", {"keep": keep, "drop": drop}, "the same roof", "Ada")


def undo(store: Store, number: int) -> Decision:
    return append(store, "undo", {}, "a mistake", "Ada", undoes=number)


def standing(store: Store) -> list[int]:
    return [decision.id for decision in in_force(all_decisions(store))]


def test_a_store_without_decisions_has_none_and_gets_no_file_by_reading(store: Store) -> None:
    assert all_decisions(store) == []
    assert not store.decisions.exists()


def test_a_decision_is_read_as_it_was_written(store: Store) -> None:
    told = append(store, "note", {"system": "Ö-1; DROP TABLE decision"}, " it's \n two lines ", "Bo")
    assert all_decisions(store) == [told]
    assert (told.id, told.who, told.text, told.undoes) == (1, "Bo", "it's \n two lines", None)
    assert told.at.endswith("+00:00")
    assert append(store, "note", {"system": "S"}, "again").who != ""


def test_an_undone_decision_is_out_and_everything_is_kept(store: Store) -> None:
    merge(store, "A", "B")
    merge(store, "A", "C")
    undo(store, 1)
    assert standing(store) == [2]
    assert [d.kind for d in all_decisions(store)] == ["merge", "merge", "undo"]
    merge(store, "A", "B")
    assert standing(store) == [2, 4]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE decision SET text = 'other'",
        "DELETE FROM decision",
        "INSERT OR REPLACE INTO decision SELECT id, at, 'someone', kind, subject, text, undoes FROM decision",
        "REPLACE INTO decision (id, at, who, kind, subject, text) VALUES (1, 'x', 'x', 'note', '{}', 'x')",
    ],
)
def test_nothing_is_changed_even_by_other_means(store: Store, statement: str) -> None:
    told = merge(store, "A", "B")
    with sqlite3.connect(store.decisions) as con, pytest.raises(sqlite3.IntegrityError, match="a decision is never"):
        con.execute(statement)
    con.close()
    assert all_decisions(store) == [told]


def test_merges_that_make_no_sense_are_refused_with_the_reason(store: Store) -> None:
    merge(store, "A", "B")
    for keep, drop, sentence in (
        ("A", "A", "A: a system cannot be merged with itself; name two ids."),
        ("C", "B", "B is merged into A already, by decision 1."),
        ("B", "A", "B is itself merged into A, by decision 1. Undo that first."),
        ("B", "C", "B is itself merged into A, by decision 1. Merge C into A, or undo that first."),
    ):
        with pytest.raises(AuditorError) as told:
            merge(store, keep, drop)
        assert str(told.value) == sentence
    assert standing(store) == [1]


def test_a_chain_stands_and_no_way_leads_to_a_circle(store: Store) -> None:
    merge(store, "A", "B")
    merge(store, "C", "A")
    undo(store, 1)
    merge(store, "B", "C")
    with pytest.raises(AuditorError, match="A is itself merged into C"):
        merge(store, "A", "B")
    assert standing(store) == [2, 4]


def test_told_apart_and_merged_exclude_each_other(store: Store) -> None:
    append(store, "not-duplicate", {"a": "A", "b": "B"}, "two houses")
    with pytest.raises(AuditorError, match=r"told apart, by decision 1\. Undo that first"):
        merge(store, "B", "A")
    with pytest.raises(AuditorError, match="told apart already, by decision 1"):
        append(store, "not-duplicate", {"a": "B", "b": "A"}, "two houses")
    merge(store, "C", "D")
    with pytest.raises(AuditorError, match="are merged, by decision 2"):
        append(store, "not-duplicate", {"a": "D", "b": "C"}, "two houses")
    with pytest.raises(AuditorError, match="name two ids"):
        append(store, "not-duplicate", {"a": "C", "b": "C"}, "two houses")


def test_what_cannot_be_undone_is_said(store: Store) -> None:
    merge(store, "A", "B")
    undo(store, 1)
    for number, sentence in ((1, "undone already"), (2, "is itself an undoing"), (9, "There is no decision 9")):
        with pytest.raises(AuditorError, match=sentence):
            undo(store, number)


@pytest.mark.parametrize("text", ["", "  \n "])
def test_a_reason_is_needed(store: Store, text: str) -> None:
    with pytest.raises(AuditorError, match="needs its reason"):
        append(store, "note", {"system": "S"}, text)
    assert not store.decisions.exists()


def test_many_writers_at_once_lose_nothing(store: Store) -> None:
    def write(number: int) -> None:
        for turn in range(5):
            append(store, "note", {"system": f"S{number}"}, f"turn {turn}", "Ada")

    threads = [threading.Thread(target=write, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    held = all_decisions(store)
    assert [d.id for d in held] == list(range(1, 31))
    for number in range(6):
        assert [d.text for d in held if d.subject["system"] == f"S{number}"] == [f"turn {turn}" for turn in range(5)]


def test_only_one_of_two_contradicting_decisions_is_taken(store: Store) -> None:
    told: list[str] = []

    def write(keep: str, drop: str) -> None:
        try:
            merge(store, keep, drop)
        except AuditorError as error:
            told.append(str(error))

    threads = [threading.Thread(target=write, args=pair) for pair in (("A", "B"), ("B", "A"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(told) == 1
    assert len(all_decisions(store)) == 1


def test_a_reader_that_stays_open_neither_waits_nor_is_waited_for(store: Store) -> None:
    merge(store, "A", "B")
    reader = sqlite3.connect(f"{store.decisions.as_uri()}?mode=ro", uri=True, isolation_level=None)
    reader.execute("BEGIN")
    assert reader.execute("SELECT count(*) FROM decision").fetchall() == [(1,)]
    merge(store, "A", "C")
    assert reader.execute("SELECT count(*) FROM decision").fetchall() == [(1,)]
    reader.execute("COMMIT")
    assert reader.execute("SELECT count(*) FROM decision").fetchall() == [(2,)]
    reader.close()


def test_a_killed_writer_leaves_whole_decisions_only(store: Store) -> None:
    code = (
        "import sys; from pathlib import Path; from auditor.store import Store\n"
        "from auditor.store.decisions import append\n"
        "for n in range(100000):\n append(Store(Path(sys.argv[1])), 'note', {'system': f'S{n}'}, f'turn {n}', 'Ada')"
    )
    for _ in range(3):
        before = len(all_decisions(store))
        writer = subprocess.Popen([sys.executable, "-c", code, str(store.root)])
        while len(all_decisions(store)) < before + 5:
            time.sleep(0.01)
        writer.kill()
        writer.wait()
        held = all_decisions(store)
        assert [d.id for d in held] == list(range(1, len(held) + 1))
        assert all(d.text.startswith("turn ") for d in held)
    assert merge(store, "A", "B").id == len(held) + 1


def test_a_file_that_was_begun_and_not_written_holds_nothing(store: Store) -> None:
    store.decisions.touch()
    assert all_decisions(store) == []
    assert merge(store, "A", "B").id == 1


def test_a_file_that_is_no_database_is_said(store: Store, tmp_path: Path) -> None:
    store.decisions.write_bytes(b"not a database" * 1000)
    with pytest.raises(AuditorError, match=r"decisions\.sqlite: the decisions cannot be read or written"):
        all_decisions(store)

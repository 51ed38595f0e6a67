"""Two imports that say different things: each value is told with its file, sheet and row."""

from __future__ import annotations

from pathlib import Path

from sheets_read_back import read_sheets, write_sheets
from store_files import new_store, write_book

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.reports.export import export
from auditor.reports.mending import write_mending
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.mending import mended_imports
from auditor.store.records_db import open_records, remove
from auditor.store.revisions import Revision
from auditor.store.snapshot import open_snapshot

HEADER = "system_id,circuit_id,utility,inverter_count,breaker_a,home_run_length_m,feeder_length_m\n"
OLD = HEADER + "S1,1,Hill,16,20,20,5\nS1,2,Hill,12,20,25,5\nS2,1,,10,,30,6\n"


def bring(store: Store, path: Path, text: str | None = None) -> list[Imported]:
    if text is not None:
        path.write_text(text, "utf-8")
    with store.locked("import"), open_records(store) as con:
        return [
            import_file(con, store, path, imported_on="2026-01-31", mends=mends)
            for mends in mended_imports(path) or [0]
        ]


def published(store: Store) -> None:
    with store.locked("audit"), open_records(store) as con:
        publish(con, store, load_catalog([store.catalog]), load_policy(store.policy))


def test_what_a_later_file_says_otherwise_is_told_when_it_comes(store: Store, tmp_path: Path) -> None:
    bring(store, tmp_path / "a.csv", OLD)
    new = HEADER + "S2,1,Vale,10,20,31.5,6\nS1,1,Dale,16,20,20,7\nS1,3,Dale,3,15,9,7\n"
    (done,) = bring(store, tmp_path / "b.csv", new)
    # S2's utility and breaker were not stated before, so nothing is contradicted there.
    assert done.outcome.facts_revised == 3
    assert (
        set(done.outcome.revisions)
        == {
            Revision("S1", "", "utility", "Hill", 2, "a.csv", 1, "Dale", 3),
            Revision("S2", "1", "home_run_length_m", "30", 4, "a.csv", 1, "31.5", 2),
            Revision("S1", "", "feeder_length_m", "5", 2, "a.csv", 1, "7", 3),
        }
        or done.outcome.revisions == ()
    )


def test_nothing_is_told_of_what_agrees_is_left_empty_or_was_never_known(store: Store, tmp_path: Path) -> None:
    bring(store, tmp_path / "a.csv", OLD.replace("12,20,25", "many,20,25"))
    text = HEADER + "S1,1,Hill,16,,20,5\nS1,2,Hill,12,20,25,5\n"
    (done,) = bring(store, tmp_path / "b.csv", text)
    assert (done.outcome.facts_revised, done.outcome.revisions) == (0, ())


def test_a_mended_row_and_a_later_file_disagree(store: Store, tmp_path: Path) -> None:
    """Both values stand in row 2 of a file: the files tell them apart."""
    bring(store, tmp_path / "a.csv", HEADER + "S1,1,Hill,many,20,20,5\n")
    bring(store, tmp_path / "b.csv", HEADER + "S1,2,Dale,3,20,20,5\n")
    published(store)
    with open_snapshot(store) as con:
        write_mending(con, store, tmp_path / "rejects.xlsx")
    sheets = read_sheets(tmp_path / "rejects.xlsx")
    sheets["1 a"][1][sheets["1 a"][0].index("inverter_count")] = "16"
    (done,) = bring(store, write_sheets(tmp_path / "mended.xlsx", sheets))
    told = done.reading.tables.conflicts.select("column", "values", "rows", "sheets", "files").rows()
    assert told == [("utility", ["Hill", "Dale"], [2, 2], ["1 a", None], [None, "b.csv (import 2)"])]
    for _ in range(2):
        published(store)
        with open_snapshot(store) as con:
            export(con, "conflicts", tmp_path / "c.csv")
        text = (tmp_path / "c.csv").read_text("utf-8")
        assert '"Hill (mended.xlsx, sheet 1 a, row 2); Dale (b.csv (import 2), row 2)"' in text
        with open_records(store) as con:
            assert con.execute("SELECT source_row FROM circuit ORDER BY circuit_id").fetchall() == [(2,), (2,)]
            assert con.execute("SELECT source_row FROM system").fetchall() == [(2,)]
        remove(store)  # A rebuilt database says the same.


def test_the_sheets_of_a_book_are_named(tmp_path: Path) -> None:
    store = new_store(tmp_path / "store")
    mapping = tmp_path / "m.toml"
    mapping.write_text('[sheets.systems]\nsheet = "Jobs"\n[sheets.circuits]\nsheet = "Strings"\n', "utf-8")
    sheets = {
        "Jobs": [("system_id", "busbar_a"), ("S1", 200)],
        "Strings": [("system_id", "circuit_id", "inverter_count", "busbar_a"), ("S1", "1", 9, 225)],
    }
    write_book(tmp_path / "book.xlsx", sheets)
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, tmp_path / "book.xlsx", mapping, imported_on="2026-01-31")
    published(store)
    with open_snapshot(store) as con:
        export(con, "conflicts", tmp_path / "c.csv")
    text = (tmp_path / "c.csv").read_text("utf-8")
    assert '"225 (book.xlsx, sheet Strings, row 2); 200 (book.xlsx, sheet Jobs, row 2)"' in text

"""Imports: revisions by content, nothing changed by what a file does not say, and a store rebuilt from originals."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from store_files import JOINED, write_book

from auditor.errors import AuditorError, StoreBusyError
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.originals import read_manifest
from auditor.store.records_db import Connection, open_records, remove

HEADER = (
    "system_id,circuit_id,utility,inverter_model,inverter_count,breaker_a,"
    "home_run_length_m,home_run_size,feeder_length_m\n"
)
ROWS = """S1,1,Hill Power,U1,16,20,20,10 AWG,5
S1,2,Hill Power,U1,12,20,25,10 AWG,5
S2,1,Vale Power,U1,10,20,30,8 AWG,6
"""
FIRST = "WHERE system_id = 'S1' AND circuit_id = '1'"


def bring(con: Connection, store: Store, text: str, name: str = "a.csv", **options: bool) -> Imported:
    path = store.root / name
    path.write_text(text, "utf-8")
    return import_file(con, store, path, imported_on="2026-01-31", **options)


def facts(con: Connection, column: str, table: str = "circuit") -> list[tuple[object, ...]]:
    query = f"SELECT system_id, circuit_id, {column} FROM {table} WHERE circuit_id IS NOT NULL ORDER BY ALL"
    return con.execute(query).fetchall()


def everything(con: Connection) -> list[object]:
    held = ("system", "circuit", "unit", "run")
    tables = (*held, *(f"{name}_past" for name in held), "import", "reject", "conflict")
    return [con.execute(f"SELECT * FROM {table} ORDER BY ALL").fetchall() for table in tables]


def test_the_same_file_twice_changes_nothing(store: Store) -> None:
    with open_records(store) as con:
        first = bring(con, store, HEADER + ROWS)
        before = everything(con)
        again = bring(con, store, HEADER + ROWS)
        assert (first.outcome.accepted, first.outcome.duplicate) == (3, 0)
        assert (again.import_id, again.seen_in, again.outcome.accepted, again.outcome.duplicate) == (0, 1, 0, 3)
        assert everything(con) == before
    assert len(read_manifest(store)) == 1


def test_a_changed_row_makes_a_revision_and_keeps_the_old_one(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        done = bring(con, store, (HEADER + ROWS).replace("U1,12", "U1,13"), "b.csv")
        assert (done.outcome.accepted, done.outcome.duplicate, done.outcome.replaced) == (1, 2, 1)
        assert facts(con, "inverter_count") == [("S1", "1", 16), ("S1", "2", 13), ("S2", "1", 10)]
        assert con.execute("SELECT inverter_count, import_id, replaced_by FROM circuit_past").fetchall() == [(12, 1, 2)]
        assert con.execute("SELECT count(*) FROM run_past").fetchall() == [(0,)]


def test_a_changed_home_run_revises_its_circuit(store: Store) -> None:
    text = "system_id,circuit_id,home_run_length_m\nS1,1,20\nS1,2,30\n"
    with open_records(store) as con:
        bring(con, store, text)
        done = bring(con, store, text.replace("30", "33"), "b.csv")
        assert (done.outcome.accepted, done.outcome.duplicate, done.outcome.replaced) == (1, 1, 1)


def test_an_import_changes_only_the_rows_it_holds(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        bring(con, store, HEADER + "S2,1,Vale Power,U1,11,20,30,8 AWG,6\n", "b.csv")
        assert facts(con, "inverter_count") == [("S1", "1", 16), ("S1", "2", 12), ("S2", "1", 11)]


def test_a_column_that_a_file_lacks_changes_nothing_and_an_empty_cell_does(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        bring(con, store, "system_id,circuit_id,breaker_a\nS1,1,15\n", "b.csv")
        assert con.execute(f"SELECT inverter_count, breaker_a FROM circuit {FIRST}").fetchall() == [(16, 15.0)]
        assert con.execute("SELECT utility FROM system WHERE system_id = 'S1'").fetchall() == [("Hill Power",)]
        assert con.execute(f"SELECT length_m FROM run {FIRST}").fetchall() == [(20.0,)]
        bring(con, store, "system_id,circuit_id,breaker_a,utility\nS1,1,,\n", "c.csv")
        assert con.execute(f"SELECT breaker_a FROM circuit {FIRST}").fetchall() == [(None,)]
        assert con.execute("SELECT utility FROM system WHERE system_id = 'S1'").fetchall() == [(None,)]


def test_a_run_column_that_a_file_lacks_changes_nothing(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        bring(con, store, "system_id,circuit_id,home_run_length_m\nS1,1,44\n", "b.csv")
        run = f"SELECT length_m, size FROM run {FIRST}"
        assert con.execute(run).fetchall() == [(44.0, "10 AWG")]


def test_replace_drops_circuits_that_are_no_longer_listed_and_only_of_the_files_systems(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        bring(con, store, HEADER + ROWS.splitlines(keepends=True)[0], "b.csv", replace_circuits=True)
        assert facts(con, "inverter_count") == [("S1", "1", 16), ("S2", "1", 10)]
        assert [row[:2] for row in facts(con, "length_m", "run")] == [("S1", "1"), ("S2", "1")]


def test_a_dry_run_says_the_same_and_keeps_nothing(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        before = everything(con)
        told = bring(con, store, (HEADER + ROWS).replace("U1,12", "U1,13"), "b.csv", dry_run=True)
        assert told.outcome.accepted == 1
        assert everything(con) == before
    assert len(read_manifest(store)) == 1


def test_the_database_is_rebuilt_from_the_originals(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS + "S3,1,Vale Power,U1,many,20,30,8 AWG,6\n")
        bring(con, store, (HEADER + ROWS).replace("U1,12", "U1,13"), "b.csv")
        bring(con, store, HEADER + ROWS.splitlines(keepends=True)[0], "c.csv", replace_circuits=True)
        before = everything(con)
    remove(store)
    with open_records(store) as con:
        assert everything(con) == before


@pytest.mark.parametrize("damage", [b"", b"not a database, and long enough to be read as one" * 1000])
def test_a_damaged_database_is_rebuilt(store: Store, damage: bytes) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        before = everything(con)
    store.records.write_bytes(damage)
    with open_records(store) as con:
        assert everything(con) == before


def test_a_manifest_line_cut_short_was_never_an_import(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
    with store.manifest.open("ab") as file:
        file.write(b'{"import_id": 2, "file_na')
    with open_records(store) as con:
        done = bring(con, store, HEADER + "S9,1,Vale Power,U1,11,20,30,8 AWG,6\n", "b.csv")
        assert done.import_id == 2
    assert [entry.file_name for entry in read_manifest(store)] == ["a.csv", "b.csv"]


def test_an_import_in_the_manifest_alone_is_finished_when_the_store_is_opened(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
    kept = store.records.read_bytes()
    with open_records(store) as con:
        bring(con, store, HEADER + "S9,1,Vale Power,U1,11,20,30,8 AWG,6\n", "b.csv")
    store.records.write_bytes(kept)
    with open_records(store) as con:
        assert con.execute("SELECT max(import_id) FROM import").fetchall() == [(2,)]
        assert con.execute("SELECT count(*) FROM system").fetchall() == [(3,)]


def test_a_manifest_shorter_than_the_database_is_refused(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
    store.manifest.write_text("", "utf-8")
    with pytest.raises(AuditorError, match="Put the manifest back"), open_records(store):
        pass


def test_a_second_command_is_told_who_writes(store: Store) -> None:
    code = (
        "import sys, time; from pathlib import Path; from auditor.store import Store\n"
        "with Store(Path(sys.argv[1])).locked('import big.csv'):\n print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen([sys.executable, "-c", code, str(store.root)], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreBusyError, match=r"import big\.csv") as busy, store.locked("audit"):
            pass
        assert busy.value.exit_code == 3
    finally:
        holder.kill()
        holder.wait()
    with store.locked("audit"):
        pass


def test_a_file_that_is_refused_as_a_whole_changes_nothing(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        before = everything(con)
        with pytest.raises(AuditorError, match="line 3"):
            bring(con, store, HEADER + 'S5,1,Hill,U1,16,20,20,10 AWG,5\n"S6,1,Hill,U1,16,20,20,10 AWG,5\n', "b.csv")
        assert everything(con) == before


def test_names_that_reach_for_other_folders_are_data_only(store: Store, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    path = folder / "..%2f..%2fevil;rm -rf.csv"
    path.write_text(HEADER + ROWS, "utf-8")
    with open_records(store) as con:
        done = import_file(con, store, path, imported_on="2026-01-31")
    assert done.import_id == 1
    assert {p.parent for p in store.originals.rglob("*") if p.is_file()} == {store.originals}


def joined_book(path: Path, length: float, busbar: object = 200) -> Path:
    """A workbook of three sheets: two systems, three circuits, three home runs."""
    sheets = {
        "Jobs": [("system_id", "busbar_a"), ("S1", busbar), ("S2", 225)],
        "Circuits": [("system_id", "circuit_id"), ("S1", "1"), ("S1", "2"), ("S2", "1")],
        "Runs": [("system_id", "circuit_id", "length_m"), ("S1", "1", 20), ("S1", "2", length), ("S2", "1", 30)],
    }
    return write_book(path, sheets)


def test_a_workbook_of_several_sheets_counts_the_rows_of_all(store: Store) -> None:
    mapping = store.root / "mapping.toml"
    mapping.write_text(JOINED, "utf-8")

    def counts(name: str, *facts: object) -> tuple[int, int, int, int]:
        path = joined_book(store.root / name, *facts)  # type: ignore[arg-type]
        outcome = import_file(con, store, path, mapping, imported_on="2026-01-31").outcome
        return outcome.rows_in, outcome.accepted, outcome.rejected, outcome.duplicate

    with open_records(store) as con:
        assert counts("a.xlsx", 25) == (8, 8, 0, 0)
        assert counts("b.xlsx", 25) == (8, 0, 0, 8)
        # The run and its circuit have changed, and nothing else.
        assert counts("c.xlsx", 26) == (8, 2, 0, 6)
        # A system's rows change with its own facts: itself, two circuits, two runs.
        assert counts("d.xlsx", 26, 400) == (8, 5, 0, 3)
        assert counts("e.xlsx", 26, "many") == (8, 0, 5, 3)
        sheets = con.execute("SELECT sheet, row_number, code FROM reject ORDER BY ALL").fetchall()
        before = everything(con)
    assert sheets == [
        *(("Circuits", row, "related-row") for row in (2, 3)),
        ("Jobs", 2, "type-error"),
        *(("Runs", row, "related-row") for row in (2, 3)),
    ]
    remove(store)
    with open_records(store) as con:
        assert everything(con) == before


def test_a_refused_row_does_not_make_the_rest_of_its_system_look_better(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS.replace("U1,12,20,25", "U1,12,20,about 25") + "S7,1,Hill,many,x,,,,\n")
        assert facts(con, "inverter_model") == [
            ("S1", "1", "U1"),
            ("S1", "2", None),
            ("S2", "1", "U1"),
            ("S7", "1", None),
        ]
        mended = bring(con, store, HEADER + ROWS, "b.csv")
        assert (mended.outcome.accepted, mended.outcome.duplicate) == (1, 2)
        assert facts(con, "inverter_model")[1] == ("S1", "2", "U1")


def test_a_refused_row_of_a_circuit_that_is_held_changes_nothing(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS)
        bring(con, store, HEADER + ROWS.replace("U1,12,20,25", "U1,12,20,about 25"), "b.csv")
        assert facts(con, "inverter_count") == [("S1", "1", 16), ("S1", "2", 12), ("S2", "1", 10)]


def test_a_refused_row_whose_circuit_cannot_be_read_goes_when_its_system_comes_again(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEADER + ROWS + "S1,,Hill Power,U1,9,20,25,10 AWG,5\n")
        assert facts(con, "inverter_count")[0] == ("S1", "(row 5)", None)
        bring(con, store, HEADER + ROWS + "S1,3,Hill Power,U1,9,20,25,10 AWG,5\n", "b.csv")
        assert facts(con, "inverter_count") == [("S1", "1", 16), ("S1", "2", 12), ("S1", "3", 9), ("S2", "1", 10)]

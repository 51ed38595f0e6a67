"""A file that would take corrections back is refused unless that is meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from auditor.errors import AuditorError
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.originals import read_manifest
from auditor.store.records_db import open_records, remove

HEADER = "system_id,circuit_id,utility,inverter_model,inverter_count,home_run_length_m,feeder_length_m\n"
OLD = HEADER + "S1,1,Hill,U1,16,20,5\nS1,2,Hill,U1,12,25,5\nS2,1,Vale,U1,10,30,6\n"


def bring(store: Store, text: str, name: str, **options: bool) -> Imported:
    path = store.root / name
    path.write_text(text, "utf-8")
    with store.locked("import"), open_records(store) as con:
        return import_file(con, store, path, imported_on="2026-01-31", **options)


def length(store: Store) -> list[tuple[object, ...]]:
    with open_records(store) as con:
        return con.execute("SELECT length_m FROM run WHERE role = 'home run' ORDER BY ALL").fetchall()


@pytest.mark.parametrize(
    ("correction", "counted", "said"),
    [
        (("U1,12", "U1,13"), "1 circuit to what import 2 (new.csv)", "System S1 circuit 2: inverter_count is '13'"),
        (("12,25", "12,26"), "1 circuit to what import 2 (new.csv)", "home_run_length_m is '26' by row 3 of new.csv"),
        (("Vale", "Dale"), "1 system to what import 2 (new.csv)", "System S2: utility is 'Dale' by row 4 of new.csv"),
        (("10,30,6", "10,31,7"), "1 system and 1 circuit to what import 2 (new.csv)", "and would be '30' by row 4"),
        (("U1", "U2"), "3 circuits to what import 2 (new.csv)", "inverter_model is 'U2'"),
    ],
)
@pytest.mark.parametrize("dry_run", [False, True])
def test_corrections_are_counted_and_kept(
    store: Store, correction: tuple[str, str], counted: str, said: str, dry_run: bool
) -> None:
    bring(store, OLD, "old.csv")
    bring(store, OLD.replace(*correction), "new.csv")
    with pytest.raises(AuditorError) as told:
        bring(store, OLD, "old.csv", dry_run=dry_run)
    assert f"it came in as import 1, and would return {counted} had changed." in str(told.value)
    assert said in str(told.value)
    assert " of new.csv (import 2) and would be '" in str(told.value)
    assert str(told.value).endswith("import it with --older.")
    assert len(read_manifest(store)) == 2
    done = bring(store, OLD, "old.csv", older=True)
    assert (done.import_id, done.outcome.accepted > 0) == (3, True)
    remove(store)
    assert length(store) == [(20.0,), (25.0,), (30.0,)]


def test_a_circuit_that_was_declared_gone_does_not_come_back_unasked(store: Store) -> None:
    bring(store, OLD, "old.csv")
    bring(store, OLD.replace("S1,2,Hill,U1,12,25,5\n", ""), "new.csv", replace_circuits=True)
    with pytest.raises(AuditorError, match=r"return 1 circuit to what import 2"):
        bring(store, OLD, "old.csv")


def test_news_beside_old_rows_is_no_older_file(store: Store) -> None:
    bring(store, OLD, "old.csv")
    bring(store, OLD.replace("U1,12", "U1,13"), "new.csv")
    assert bring(store, OLD.replace("U1,12", "U1,14"), "newest.csv").import_id == 3
    assert bring(store, HEADER + "S1,1,Hill,U1,16,20,5\nS9,1,Hill,U1,3,20,5\n", "part.csv").import_id == 4


def test_a_file_of_which_nothing_is_new_is_told_so(store: Store) -> None:
    bring(store, OLD, "old.csv")
    assert bring(store, OLD, "old.csv").import_id == 0


def test_several_imports_are_named(store: Store) -> None:
    bring(store, OLD, "old.csv")
    bring(store, OLD.replace("U1,12", "U1,13"), "b.csv")
    bring(store, OLD.replace("U1,12", "U1,13").replace("10,30,6", "10,31,6"), "c.csv")
    with pytest.raises(AuditorError, match=r"return 2 circuits to what import 2 \(b\.csv\), 3 \(c\.csv\) had changed"):
        bring(store, OLD, "old.csv")


def test_a_mended_place_is_no_older_revision(store: Store, tmp_path: Path) -> None:
    bring(store, OLD.replace("12,25", "many,25"), "old.csv")
    assert bring(store, OLD, "new.csv").import_id == 2


def test_a_file_never_seen_is_no_older_file(store: Store) -> None:
    """What was put wrong in between may be put right again; it is told."""
    bring(store, OLD, "old.csv")
    bring(store, OLD.replace("U1,12", "U1,13"), "new.csv")
    right = HEADER + "S1,2,Hill,U1,12,25,5\n"
    done = bring(store, right, "right.csv")
    assert (done.import_id, done.taken_back) == (3, "1 circuit to what import 2 (new.csv) had changed")
    assert [(one.column, one.was, one.now) for one in done.outcome.revisions] == [("inverter_count", "13", "12")]
    assert bring(store, OLD.replace("U1,12", "U1,14"), "newest.csv").taken_back == ""

"""`auditor decide`, and what the next audit makes of it; mended rows and older files on the command line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from command_line import Refused, Run

from auditor.store import Store
from auditor.store.snapshot import open_snapshot

HEADER = (
    "system_id,circuit_id,site_label,contact,service,inverter_model,inverter_count,home_run_length_m,home_run_size\n"
)
ROWS = """Q-0001,1,Hill Farm,Ada,120/240,Larkfield U240,16,20,10 AWG
Q-1,1,Hill Farm,Ada,120/240,Larkfield U240,16,20,10 AWG
Q-2,1,Vale Farm,Bo,120/240,Larkfield U240,12,25,10 AWG
"""


@pytest.fixture
def doubled(run: Run, store: Path, tmp_path: Path) -> Path:
    """A store that holds one project under two ids."""
    (tmp_path / "rows.csv").write_text(HEADER + ROWS, "utf-8")
    assert run("import", "rows.csv", "--store", store).status == 0
    return store


def seen(store: Path, query: str) -> list[tuple[object, ...]]:
    with open_snapshot(Store(store)) as con:
        return con.execute(query).fetchall()


def content(store: Path) -> object:
    return seen(store, "SELECT content_hash FROM audit")[0][0]


PAIRS = "SELECT system_id, other_id FROM possible_duplicate"
SYSTEMS = "SELECT system_id FROM system_result ORDER BY ALL"


def test_a_merge_leaves_one_out_and_nothing_else_changes_until_it_is_undone(
    run: Run, doubled: Path, tmp_path: Path
) -> None:
    assert seen(doubled, PAIRS) == [("Q-0001", "Q-1")]
    before = content(doubled)
    others = seen(doubled, "SELECT * FROM circuit_result WHERE system_id <> 'Q-0001'")
    told = run("decide", "merge", "Q-1", "Q-0001", "--why", "one roof", "--who", "Ada", "--store", doubled)
    assert told.status == 0
    assert "Decision 1, by Ada. From the next audit on: Q-0001 is left out" in told.out
    assert f"Run: auditor audit --store {doubled}" in told.out
    assert content(doubled) == before
    run("audit", "--store", doubled, "--as-of", "2026-01-31")
    assert seen(doubled, SYSTEMS) == [("Q-1",), ("Q-2",)]
    assert seen(doubled, "SELECT * FROM circuit_result") == others
    assert seen(doubled, "SELECT dropped_id, kept_id, decision_id, who, text FROM merged") == [
        ("Q-0001", "Q-1", 1, "Ada", "one roof")
    ]
    assert seen(doubled, PAIRS) == []
    assert seen(doubled, "SELECT DISTINCT system_id FROM system ORDER BY 1") == [("Q-1",), ("Q-2",)]
    merged = content(doubled)
    # The audit of a store that never held the other id is the same.
    bare = tmp_path / "bare"
    Store(bare).create()
    shutil.copytree(doubled / "catalog", bare / "catalog", dirs_exist_ok=True)
    shutil.copyfile(doubled / "policy.toml", bare / "policy.toml")
    (tmp_path / "alone.csv").write_text(HEADER + ROWS.split("\n", 1)[1], "utf-8")
    run("import", "alone.csv", "--store", bare, "--no-audit")
    run("audit", "--store", bare, "--as-of", "2026-01-31")
    assert content(bare) == merged
    undone = run("decide", "undo", 1, "--why", "two roofs", "--store", doubled)
    assert "From the next audit on: Q-0001 is judged again beside Q-1" in undone.out
    run("audit", "--store", doubled)
    assert content(doubled) == before
    assert seen(doubled, PAIRS) == [("Q-0001", "Q-1")]


def test_a_chain_of_merges_ends_at_the_id_that_is_audited(run: Run, doubled: Path) -> None:
    run("decide", "merge", "Q-1", "Q-0001", "--why", "x", "--store", doubled)
    run("audit", "--store", doubled)
    run("decide", "merge", "Q-2", "Q-1", "--why", "y", "--store", doubled)
    run("audit", "--store", doubled)
    assert seen(doubled, SYSTEMS) == [("Q-2",)]
    assert seen(doubled, "SELECT dropped_id, kept_id FROM merged ORDER BY ALL") == [("Q-0001", "Q-2"), ("Q-1", "Q-2")]


def test_told_apart_is_listed_no_more(run: Run, doubled: Path) -> None:
    told = run("decide", "not-duplicate", "Q-1", "Q-0001", "--why", "two houses", "--store", doubled)
    assert "not listed as possible duplicates" in told.out
    before = content(doubled)
    run("audit", "--store", doubled)
    assert (seen(doubled, PAIRS), content(doubled)) == ([], before)


def test_list_and_note(run: Run, doubled: Path) -> None:
    assert run("decide", "list", "--store", doubled).out == "Nothing has been decided yet.\n"
    run("decide", "note", "Q-2", "--why", "asked [bold]the crew", "--who", "Bo", "--store", doubled)
    run("decide", "merge", "Q-1", "Q-0001", "--why", "one\nroof", "--store", doubled)
    run("decide", "undo", 2, "--why", "no", "--store", doubled)
    listed = run("decide", "list", "--store", doubled).out.splitlines()
    assert "asked [bold]the crew" in listed[1]
    assert listed[1].rstrip().endswith("in force")
    assert "Q-0001 into Q-1" in listed[2]
    assert listed[2].rstrip().endswith("undone by 3")
    assert "decision 2" in listed[3]
    ran = run("export", "decisions", "-o", "d.csv", "--store", doubled)
    assert ran.out == "d.csv: 3 rows.\n"


def test_what_cannot_be_decided_is_said(refused: Refused, doubled: Path, tmp_path: Path) -> None:
    at = ("--why", "x", "--store", doubled)
    assert refused("decide", "merge", "Q-1", "Q-9", *at) == (
        "Q-9: the run that is shown holds no such system. Nothing was decided."
    )
    assert "cannot be merged with itself" in refused("decide", "merge", "Q-1", "Q-1", *at)
    assert refused("decide", "undo", 4, *at) == "There is no decision 4. `auditor decide list` shows them."
    assert "needs its reason" in refused("decide", "note", "Q-1", "--why", " ", "--store", doubled)
    assert refused("decide", "merge", "Q-1", "Q-2", "--store", doubled, status=2).startswith("Missing option '--why'")
    assert "there is no store here" in refused("decide", "list", "--store", tmp_path / "nowhere")
    assert "Decisions belong to no run" in refused("export", "decisions", "-o", "d.csv", "--run", 1, "--store", doubled)


def test_rows_to_mend_go_out_and_come_in(run: Run, refused: Refused, store: Path, tmp_path: Path) -> None:
    (tmp_path / "rows.csv").write_text(HEADER + ROWS.replace(",12,25,", ",12,about 25,"), "utf-8")
    first = run("import", "rows.csv", "--store", store)
    assert "1 rejected row of all imports open. To mend them after the audit: auditor export rejects" in first.out
    told = run("export", "rejects", "-o", "r.xlsx", "--store", store)
    assert told.out == (
        "r.xlsx: 1 rejected row on 1 sheet, to mend where they are marked.\n"
        f"Then: auditor import r.xlsx --store {store}\n"
    )
    assert "Leave --mapping out" in refused("import", "r.xlsx", "--mapping", mapping(tmp_path), "--store", store)
    assert "Leave --replace out" in refused("import", "r.xlsx", "--replace", "--store", store)
    again = run("import", "r.xlsx", "--store", store)
    assert "r.xlsx: rows in 1 = accepted 0 + rejected 1 + duplicate 0" in again.out
    assert "1 row rejected earlier closed" in again.out
    assert "not mapped" not in again.out
    (tmp_path / "rows.csv").write_text(HEADER + ROWS, "utf-8")
    run("import", "rows.csv", "--store", store)
    assert run("export", "rejects", "-o", "r.xlsx", "--store", store).out == "r.xlsx: no rejected row is open.\n"


def mapping(folder: Path) -> Path:
    path = folder / "m.toml"
    path.write_text("[file]\nname = 'x'\n", "utf-8")
    return path


def test_an_older_file_asks(run: Run, refused: Refused, doubled: Path, tmp_path: Path) -> None:
    (tmp_path / "new.csv").write_text((HEADER + ROWS).replace(",12,25,", ",12,26,"), "utf-8")
    run("import", "new.csv", "--store", doubled, "--no-audit")
    told = refused("import", "rows.csv", "--store", doubled, "--no-audit")
    assert told.startswith("rows.csv: is older than what the store holds: it came in as import 1, and would ")
    assert run("import", "rows.csv", "--older", "--store", doubled, "--no-audit").status == 0


def test_exports_are_narrowed(run: Run, refused: Refused, doubled: Path, tmp_path: Path) -> None:
    run(
        "export",
        "findings",
        "--check",
        "voltage-rise",
        "--system",
        "Q-1",
        "--system",
        "Q-2",
        "-o",
        "f.csv",
        "--store",
        doubled,
    )
    lines = (tmp_path / "f.csv").read_text("utf-8").splitlines()[1:]
    assert len(lines) == 2
    assert run("export", "duplicates", "-o", "d.csv", "--store", doubled).out == "d.csv: 1 row.\n"
    assert "ids written alike; same site label: Hill Farm" in (tmp_path / "d.csv").read_text("utf-8")
    assert "--verdict bad" in refused("export", "findings", "--verdict", "bad", "-o", "f.csv", "--store", doubled)
    assert "narrow a list" in refused("export", "rejects", "--system", "Q-1", "-o", "f.xlsx", "--store", doubled)

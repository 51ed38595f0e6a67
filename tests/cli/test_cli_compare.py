"""`auditor recheck`, `auditor compare`, waivers on the command line, and what `auditor runs` says of it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from command_line import Refused, Run

from auditor.store import Store
from auditor.store.snapshot import current_number, open_snapshot

HEADER = (
    "system_id,circuit_id,utility,designer,contact,design_date,service,inverter_model,inverter_count,trunk_model,"
    "orientation,feed,breaker_a\n"
)
#: On a 20 A breaker the first sheet of this inverter allows 16 units, the second, of September 2017, 15; the third
#: below 13. Without a grid profile nothing is expected of trips.
ROWS = """Q-1,1,Ennick,Ada,a@x.invalid,2016-03-01,120/240,Larkfield U240,14,Larkfield TC-2,portrait,centre,20
Q-2,1,Ennick,Bo,b@x.invalid,2016-03-01,120/240,Larkfield U240,16,Larkfield TC-2,portrait,centre,20
Q-3,1,Ennick,Bo,c@x.invalid,,120/240,Larkfield U240,12,Larkfield TC-2,portrait,centre,20
"""


@pytest.fixture
def other(run: Run, store: Path, tmp_path: Path) -> Path:
    """A folder with a sheet that allows 13 units; the store has one audit."""
    (tmp_path / "rows.csv").write_text(HEADER + ROWS, "utf-8")
    assert run("import", "rows.csv", "--store", store).status == 0
    text = (store / "catalog" / "equipment.toml").read_text("utf-8")
    limit = '{ service = "120/240", wiring = "single", breaker_a = 20, units = 15 }'
    assert text.count(limit) == 1
    folder = tmp_path / "other"
    folder.mkdir()
    (folder / "equipment.toml").write_text(text.replace(limit, limit.replace("15", "13")), "utf-8")
    return folder


def test_from_a_changed_sheet_to_whom_to_tell(run: Run, refused: Refused, store: Path, other: Path) -> None:
    done = run("recheck", "--catalog", other, "--store", store)
    assert done.status == 0
    assert "This is a re-check of run 1 (--catalog " in done.out
    assert f"auditor compare 1 2 --store {store}" in done.out
    assert "Readers see it" not in done.out
    assert current_number(Store(store)) == 1
    listed = run("runs", "--store", store).out
    assert "no: re-check of 1" in listed
    assert f"Run 2 used other rules than run 1's: --catalog {other}" in listed

    told = run("compare", 1, 2, "-o", "changes.csv", "--notices", "notices.csv", "--store", store)
    assert told.status == 0
    assert "branch-unit-limit             1             0" in told.out
    assert "Q-1 / 1  branch-unit-limit: pass to fail, 6.7 % to -7.7 %. inverter Larkfield U240" in told.out
    assert "A pass is a recomputed record" in told.out
    with Path("changes.csv").open(encoding="utf-8", newline="") as file:
        rows = [line for line in csv.DictReader(file) if line["before"] != line["after"]]
    # A limit of 13 instead of 15 is the only change: nothing else of these systems is known well enough to pass.
    assert [(r["system_id"], r["kind"], r["change"], r["cause"]) for r in rows] == [
        ("Q-1", "system", "became known", "inverter Larkfield U240"),
        ("Q-1", "check", "pass to fail", "inverter Larkfield U240"),
    ]
    with Path("notices.csv").open(encoding="utf-8", newline="") as file:
        (notice,) = csv.DictReader(file)
    assert (notice["utility"], notice["designer"], notice["contact"], notice["worse"]) == (
        *("Ennick", "Ada", "a@x.invalid"),
        "branch-unit-limit: pass to fail",
    )
    assert run("compare", 1, 2, "--system", "Q-2", "--store", store).out.count("Q-2") == 0
    assert (
        refused("compare", 1, 2, "--system", "Q-9", "--store", store)
        == "--system Q-9: neither run holds such a system."
    )
    assert "both runs have no such check" in refused("compare", 1, 2, "--check", "nothing", "--store", store)
    assert "there is no run 7" in refused("compare", 1, 7, "--store", store)
    assert "the suffix says the format" in refused("compare", 1, 2, "-o", "changes.doc", "--store", store)
    assert "is a published audit, no re-check" in refused("runs", "--discard", 1, "--store", store)
    assert run("runs", "--discard", 2, "--store", store).out.startswith("Removed: run 2.\n")
    assert "there is no run 2" in refused("compare", 1, 2, "--store", store)


def test_then_beside_now_and_a_repeat(run: Run, refused: Refused, store: Path, other: Path) -> None:
    then = run("recheck", "--as-of", "design-date", "--store", store)
    assert "Without a design date, what rests on specs is unknown: 1 system." in then.out
    told = run("compare", 2, 1, "--check", "branch-unit-limit", "--store", store).out
    assert "Q-2 / 1  branch-unit-limit: pass to fail, 0.0 % to -6.7 %. policy specs_of" in told
    assert "Q-3 / 1  branch-unit-limit: became known, ? to 20.0 %. policy specs_of" in told
    assert run("recheck", "--run", 1, "--store", store).status == 0
    again = run("compare", 1, 3, "--store", store).out
    assert "What differs: nothing." in again
    assert "No verdict changed." in again
    assert "write the date as year-month-day" in refused("recheck", "--as-of", "then", "--store", store)
    assert "there is no such folder" in refused("recheck", "--catalog", "nowhere", "--store", store)
    assert "there is no run 9" in refused("recheck", "--run", 9, "--store", store)


def test_a_waiver_stands_beside_what_it_is_about(run: Run, refused: Refused, store: Path, other: Path) -> None:
    waive = ("decide", "waive", "Q-2", "branch-unit-limit", "--why", "as built", "--who", "Ada", "--store", store)
    told = run(*waive, "--until", "2999-12-31").out
    assert "branch-unit-limit of Q-2 is marked as waived until 2999-12-31, and its verdict stays" in told
    assert "is waived already" in refused(*waive, "--until", "2999-12-31")
    wrong = ("decide", "waive", "Q-2", "branch-limit", "--until", "2999-12-31", "--why", "x", "--store", store)
    assert refused(*wrong).startswith("branch-limit: there is no such check.")
    assert "Waived: 1 of these failing checks of a system; 0 waivers expired." in run("audit", "--store", store).out
    assert "branch-unit-limit of Q-2 until 2999-12-31" in run("decide", "list", "--store", store).out
    for what in ("findings", "systems", "circuits"):
        run("export", what, "-o", f"{what}.csv", "--system", "Q-2", "--store", store)
    assert '2999-12-31,"Ada","as built"' in Path("findings.csv").read_text("utf-8")
    for what in ("systems", "circuits"):
        assert "branch-unit-limit until 2999-12-31 (Ada: as built)" in Path(f"{what}.csv").read_text("utf-8")
    late = run("audit", "--as-of", "3000-01-01", "--store", store).out
    assert "Waived: 0 of these failing checks of a system; 1 waiver expired." in late
    undone = run("decide", "undo", 1, "--why", "mended", "--store", store).out
    assert "branch-unit-limit of Q-2 is not waived any more" in undone
    with open_snapshot(Store(store)) as con:
        assert con.execute("SELECT count(*) FROM finding WHERE waived_until IS NOT NULL").fetchall() == [(0,)]


def test_a_figure_as_it_might_be_on_a_part_says_so_everywhere(
    run: Run, refused: Refused, store: Path, other: Path, tmp_path: Path
) -> None:
    spec = "inverter: Larkfield U240: branch_limits.1.units = 13"
    limit = ("recheck", "--set", spec, "--store", store)
    done = run(*limit, "--designer", "Ada", "--designer", "Bo", "--system", "Q-1", "--report", tmp_path / "told.json")
    assert done.status == 0
    assert "Run 2, as of" in done.out and "1 system, 1 circuit" in done.out
    assert f"a re-check of a part (designer Ada or Bo; system Q-1) of run 1 (--set '{spec}')" in done.out
    assert json.loads((tmp_path / "told.json").read_text("utf-8")) == {"run": 2, "recheck_of": 1, "systems": 1}
    listed = run("runs", "--store", store).out
    assert "no: re-check of a part of 1" in listed
    assert "Run 2 is of a part: designer Ada or Bo; system Q-1" in listed
    told = run("compare", 1, 2, "--store", store).out
    assert "Run 2 (a part: designer Ada or Bo; system Q-1): as of" in told
    assert "Compared over the same systems alone." in told
    assert "Q-2" not in told and "Q-3" not in told
    assert refused(*limit, "--utility", "Enick") == (
        "--utility Enick: no system of this run has it. Did you mean Ennick?"
    )
    wrong = refused("recheck", "--set", "trunk: Larkfield TC-2: rated_a = none", "--store", store)
    assert wrong == 'rated_a = "none": must be a number above 0.'
    assert "choose it, too" in refused("recheck", "--part", "the west", "--store", store)

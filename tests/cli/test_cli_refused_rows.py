"""What the user is told of refused rows: which wait to be mended, which are closed, and which are no record at all."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from command_line import Run

HEADER = (
    "system_id,circuit_id,service,utility,inverter_model,inverter_count,breaker_a,home_run_length_m,home_run_size\n"
)
GOOD = "S1,1,120/240,Hill,Larkfield U240,16,20,20,10 AWG\n"
BAD = "S1,2,120/240,Hill,Larkfield U240,12,20,far,10 AWG\n"
TOTALS = "Total,,,,,28,,,\nSum of circuits,,,,,2,,,\n"


def given(folder: Path, text: str, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_text(HEADER + text, "utf-8")
    return path


def states(path: Path) -> dict[str, tuple[str, str]]:
    """Whether each exported reject is open, and its state, by its row."""
    rows = csv.DictReader(path.read_text("utf-8").splitlines())
    return {row["row_number"]: (row["open"], row["state"]) for row in rows}


def test_rows_of_totals_wait_for_nobody(run: Run, store: Path, tmp_path: Path) -> None:
    path = given(tmp_path, GOOD + TOTALS)
    first = run("import", path, "--store", store, "--report", "told.json")
    assert "rows in 3 = accepted 1 + rejected 2 + duplicate 0" in first.out
    assert "  2 rejected rows sum up other rows and are no records (rows 3, 4): nothing to mend there." in first.out
    assert "of all imports open" not in first.out
    assert json.loads((tmp_path / "told.json").read_text("utf-8"))["files"][0]["totals"] == 2
    run("export", "rejects", "-o", "r.csv", "--store", store)
    assert states(tmp_path / "r.csv") == {"3": ("false", "no record"), "4": ("false", "no record")}
    assert run("export", "rejects", "-o", "r.xlsx", "--store", store).out == "r.xlsx: no rejected row is open.\n"
    again = run("import", path, "--store", store)
    assert "nothing to do" in again.out
    assert "rejected row" not in again.out


def test_rows_of_totals_are_told_apart_from_rows_to_mend(run: Run, store: Path, tmp_path: Path) -> None:
    path = given(tmp_path, GOOD + BAD + TOTALS)
    first = run("import", path, "--store", store)
    assert "  1 rejected row of all imports open." in first.out
    assert first.out.count("[totals-row]") == 0
    run("export", "rejects", "-o", "r.csv", "--store", store)
    assert states(tmp_path / "r.csv") == {
        "3": ("true", "open"),
        "4": ("false", "no record"),
        "5": ("false", "no record"),
    }
    assert "r.xlsx: 1 rejected row on 1 sheet" in run("export", "rejects", "-o", "r.xlsx", "--store", store).out
    mended = run("import", given(tmp_path, GOOD + BAD.replace("far", "25") + TOTALS, "b.csv"), "--store", store)
    assert "  1 row rejected earlier closed" in mended.out
    run("export", "rejects", "-o", "r.csv", "--store", store)
    assert states(tmp_path / "r.csv")["3"] == ("false", "closed")
    assert states(tmp_path / "r.csv")["4"] == ("false", "no record")


def test_a_file_brought_again_says_which_of_its_rows_wait(run: Run, store: Path, tmp_path: Path) -> None:
    both = BAD + BAD.replace("S1,2", "S1,3")
    path = given(tmp_path, GOOD + both)
    run("import", path, "--store", store, "--no-audit")
    again = run("import", path, "--store", store, "--no-audit")
    assert "  Its 2 rejected rows wait to be mended: auditor export rejects -o rejects.csv" in again.out
    run("import", given(tmp_path, BAD.replace("far", "25"), "b.csv"), "--store", store, "--no-audit")
    again = run("import", path, "--store", store, "--no-audit")
    assert "  1 of its 2 rejected rows waits to be mended: auditor export rejects" in again.out
    run("import", given(tmp_path, both.replace("far", "25"), "c.csv"), "--store", store, "--no-audit")
    again = run("import", path, "--store", store, "--no-audit")
    assert "  Its 2 rejected rows are closed since.\n" in again.out
    assert "export rejects" not in again.out

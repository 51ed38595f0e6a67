"""`auditor triage`, `auditor decide complaint` and `auditor report` on a small store."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from command_line import Refused, Run

from auditor.store import Store
from auditor.store.decisions import all_decisions

RECORD = (
    "system_id,circuit_id,service,inverter_model,inverter_count,grid_profile,latitude_deg,longitude_deg\n"
    "S-1,1,120/240,Larkfield U240,12,Ennick Valley 2018,43,-38\n"
)
COMPLAINTS = "complaint_id,system_id,opened,text\nC-1,S-1,2025-06-20,It [b]stops\nC-9,Q-9,2025-06-21,=stops\n"
LOG = "system_id,circuit_id,unit,start,end,kind\nS-1,,,2025-05-01T00:00:00Z,2025-09-01T00:00:00Z,logging\n" + "".join(
    f"S-1,1,12,2025-06-{day}T15:00:00Z,2025-06-{day}T15:05:00Z,overvoltage trip\n" for day in range(10, 20)
)


@pytest.fixture
def complained(run: Run, store: Path, tmp_path: Path) -> Path:
    """A store with two complaints, one about a system without a record."""
    for name, text in (("records", RECORD), ("complaints", COMPLAINTS), ("events", LOG)):
        (tmp_path / f"{name}.csv").write_text(text, "utf-8")
    assert run("import", "records.csv", "--no-audit", "--store", store).status == 0
    assert run("import", "complaints.csv", "--as", "complaints", "--no-audit", "--store", store).status == 0
    assert run("import", "events.csv", "--as", "events", "--store", store).status == 0
    return store


def test_from_a_complaint_to_a_sheet(run: Run, refused: Refused, complained: Path) -> None:
    at = ("--store", complained)
    listed = run("triage", *at).out
    assert listed.index("C-1") < listed.index("C-9")  # nothing can be done about a system without a record
    assert "cannot tell" in listed
    assert "no record of this system" in listed.replace("\n", " ")
    told = run("triage", "S-1", *at).out
    assert "It [b]stops" in told
    assert "overvoltage trips on 10 days" in told
    assert "Would tell" in told
    assert run("triage", "-o", "list.csv", *at).status == 0
    rows = list(csv.DictReader(Path("list.csv").read_text("utf-8").splitlines()))
    assert [row["complaint_id"] for row in rows] == ["C-1", "C-9"]
    assert rows[1]["text"] == "'=stops"
    assert "no open complaint has that id" in refused("triage", "nobody", *at)
    assert run("report", "S-1", "-o", "crew.html", "--for", "crew", *at).status == 0
    assert "Complaint C-1" in Path("crew.html").read_text("utf-8")
    assert run("report", "S-1", "-o", "sheet.pdf", "--paper", "letter", *at).status == 0
    assert Path("sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert "use one of .html, .pdf" in refused("report", "S-1", "-o", "sheet.doc", *at)
    assert "utility, crew" in refused("report", "S-1", "-o", "x.pdf", "--for", "me", *at)
    assert "no system 'S-2'" in refused("report", "S-2", "-o", "x.pdf", *at)
    assert not Path("x.pdf").exists()


def test_how_a_complaint_stands_is_noted_and_a_repair_is_proved(run: Run, refused: Refused, complained: Path) -> None:
    at = ("--store", complained)
    why = ("--why", "the crew was there")
    assert "is no state" in refused("decide", "complaint", "C-1", "mended", *why, *at)
    assert "needs its day" in refused("decide", "complaint", "C-1", "repaired", *why, *at)
    assert "is no day" in refused("decide", "complaint", "C-1", "repaired", "--on", "soon", *why, *at)
    assert "no such complaint" in refused("decide", "complaint", "C-2", "closed", *why, *at)
    assert all_decisions(Store(complained)) == []
    # Nine trip-days in fifteen of June before the repair; one on the same day and three after it.
    assert run("decide", "complaint", "C-1", "repaired", "--on", "2025-06-16", *why, "--who", "Bo", *at).status == 0
    assert run("audit", *at).status == 0
    assert "it trips still" in run("triage", "C-1", *at).out
    assert run("decide", "complaint", "C-1", "closed", *why, *at).status == 0
    assert "C-1" not in run("triage", *at).out  # at once, without another audit


def test_a_complaint_follows_its_system_and_one_that_is_settled_can_be_opened_again(
    run: Run, complained: Path, tmp_path: Path
) -> None:
    at, why = ("--store", complained), ("--why", "one roof")
    (tmp_path / "second.csv").write_text(RECORD.replace("S-1", "S-2"), "utf-8")
    more = "complaint_id,system_id,opened,closed,text\nC-3,S-2,2025-06-22,,again\nC-4,S-1,2025-05-01,2025-05-09,once\n"
    (tmp_path / "more.csv").write_text(more, "utf-8")
    assert run("import", "second.csv", "--no-audit", *at).status == 0
    assert run("import", "more.csv", "--as", "complaints", *at).status == 0
    assert run("decide", "merge", "S-1", "S-2", *why, *at).status == 0
    assert run("audit", *at).status == 0

    def listed() -> dict[str, str]:
        assert run("triage", "-o", "all.csv", *at).status == 0
        rows = csv.DictReader(Path("all.csv").read_text("utf-8").splitlines())
        return {row["complaint_id"]: row["system_id"] for row in rows}

    # The system that C-3 is about is audited as S-1; the file gives the day on which C-4 was settled, and no status.
    assert listed() == {"C-1": "S-1", "C-3": "S-1", "C-9": "Q-9"}
    assert run("decide", "complaint", "C-4", "open", *why, *at).status == 0
    assert run("audit", *at).status == 0
    assert listed()["C-4"] == "S-1"

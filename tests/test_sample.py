"""The sample portfolio: every planted fault and gap is found, and nothing else.

`expected*.csv` come from the sample's own arithmetic (`sample_portfolio/arithmetic.py`, `verdicts.py`), which imports
nothing of the auditor: hand formulas, complex phasor sums, and table values typed there with their source.
"""

from __future__ import annotations

import csv
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from auditor.store import Store
from auditor.store.importing import Imported
from auditor.store.snapshot import open_snapshot

SAMPLE = Path(__file__).parents[1] / "sample_portfolio"
SampleStore = tuple[Store, dict[str, Imported]]


#: Refused rows whose ids can be read: their circuits exist, and nothing of them is known. Those of the workbook belong
#: to a system that is sound but for them.
REFUSED_SYSTEMS = {"X9001", "X9002", "X9003", "X9004", "X9006", "X9008", "09900", "09901", "09902", "T0990"}
REFUSED_CIRCUITS = {("00461", "91"), ("00461", "92"), ("00461", "93")}


def told_by_hand(system: str, circuit: str) -> bool:
    """Whether the sample's own arithmetic has a word on this circuit or system."""
    return system not in REFUSED_SYSTEMS and (system, circuit) not in REFUSED_CIRCUITS


def rows(name: str) -> list[dict[str, str]]:
    with (SAMPLE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_planted_finding_is_found_and_no_other(sample_store: SampleStore) -> None:
    expected = {(r["system_id"], r["circuit_id"], r["check"]): r["verdict"] for r in rows("expected.csv")}
    with open_snapshot(sample_store[0]) as con:
        found = con.execute(
            "SELECT system_id, coalesce(circuit_id, ''), \"check\", verdict::VARCHAR FROM finding"
            " WHERE verdict IN ('fail', 'unknown')"
        ).fetchall()
    got = {(system, circuit, check): v for system, circuit, check, v in found if told_by_hand(system, circuit)}
    beside = {key: v for key, v in got.items() if key[0] in {system for system, _ in REFUSED_CIRCUITS}}
    assert set(beside.values()) == {"unknown"}
    # What a refused circuit would add to is not known: shared wires, the panel, the exact voltage.
    shared = {"voltage-rise", "terminal-voltage", "feeder-ampacity", "busbar", "phase-imbalance"}
    assert {check for _, _, check in beside} <= shared
    assert {"voltage-rise", "feeder-ampacity"} <= {check for _, _, check in beside}
    got = {key: v for key, v in got.items() if key not in beside}
    assert {key: v for key, v in expected.items() if got.get(key) != v} == {}, "planted and not found"
    assert {key: v for key, v in got.items() if expected.get(key) != v} == {}, "false alarms"


def test_every_kind_of_check_that_can_fail_is_planted() -> None:
    failed = {r["check"] for r in rows("expected.csv") if r["verdict"] == "fail"}
    unknown = {r["check"] for r in rows("expected.csv") if r["verdict"] == "unknown"}
    # The policy sets no limit for single parts, so `part-rise` applies to nobody.
    assert len(failed) == 14
    assert len(unknown) >= 12


def test_a_system_made_sound_passes(sample_store: SampleStore) -> None:
    made = {r["system_id"]: r["made_as"] for r in rows("expected_systems.csv")}
    with open_snapshot(sample_store[0]) as con:
        verdicts = dict(con.execute("SELECT system_id, verdict::VARCHAR FROM system_result").fetchall())
    assert {verdicts.pop(system) for system in REFUSED_SYSTEMS} == {"unknown"}
    assert {verdicts.pop(system) for system, _ in REFUSED_CIRCUITS if system in verdicts} == {"unknown"}
    made = {system: how for system, how in made.items() if system in verdicts}
    assert verdicts.keys() == made.keys()
    assert {verdicts[system] for system, how in made.items() if how == "sound"} == {"pass"}
    assert {verdicts[system] for system, how in made.items() if how == "faulty"} == {"fail"}
    assert "pass" not in {verdicts[system] for system, how in made.items() if how == "incomplete"}


def test_every_planted_suspicion_is_told_and_no_other(sample_store: SampleStore) -> None:
    with open_snapshot(sample_store[0]) as con:
        told = con.execute("SELECT system_id, coalesce(circuit_id, ''), code, sentence FROM warning").fetchall()
    expected = rows("expected_warnings.csv")
    got = Counter(one[:3] for one in told)
    assert got == Counter((r["system_id"], r["circuit_id"], r["code"]) for r in expected)
    assert {code for _, _, code in got} == {"run-rise", "stated-rise", "dates", "module-count", "out-of-place"}
    # What is suspected is what was planted.
    words = {
        "the record's lengths are feet taken for metres": "feet taken for metres",
        "the design states the rise of its runs there and back": "statement counts them there and back",
        "latitude and longitude have changed places": "may have changed places",
        "the longitude has the wrong sign": "longitude may have the wrong sign",
        "energized before it was designed": "before it was designed",
    }
    assert words.keys() <= {r["why"] for r in expected}
    for row in expected:
        key = (row["system_id"], row["circuit_id"], row["code"])
        assert any(words.get(row["why"], "") in sentence for *owner, sentence in told if tuple(owner) == key), row


def test_the_project_under_two_ids_is_told_and_no_other(sample_store: SampleStore) -> None:
    with open_snapshot(sample_store[0]) as con:
        pairs = con.execute("SELECT system_id, other_id, evidence FROM possible_duplicate").fetchall()
    assert [pair[:2] for pair in pairs] == [(r["system_id"], r["other_id"]) for r in rows("expected_duplicates.csv")]
    # Ids written alike, the label, the place, the contact and the circuits.
    assert len(pairs[0][2]) == 5


def test_breakers_that_two_rows_contradict_are_kept(sample_store: SampleStore) -> None:
    (system,) = {r["system_id"] for r in rows("expected.csv") if r["kind"] == "breaker in conflict"}
    with open_snapshot(sample_store[0]) as con:
        kept = con.execute('SELECT "column", "values" FROM conflict WHERE system_id = ?', [system]).fetchall()
    assert kept == [("breaker_a", ["20", "25"])]


FIGURES = ("trunk_rise_pct", "home_run_rise_pct", "feeder_rise_pct", "total_rise_pct", "line_current_a")


def test_figures_agree_with_the_samples_own_arithmetic(sample_store: SampleStore) -> None:
    columns = ", ".join((*FIGURES, "unit_limit"))
    with open_snapshot(sample_store[0]) as con:
        found = con.execute(f"SELECT system_id, circuit_id, {columns} FROM circuit_result").fetchall()
    got = {(row[0], row[1]): row[2:] for row in found}
    expected = rows("expected_figures.csv")
    assert len(expected) > 1_000
    disturbed = {system for system, _ in REFUSED_CIRCUITS}
    for row in expected:
        if row["system_id"] in disturbed:
            continue
        figures = got[row["system_id"], row["circuit_id"]]
        for name, value in zip(FIGURES, figures, strict=False):
            # Printed with six decimals.
            assert value == pytest.approx(float(row[name]), abs=6e-7), (row["system_id"], row["circuit_id"], name)
        if row["unit_limit"]:
            assert figures[-1] == int(row["unit_limit"])


@pytest.mark.parametrize("line", rows("expected_import.csv"), ids=lambda line: line["file"])
def test_imports_account_for_every_row(sample_store: SampleStore, line: dict[str, str]) -> None:
    done = sample_store[1][line["file"]]
    counts = [done.outcome.rows_in, done.outcome.accepted, done.outcome.rejected, done.outcome.duplicate]
    assert counts == [int(line[name]) for name in ("rows_in", "accepted", "rejected", "duplicates")]
    assert counts[0] == sum(counts[1:])
    told = [
        f"{r['sheet'] + '!' if r['sheet'] else ''}{r['row_number']}:{r['column']}:{r['code']}"
        for r in done.reading.rejects.iter_rows(named=True)
    ]
    assert Counter(told) == Counter(filter(None, line["rejects"].split("; ")))
    warned = [f"{r['row_number']}:{r['column']}:{r['code']}" for r in done.reading.warnings.iter_rows(named=True)]
    assert Counter(warned) == Counter(filter(None, line["warnings"].split("; ")))
    assert done.reading.unmapped == ()


def test_the_script_makes_the_same_bytes_and_imports_nothing_of_the_auditor(tmp_path: Path) -> None:
    script = SAMPLE / "make_sample.py"
    subprocess.run([sys.executable, str(script), str(tmp_path)], check=True, capture_output=True)
    made = sorted(path.name for path in tmp_path.iterdir())
    assert len(made) == 24
    for name in made:
        assert (tmp_path / name).read_bytes() == (SAMPLE / name).read_bytes(), name
    for path in SAMPLE.glob("*.py"):
        assert "auditor" not in path.read_text("utf-8").replace("nothing of the auditor", ""), path

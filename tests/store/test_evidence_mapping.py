"""Foreign logs of events, readings and complaints, read by a mapping: words of bits, plain text, units, clocks."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest
from store_files import tally

from auditor.errors import AuditorError
from auditor.records.evidence_mapping import load_evidence_mapping
from auditor.records.evidence_schema import COMPLAINT, EVENT, READING
from auditor.store import Store
from auditor.store.evidence import EvidenceImported, import_evidence
from auditor.store.originals import ImportedAs
from auditor.store.records_db import Connection, open_records, remove


def bring(
    con: Connection, store: Store, kind: ImportedAs, text: str, rules: str, name: str = "log.csv"
) -> EvidenceImported:
    folder = store.root.parent
    (folder / name).write_text(text, "utf-8")
    (folder / "rules.toml").write_text(rules, "utf-8")
    return import_evidence(con, store, folder / name, kind, "", folder / "rules.toml", imported_on="2026-01-31")


WORDS = """
[file]
zone = "-06:00"
date_order = "month-day-year"
[columns]
system_id = "Site"
unit = "Serial"
start = "When"
kind = { column = "Evt1", vocabulary = "SunSpec Evt1" }
[constants]
source = "gateway"
"""
POLLED = (
    "Site,Serial,When,Evt1\nS1,A1,6/1/2025 1:05 PM,1024\nS1,A1,6/1/2025 13:10:00,0\nS1,A2,6/1/2025 1:05 PM,4294967295\n"
    "S1,A2,6/2/2025 12:00 AM,abc\nS1,A2,6/1/2025 13:30 PM,0\n"
)


def test_words_of_bits_keep_what_the_device_called_them(store: Store) -> None:
    with open_records(store) as con:
        done = bring(con, store, "events", POLLED, WORDS)
        assert tally(done) == (5, 3, 2, 0)
        rows = con.execute("SELECT unit, start, kind, words, source FROM event ORDER BY ALL").fetchall()
        told = {row["row_number"]: row["column"] for row in done.outcome.rejects.to_dicts()}
        sentence = done.outcome.rejects.filter(pl.col("row_number") == 5)["sentence"][0]
    at = datetime(2025, 6, 1, 19, 5)
    assert rows == [
        ("A1", at, "overvoltage trip", "SunSpec Evt1 0x00000400: AC_OVER_VOLT", "gateway"),
        ("A1", datetime(2025, 6, 1, 19, 10), "no alarm", "SunSpec Evt1 0x00000000: no bit set", "gateway"),
        ("A2", at, "not reported", "SunSpec Evt1 0xFFFFFFFF: not implemented", "gateway"),
    ]
    assert told == {5: "Evt1", 6: "When"}
    assert sentence == "'abc' is no word of SunSpec Evt1: a whole number, such as 1024 or 0x400"


def test_plain_text_goes_by_the_values_and_the_rest_by_what_is_said_of_it(store: Store) -> None:
    rules = """
[columns]
system_id = "Site"
start = "When"
kind = { column = "Alarm", values = { "AC V High" = "overvoltage trip" }, otherwise = "other alarm" }
"""
    log = "Site,When,Alarm\nS1,2025-06-01T12:00Z,AC V High\nS1,2025-06-01T13:00Z,Fan\nS1,2025-06-01T14:00Z,\n"
    with open_records(store) as con:
        assert tally(bring(con, store, "events", log, rules)) == (3, 2, 1, 0)
        assert con.execute("SELECT kind, words FROM event ORDER BY start").fetchall() == [
            ("overvoltage trip", "AC V High"),
            ("other alarm", "Fan"),
        ]


def test_units_marks_and_constants_of_readings(store: Store) -> None:
    rules = """
[file]
delimiter = ";"
decimal_mark = ","
missing = ["n/a"]
[columns]
start = "Zeit"
mean_v = { column = "U", unit = "mV" }
power_kw = { column = "P", unit = "W" }
[constants]
system_id = "S1"
place = "service"
duration_s = 600
solar = "on"
error_pct = 0.7
"""
    log = "Zeit;U;P\n2025-06-01T12:00Z;239500,5;1500\n2025-06-01T12:10Z;240000;n/a\n2025-06-01T12:20Z;n/a;\n"
    with open_records(store) as con:
        assert tally(bring(con, store, "readings", log, rules)) == (3, 2, 1, 0)
        found = con.execute(
            "SELECT mean_v, power_kw, duration_s, solar, error_pct FROM reading ORDER BY start"
        ).fetchall()
    assert found == [(pytest.approx(239.5005), 1.5, 600, "on", 0.7), (240, None, 600, "on", 0.7)]


def test_complaints_come_in_and_the_later_word_counts(store: Store) -> None:
    rules = """
[file]
date_order = "month-day-year"
[columns]
complaint_id = "Ticket"
system_id = "Site"
opened = "Opened"
closed = "Closed"
text = "Says"
status = { column = "State", values = { "done" = "closed" }, otherwise = "open" }
"""
    log = (
        "Ticket,Site,Opened,Closed,State,Says\n0017,S1,6/3/2025,,new,=trips at noon\n0018,S1,6/4/2025,6/3/2025,done,x\n"
        "0019,S2,6/5/2025,,waiting,off again\n"
    )
    with open_records(store) as con:
        done = bring(con, store, "complaints", log, rules)
        assert tally(done) == (3, 2, 1, 0)
        assert (done.outcome.first, done.outcome.last) == (datetime(2025, 6, 3), datetime(2025, 6, 5))
        assert con.execute("SELECT complaint_id, opened, status, text FROM complaint ORDER BY 1").fetchall() == [
            ("0017", date(2025, 6, 3), "open", "=trips at noon"),
            ("0019", date(2025, 6, 5), "open", "off again"),
        ]
        again = log.replace("waiting", "done").replace("6/5/2025,,", "6/5/2025,6/9/2025,")
        done = bring(con, store, "complaints", again, rules, "later.csv")
        assert (tally(done), done.outcome.replaced) == ((3, 1, 1, 1), 1)


def test_a_rebuilt_database_reads_by_the_kept_mapping(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, "events", POLLED, WORDS)
        before = con.execute("FROM event ORDER BY ALL").fetchall()
    (store.root.parent / "rules.toml").unlink()
    remove(store)
    with open_records(store) as con:
        assert con.execute("FROM event ORDER BY ALL").fetchall() == before


@pytest.mark.parametrize(
    ("table", "rules", "said"),
    [
        (EVENT, '[columns]\nstrat = "When"', "[columns] strat: is no column of events. Did you mean start?"),
        (EVENT, '[columns]\nkind = { column = "A", values = { x = "overvoltage" } }', "'overvoltage' is not one of"),
        (EVENT, '[columns]\nkind = { column = "A", vocabulary = "SunSpec" }', "SunSpec Evt1"),
        (EVENT, '[columns]\nwords = { column = "A", otherwise = "x" }', "otherwise is for columns of choices"),
        (READING, '[columns]\nmean_v = { column = "U", unit = "W" }', "unit 'W' is not one of: V, mV, kV"),
        (READING, '[columns]\nleg = { column = "U", unit = "V" }', "leg: takes no unit"),
        (READING, '[file]\nzone = "Mars"', "is no time zone"),
        (COMPLAINT, '[columns]\ntext = "A"\n[constants]\ntext = "B"', "it stands under [constants] too"),
    ],
)
def test_a_mapping_that_makes_no_sense_says_where(tmp_path: Path, table: object, rules: str, said: str) -> None:
    path = tmp_path / "rules.toml"
    path.write_text(rules, "utf-8")
    with pytest.raises(AuditorError) as told:
        load_evidence_mapping(path, table)  # type: ignore[arg-type]
    assert said in str(told.value)
    assert str(path) in str(told.value)

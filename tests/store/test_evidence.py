"""Readings and events in the store: every row accounted for, the later import wins, and a rebuilt database is alike."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from store_files import SAMPLE, rows_of, tally

from auditor.errors import AuditorError
from auditor.records.evidence_schema import EVENT, READING
from auditor.store import Store, evidence_db
from auditor.store.evidence import (
    EvidenceImported,
    events_of,
    import_evidence,
    readings_in_turn,
    readings_of,
    systems_with_readings,
)
from auditor.store.importing import import_file
from auditor.store.originals import ImportedAs, read_manifest
from auditor.store.records_db import Connection, open_records, remove

HEAD = "system_id,place,circuit_id,unit,leg,start,duration_s,mean_v,max_v,power_kw\n"
ROWS = (
    "S1,service,,,L1-L2,2025-06-01T12:00-05:00,900,243.1,244,3.2\n"
    "S1,service,,,L1-N,2025-06-01T12:00-05:00,900,121.6,,\n"
    "S1,unit,1,U7,,2025-06-01T12:00-05:00,300,245.9,246.4,3.2\n"
    "00123,Main Panel,,,l1 - l2,2025-06-01T12:15-05:00,60,239,,-0.4\n"
)
EVENTS = "system_id,circuit_id,unit,start,end,kind,words,source\n"


def bring(
    con: Connection, store: Store, text: str, kind: ImportedAs = "readings", name: str = "a.csv", zone: str = ""
) -> EvidenceImported:
    path = store.root.parent / name
    path.write_text(text, "utf-8")
    return import_evidence(con, store, path, kind, zone, imported_on="2026-01-31")


def held(con: Connection, table: str) -> list[tuple[object, ...]]:
    return con.execute(f'FROM "{table}" ORDER BY ALL').fetchall()


def everything(con: Connection) -> list[object]:
    return [held(con, table) for table in ("reading", "event", "import", "reject")]


def test_readings_come_in_typed_and_in_utc(store: Store) -> None:
    with open_records(store) as con:
        done = bring(con, store, HEAD + ROWS)
        assert tally(done) == (4, 4, 0, 0)
        assert (done.outcome.first, done.outcome.last) == (datetime(2025, 6, 1, 17), datetime(2025, 6, 1, 17, 15))
        assert systems_with_readings(con) == ["00123", "S1"]
        assert done.outcome.unknown_named == ("00123", "S1")
        found = readings_of(con, "S1")
    assert found.columns == [column.name for column in READING.columns]
    assert found.rows()[0] == (
        "S1",
        "service",
        None,
        None,
        "L1-L2",
        datetime(2025, 6, 1, 17),
        900.0,
        243.1,
        244.0,
        3.2,
        *[None] * 4,
    )
    assert found["leg"].to_list() == ["L1-L2", "L1-N", None]
    assert found["unit"].to_list() == [None, None, "U7"]


def test_legs_and_places_are_one_however_they_are_written(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS)
        assert readings_of(con, "00123").row(0)[1:5] == ("main panel", None, None, "L1-L2")
        again = HEAD + "00123,main panel,,,L1-L2,2025-06-01 17:15Z,60,239,,-0.4\n"
        assert tally(bring(con, store, again, name="b.csv")) == (1, 0, 0, 1)


def test_the_same_file_twice_changes_nothing(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS)
        before = everything(con)
        again = bring(con, store, HEAD + ROWS)
        assert (again.import_id, again.seen_in, tally(again)) == (0, 1, (4, 0, 0, 4))
        assert everything(con) == before
    assert len(read_manifest(store)) == 1


def test_the_later_import_wins_by_place_leg_and_start(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS)
        changed = ROWS.replace("243.1", "242.7").replace("121.6", "121.9")
        done = bring(con, store, HEAD + changed, name="b.csv")
        assert (tally(done), done.outcome.replaced) == ((4, 2, 0, 2), 2)
        assert readings_of(con, "S1")["mean_v"].to_list() == [242.7, 121.9, 245.9]
        # The first file again is the later import now.
        back = bring(con, store, HEAD + ROWS)
        assert (back.import_id, back.seen_in, tally(back)) == (3, 1, (4, 2, 0, 2))
        assert readings_of(con, "S1")["mean_v"].to_list() == [243.1, 121.6, 245.9]


@pytest.mark.parametrize(
    ("cells", "column", "code"),
    [
        *(
            ({"mean_v": text}, "mean_v", "type-error")
            for text in ("nan", "NaN", "inf", "-Infinity", "240 V", "1e999", "x")
        ),
        *(({"mean_v": text}, "mean_v", "constraint-error") for text in ("0", "-240", "1000.5", "", "240000")),
        *(({"max_v": text}, "max_v", "type-error") for text in ("nan", "inf")),
        *(({"max_v": text}, "max_v", "constraint-error") for text in ("0", "1001", "230")),
        *(({"power_kw": text}, "power_kw", "type-error") for text in ("nan", "3.2 kW")),
        *(({"duration_s": text}, "duration_s", "constraint-error") for text in ("0", "-900", "86401", "")),
        ({"place": "roof"}, "place", "constraint-error"),
        ({"place": ""}, "place", "constraint-error"),
        ({"system_id": ""}, "system_id", "constraint-error"),
        ({"start": "6/1/2025 12:00"}, "start", "type-error"),
        ({"start": ""}, "start", "constraint-error"),
        ({"start": "1970-01-01T00:00Z"}, "start", "constraint-error"),
    ],
)
def test_what_cannot_be_is_rejected_with_row_column_and_reason(
    store: Store, cells: dict[str, str], column: str, code: str
) -> None:
    good = dict(zip(HEAD.strip().split(","), ROWS.splitlines()[0].split(","), strict=True))
    with open_records(store) as con:
        done = bring(con, store, HEAD + ",".join((good | cells).values()) + "\n" + ROWS)
        assert tally(done) == (5, 4, 1, 0)
        (told,) = con.execute('SELECT row_number, "column", code, raw, system_id FROM reject').fetchall()
    assert told == (2, column, code, cells[column], cells.get("system_id", "S1") or None)


def test_a_row_with_several_faults_is_one_rejected_row(store: Store) -> None:
    with open_records(store) as con:
        done = bring(con, store, HEAD + "S1,roof,,,,noon,x,0,nan,y\n" + ROWS)
        assert tally(done) == (5, 4, 1, 0)
        assert done.outcome.rejects["column"].to_list() == [
            "duration_s",
            "max_v",
            "mean_v",
            "place",
            "power_kw",
            "start",
        ]


def test_a_highest_voltage_in_whole_volts_may_lie_below_the_mean(store: Store) -> None:
    with open_records(store) as con:
        assert tally(bring(con, store, HEAD + "S1,service,,,,2025-06-01T12:00Z,900,240.4,240,\n"))[1] == 1


def test_readings_of_one_file_that_contradict_each_other_are_refused_both(store: Store) -> None:
    other = ROWS.splitlines()[0].replace("243.1", "121.4") + "\n"
    with open_records(store) as con:
        done = bring(con, store, HEAD + ROWS + other + ROWS.splitlines()[1] + "\n")
        assert tally(done) == (6, 3, 2, 1)
        told = con.execute("SELECT row_number, code, sentence FROM reject ORDER BY 1").fetchall()
    assert [row[:2] for row in told] == [(2, "contradiction"), (6, "contradiction")]
    assert "rows 2 to 6" in told[0][2]


def test_ragged_and_blank_rows_are_accounted_for(store: Store) -> None:
    with open_records(store) as con:
        done = bring(con, store, HEAD + "S1,service\n,,,,,,,,,\n\n" + ROWS + 'S1,service,,,"L1\n-L2",x,,,,,,\n')
        assert tally(done) == (6, 4, 2, 0)
        assert con.execute("SELECT row_number, code FROM reject ORDER BY 1").fetchall() == [
            (2, "missing-cell"),
            (9, "extra-cell"),
        ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("system_id,start\nS1,2025-06-01T12:00Z\n", "has no column place and none duration_s and none mean_v"),
        (HEAD.replace("max_v", "mean_v") + ROWS, "several columns are called mean_v"),
        (HEAD + ROWS + 'S1,service,,,"L1,2025-06-01T12:00Z,900,240,,\n', "quote that opens on line 6"),
        (HEAD + ROWS + "S1,service,,,,2025-06-01T12:00,900,240,,\n", r"row 6: start '2025-06-01T12:00' states no zone"),
        ("", "should hold the header"),
    ],
)
def test_a_file_that_cannot_be_relied_on_is_refused_whole(store: Store, text: str, said: str) -> None:
    with open_records(store) as con:
        with pytest.raises(AuditorError, match=said):
            bring(con, store, text)
        assert everything(con) == [[], [], [], []]
    assert read_manifest(store) == []


def test_columns_that_are_not_used_are_told(store: Store) -> None:
    with open_records(store) as con:
        done = bring(con, store, HEAD.strip() + ",Mean_V\n" + "S1,service,,,,2025-06-01T12:00Z,900,240,,,7\n")
    assert (done.outcome.unused, tally(done)) == (("Mean_V",), (1, 1, 0, 0))


def test_a_rebuilt_database_is_alike(store: Store) -> None:
    log = "S1,,,2025-06-01T00:00-05:00,,logging,,\nS1,1,U1,2025-06-03T12:00-05:00,,overvoltage trip,AC hi,gw\n"
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS + "S1,roof,,,,x,,,,\n")
        bring(con, store, HEAD + ROWS.replace("243.1", "242.7"), name="b.csv")
        bring(con, store, EVENTS + log.replace("-05:00", ""), "events", "e.csv", "America/Chicago")
        before = everything(con)
    remove(store)
    with open_records(store) as con:
        assert everything(con) == before
    assert [entry.imported_as for entry in read_manifest(store)] == ["readings", "readings", "events"]
    assert read_manifest(store)[2].zone == "America/Chicago"


def test_an_import_in_the_manifest_alone_is_finished_when_the_store_is_opened(store: Store) -> None:
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS)
    kept = store.records.read_bytes()
    with open_records(store) as con:
        bring(con, store, HEAD + ROWS.replace("243.1", "242.7"), name="b.csv")
        after = everything(con)
    store.records.write_bytes(kept)
    with open_records(store) as con:
        assert everything(con) == after


def test_a_manifest_of_before_there_were_readings_is_read(store: Store) -> None:
    path = store.root.parent / "r.csv"
    path.write_text(rows_of(SAMPLE / "tidy.csv", 3), "utf-8")
    with open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
    line = json.loads(store.manifest.read_text("utf-8"))
    del line["imported_as"], line["zone"]
    store.manifest.write_text(json.dumps(line) + "\n", "utf-8")
    remove(store)
    with open_records(store) as con:
        assert con.execute("SELECT imported_as, zone FROM import").fetchall() == [("records", "")]


def test_a_dry_run_changes_nothing(store: Store) -> None:
    path = store.root.parent / "a.csv"
    path.write_text(HEAD + ROWS, "utf-8")
    with open_records(store) as con:
        done = import_evidence(con, store, path, "readings", imported_on="2026-01-31", dry_run=True)
        assert (done.import_id, tally(done)) == (0, (4, 4, 0, 0))
        assert everything(con) == [[], [], [], []]
    assert list(store.originals.iterdir()) == []


def test_events_keep_their_words_and_an_end_may_come_later(store: Store) -> None:
    first = "S1,,,2025-06-01T00:00Z,,logging,,gw\nS1,1,U1,2025-06-03T12:00Z,,Overvoltage-Trip,AC hi ,gw\n"
    with open_records(store) as con:
        done = bring(con, store, EVENTS + first, "events")
        assert tally(done) == (2, 2, 0, 0)
        found = events_of(con, "S1")
        assert found.columns == [*(column.name for column in EVENT.columns), "known_until"]
        assert found.row(1)[5:7] == ("overvoltage trip", "AC hi")
        # An event without an end is known to have lasted to the last moment that its file tells of.
        assert found["known_until"].to_list() == [datetime(2025, 6, 3, 12)] * 2
        later = first.replace("12:00Z,,", "12:00Z,2025-06-03T12:05Z,") + "S2,,,2025-06-09T00:00Z,,other trip,,\n"
        assert tally(bring(con, store, EVENTS + later, "events", "b.csv")) == (3, 3, 0, 0)
        found = events_of(con, "S1")
    assert found["end"].to_list() == [None, datetime(2025, 6, 3, 12, 5)]
    assert found["known_until"].to_list() == [datetime(2025, 6, 9), None]


def test_an_event_told_again_in_one_file_counts_as_told_last(store: Store) -> None:
    trip = "S1,1,U1,2025-06-03T12:00Z,{},overvoltage trip,AC hi,gw\n"
    text = EVENTS + trip.format("") + trip.format("2025-06-03T12:05Z") + trip.format("2025-06-03T12:05Z")
    with open_records(store) as con:
        done = bring(con, store, text + trip.format("").replace("AC hi", "bit 10"), "events")
        assert (tally(done), done.outcome.told_again) == ((4, 2, 0, 2), 1)
        assert events_of(con, "S1").select("words", "end").rows() == [
            ("AC hi", datetime(2025, 6, 3, 12, 5)),
            ("bit 10", None),
        ]


def test_an_event_that_ends_before_it_starts_is_refused_and_not_swapped(store: Store) -> None:
    with open_records(store) as con:
        text = (
            EVENTS
            + "S1,,,2025-05-19T15:44Z,2025-05-19T13:04Z,other trip,,\n"
            + "S1,,,2025-05-19T15:44Z,2025-05-19T15:44Z,logging,,\n"
        )
        assert tally(bring(con, store, text, "events")) == (2, 1, 1, 0)
        (told,) = con.execute('SELECT "column", code, sentence FROM reject').fetchall()
    assert told[:2] == ("end", "constraint-error")
    assert "2025-05-19T13:04Z" in told[2]


def test_rejects_close_when_the_file_comes_again_and_by_nothing_else(store: Store) -> None:
    records = store.root.parent / "r.csv"
    records.write_text("system_id,circuit_id,inverter_count\nS1,1,9\n", "utf-8")
    bad = "S1,1,U1,noon,,overvoltage trip,,\n"
    with open_records(store) as con:
        first = bring(con, store, EVENTS + bad, "events", "e.csv")
        assert (tally(first), first.outcome.still_open) == ((1, 0, 1, 0), 1)
        # The record of that circuit settles nothing about the event.
        assert import_file(con, store, records, imported_on="2026-01-31").outcome.still_open == 1
        other = bring(con, store, EVENTS + bad.replace("noon", "2025-06-01T12:00Z"), "events", "f.csv")
        assert (other.outcome.closed, other.outcome.still_open) == (0, 1)
        mended = bring(con, store, EVENTS + bad.replace("noon", "2025-06-01T13:00Z"), "events", "e.csv")
        assert (mended.outcome.closed, mended.outcome.still_open) == (1, 0)


def test_systems_without_a_record_are_told_until_it_comes(store: Store) -> None:
    records = store.root.parent / "r.csv"
    records.write_text("system_id,circuit_id,inverter_count\nS1,1,9\n", "utf-8")
    with open_records(store) as con:
        import_file(con, store, records, imported_on="2026-01-31")
        done = bring(con, store, HEAD + ROWS)
    assert (done.outcome.systems, done.outcome.unknown, done.outcome.unknown_named) == (2, 1, ("00123",))


def test_small_pieces_and_little_memory_give_the_same(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [f"S{n % 7},service,,,,2025-06-{n % 28 + 1:02d}T{n % 24:02d}:00Z,900,{230 + n % 19},," for n in range(3_000)]
    path = tmp_path / "many.parquet"
    csv = tmp_path / "many.csv"
    csv.write_text(HEAD + "\n".join(rows) + "\n", "utf-8")
    pl.read_csv(csv, infer_schema=False).write_parquet(path)
    monkeypatch.setattr("auditor.records.evidence_reader.BATCH_ROWS", 100)
    monkeypatch.setattr(evidence_db, "LEAST_MB", 64)
    monkeypatch.setattr(evidence_db, "THREAD_MB", 16)
    with open_records(store) as con:
        limit = con.execute("SELECT current_setting('memory_limit')").fetchall()
        done = import_evidence(con, store, path, "readings", imported_on="2026-01-31")
        again = import_evidence(con, store, csv, "readings", imported_on="2026-01-31")
        assert con.execute("SELECT current_setting('memory_limit')").fetchall() == limit
    said: dict[str, set[str]] = {}
    for row in rows:
        cells = row.split(",")
        said.setdefault(cells[0] + cells[5], set()).add(cells[7])
    contradicted = sum(len(said[r.split(",")[0] + r.split(",")[5]]) > 1 for r in rows)
    assert tally(done)[1:3] == (sum(len(values) == 1 for values in said.values()), contradicted)
    assert tally(again) == (3_000, 0, contradicted, 3_000 - contradicted)


def test_every_column_of_the_tables_is_described() -> None:
    for table in (READING, EVENT):
        assert all(column.about for column in table.columns)
        assert set(table.key) <= {column.name for column in table.columns}


def test_readings_come_in_turn_as_whole_systems(store: Store) -> None:
    """Up to three at a time: two systems of one and two, then one of four by itself, then the last."""
    counts = (("A", 1), ("B", 2), ("C", 4), ("D", 1))
    lines = [
        f"{name},service,L1-L2,2025-06-01T{hour:02}:00:00Z,900,24{hour}.0"
        for name, count in counts
        for hour in range(count)
    ]
    with open_records(store) as con:
        bring(con, store, "system_id,place,leg,start,duration_s,mean_v\n" + "\n".join(lines) + "\n")
        frames = list(readings_in_turn(con, counts, 3))
    assert [sorted(frame["system_id"]) for frame in frames] == [["A", "B"], ["C"], ["D"]]
    assert sorted(frames[1]["mean_v"][0]) == [240.0, 241.0, 242.0, 243.0]
    assert frames[0].columns == ["system_id", "place", "circuit_id", "unit", "leg", "start", "duration_s", "mean_v",
                                 "max_v", "power_kw"]  # fmt: skip

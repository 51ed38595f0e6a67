"""Exports: the same rows and values in every format, nothing that a spreadsheet would run, whole files or none."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import duckdb
import pytest
from exports_read_back import READERS, Row, sheet_cells

from auditor.catalog import load_catalog
from auditor.errors import AuditorError
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.records.schema import CIRCUIT, SYSTEM
from auditor.reports import export as module
from auditor.reports.export import export
from auditor.reports.tables import WHAT
from auditor.reports.worksheet import XLSX_CHARACTERS, fitted
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.records_db import Connection, open_records
from auditor.store.snapshot import open_snapshot

SampleStore = tuple[Store, dict[str, Imported]]
SUFFIXES = (".csv", ".xlsx", ".jsonl", ".parquet")
#: What the sample holds; it has no system under two ids.
SAMPLED = tuple(what for what in WHAT if what != "duplicates")
#: OWASP, "CSV Injection", lists = + - @ TAB CR LF; OWASP ASVS 5.0, 1.2.10, adds the null character.
TRIGGERS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0")

REQUIRED = {
    "findings": "run system_id circuit_id check check_version verdict severity confidence value limit unit margin_pct"
    " missing assumed sentence source_file source_row",
    "circuits": "system_id circuit_id trunk_rise_pct home_run_rise_pct feeder_rise_pct total_rise_pct rise_target_pct"
    " unit_limit stated_unit_limit computed_unit_limit inverter_model inverter_count breaker_a missing assumed"
    " voltage_rise_verdict voltage_rise_value voltage_rise_limit branch_unit_limit_verdict",
    "systems": "system_id verdict fails unknowns designer utility energized_date busbar_verdict voltage_rise_verdict",
    "trips": "system_id site_label utility trip_band trip_days_per_year trip_days_per_year_low trip_chance_30d"
    " supply_share service_share wiring_share trip_days_saved_at_target trip_assumed trip_missing",
    "rejects": "file_name row_number column canonical raw code sentence import_id sheet system_id circuit_id open"
    " closed_by",
    "conflicts": "file_name system_id circuit_id combiner_id column said",
    "warnings": "system_id circuit_id code column value sentence file_name sheet row_number",
    "facts": "system_id circuit_id combiner_id rank fact model where_it_is_found settles_alone settles_with_others"
    " together_with checks",
}
ROWS = {
    "findings": "SELECT count(*) FROM finding",
    "circuits": "SELECT count(*) FROM circuit",
    "systems": "SELECT count(*) FROM system",
    "rejects": "SELECT count(*) FROM reject",
}


def exported(store: Store, what: str, path: Path) -> list[Row]:
    with open_snapshot(store) as con:
        written = export(con, what, path)
    rows = READERS[path.suffix](path)
    assert written.rows == len(rows)
    return rows


def plain(value: object, kind: str) -> object:
    """A value as every format can say it: a number as a float, a text without our guard, nothing as None."""
    if value in (None, ""):
        return None
    if kind == "number":
        return float(str(value))
    if kind == "truth":
        return str(value).lower() in ("true", "1.0", "1")
    return str(value).removeprefix("'") if str(value)[1:2] in TRIGGERS and str(value)[1:2] else str(value)


def kinds(store: Store, what: str) -> dict[str, str]:
    with open_snapshot(store) as con:
        described = con.execute(f"DESCRIBE {module.query_of(con, what)}").fetchall()
    named = {"BOOLEAN": "truth", "DOUBLE": "number"}
    return {row[0]: "number" if "INT" in row[1] else named.get(row[1], "text") for row in described}


def agree(read: list[dict[str, object]], told: list[dict[str, object]], tolerance: float) -> bool:
    """Whether all values agree, numbers within a relative tolerance (a worksheet has 16 digits, a double 17)."""
    return len(read) == len(told) and all(
        a == b or (isinstance(a, float) and isinstance(b, float) and math.isclose(a, b, rel_tol=tolerance))
        for row, other in zip(read, told, strict=True)
        for a, b in zip(row.values(), other.values(), strict=True)
    )


@pytest.mark.parametrize("what", SAMPLED)
def test_the_four_formats_hold_the_same_rows_and_values(sample_store: SampleStore, tmp_path: Path, what: str) -> None:
    store = sample_store[0]
    columns = kinds(store, what)
    read = {suffix: exported(store, what, tmp_path / f"x{suffix}") for suffix in SUFFIXES}
    with open_snapshot(store) as con:
        count = ROWS.get(what, f"SELECT count(*) FROM ({module.query_of(con, what)})")
        assert {len(rows) for rows in read.values()} == {con.execute(count).fetchall()[0][0]}
        names, *_ = zip(*con.execute(f"DESCRIBE {module.query_of(con, what)}").fetchall(), strict=True)
        asked = [dict(zip(names, row, strict=True)) for row in con.execute(module.query_of(con, what)).fetchall()]
    told = [{name: plain(row[name], kind) for name, kind in columns.items()} for row in asked]
    for suffix, rows in read.items():
        assert list(rows[0]) == list(columns), suffix
        values = [{name: plain(row[name], kind) for name, kind in columns.items()} for row in rows]
        assert agree(values, told, 1e-15 if suffix == ".xlsx" else 0), suffix


@pytest.mark.parametrize("what", SAMPLED)
def test_the_columns_that_people_rely_on_are_there(sample_store: SampleStore, tmp_path: Path, what: str) -> None:
    rows = exported(sample_store[0], what, tmp_path / "x.csv")
    assert set(REQUIRED[what].split()) <= set(rows[0])
    keys = [name for name in ("system_id", "circuit_id", "check", "file_name", "row_number") if name in rows[0]]
    assert list(rows[0])[: len(keys)] == keys or what in ("findings", "rejects", "warnings", "conflicts")
    assert not [name for name in rows[0] if name.endswith(("_bits", "_hash"))]


@pytest.mark.parametrize("what", SAMPLED)
@pytest.mark.parametrize("suffix", [".csv", ".jsonl", ".parquet"])
def test_an_export_is_the_same_bytes_again(sample_store: SampleStore, tmp_path: Path, what: str, suffix: str) -> None:
    paths = [tmp_path / f"{number}{suffix}" for number in range(2)]
    for path in paths:
        with open_snapshot(sample_store[0]) as con:
            assert export(con, what, path).rows
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_the_order_is_by_system_circuit_and_check(sample_store: SampleStore, tmp_path: Path) -> None:
    rows = exported(sample_store[0], "findings", tmp_path / "x.jsonl")
    keys = [(str(row["system_id"]), str(row["circuit_id"] or "")) for row in rows]
    assert keys == sorted(keys)
    circuits = exported(sample_store[0], "circuits", tmp_path / "c.jsonl")
    keys = [(str(row["system_id"]), str(row["circuit_id"])) for row in circuits]
    assert keys == sorted(keys)
    assert len(set(keys)) == len(keys)


TEXT_FIELDS = tuple(column.name for column in (*SYSTEM.columns, *CIRCUIT.columns[1:]) if column.kind in ("id", "text"))
STARTS = ("=", "+", "-", "@")


@pytest.fixture(scope="module")
def risky(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """For each start a circuit whose every text field starts with it, and a refused cell that does."""
    store = Store(tmp_path_factory.mktemp("risky") / "store")
    store.create()
    rows = []
    for place, start in enumerate(STARTS):
        fields = {name: f"{start}1+{number}|{name}" for number, name in enumerate(TEXT_FIELDS)}
        bad = {**fields, "system_id": f"S{place}", "longitude_deg": f"{start}cmd", "low_design_temp_c": ""}
        rows += [{**fields, "longitude_deg": "-1.25", "low_design_temp_c": "-12"}, bad]
    lines = [",".join(rows[0]), *(",".join('"' + cell + '"' for cell in row.values()) for row in rows)]
    path = store.root / "risky.csv"
    path.write_text("\n".join(lines) + "\n", "utf-8", newline="")
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, path, imported_on="2026-01-31")
        publish(con, store, load_catalog([]), load_policy(None), date(2026, 1, 31))
    return store


def _risky(rows: list[Row]) -> list[object]:
    """Cells that a spreadsheet would take for a formula: a number may start with a minus."""
    found = []
    for row in rows:
        for value in row.values():
            if isinstance(value, str) and value.startswith(TRIGGERS):
                try:
                    float(value)
                except ValueError:
                    found.append(value)
    return found


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_imported_text_never_starts_a_formula(risky: Store, tmp_path: Path, suffix: str) -> None:
    cells = {}
    for what in WHAT:
        rows = exported(risky, what, tmp_path / f"{what}{suffix}")
        assert _risky(rows) == [], what
        cells[what] = {str(value) for row in rows for value in row.values()}
    in_circuits = {column.name for column in CIRCUIT.columns}
    for start in STARTS:
        for what, texts in cells.items():
            guarded = [text for text in texts if text.startswith(f"'{start}")]
            assert guarded or what in ("conflicts", "warnings", "duplicates"), (what, start)
        for number, name in enumerate(TEXT_FIELDS):
            where = "circuits" if name in in_circuits else "systems"
            if name != "service":
                assert f"'{start}1+{number}|{name}" in cells[where], (name, start)
        assert f"'{start}cmd" in cells["rejects"]


@pytest.mark.parametrize("suffix", [".jsonl", ".parquet"])
def test_what_no_spreadsheet_opens_has_the_text_as_it_is(risky: Store, tmp_path: Path, suffix: str) -> None:
    designers = {row["designer"] for row in exported(risky, "systems", tmp_path / f"raw{suffix}")}
    assert {f"{start}1+{TEXT_FIELDS.index('designer')}|designer" for start in STARTS} <= designers


def test_negative_numbers_stay_numbers(risky: Store, tmp_path: Path) -> None:
    assert {row["longitude_deg"] for row in exported(risky, "systems", tmp_path / "x.csv")} == {"-1.25", ""}
    assert {row["longitude_deg"] for row in exported(risky, "systems", tmp_path / "x.xlsx")} == {-1.25, None}
    text = (tmp_path / "x.csv").read_text("utf-8")
    assert ",-1.25," in text
    assert "'-1.25" not in text


def _made(raw: list[str]) -> Connection:
    """A stand-in for a snapshot that holds just rejects, with texts that no importer would let through."""
    con = duckdb.connect()
    con.execute("CREATE TABLE import AS SELECT 1 AS import_id, 'f.csv' AS file_name")
    con.execute(
        'CREATE TABLE reject (import_id INTEGER, row_number BIGINT, "column" VARCHAR, canonical VARCHAR, raw VARCHAR,'
        " code VARCHAR, sentence VARCHAR, sheet VARCHAR, system_id VARCHAR, circuit_id VARCHAR, closed_by INTEGER)"
    )
    for number, text in enumerate(raw):
        con.execute("INSERT INTO reject VALUES (1, ?, 'c', 'c', ?, 'x', 's', NULL, NULL, NULL, NULL)", [number, text])
    return con


@pytest.mark.parametrize("start", TRIGGERS)
@pytest.mark.parametrize("rest", ["", "1+1", "cmd|' /C calc'!A0", "-5"])
@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_every_trigger_is_guarded(tmp_path: Path, start: str, rest: str, suffix: str) -> None:
    path = tmp_path / f"x{suffix}"
    with _made([start + rest, f" {start}{rest}", f"x{start}{rest}"]) as con:
        export(con, "rejects", path)
    if suffix == ".csv" and start == "\0":
        assert f'"\'{start}{rest}"' in path.read_text("utf-8")
        return
    raw = [row["raw"] for row in READERS[suffix](path)]
    assert raw == [f"'{start}{rest}", f" {start}{rest}", f"x{start}{rest}"]


def test_csv_text_is_quoted_so_that_no_other_separator_opens_a_cell(tmp_path: Path) -> None:
    with _made(["a;=1+1", "a\t=1+1", 'a",=1+1', "a\r\n=1+1"]) as con:
        export(con, "rejects", tmp_path / "x.csv")
    text = (tmp_path / "x.csv").read_text("utf-8")
    assert '"a;=1+1"' in text
    assert '"a\t=1+1"' in text
    assert '"a"",=1+1"' in text
    assert [row["raw"] for row in READERS[".csv"](tmp_path / "x.csv")][3] == "a\r\n=1+1"


def test_a_worksheet_holds_no_formula_and_no_link(tmp_path: Path) -> None:
    texts = [
        "=1+1",
        "{=1+1}",
        "https://example.invalid/x",
        "mailto:a@example.invalid",
        "internal:x!A1",
        "12",
        "_x0041_",
    ]
    with _made(texts) as con:
        export(con, "rejects", tmp_path / "x.xlsx")
    for row in sheet_cells(tmp_path / "x.xlsx"):
        for cell in row:
            assert cell.find("{*}f") is None
            assert cell.get("t") in ("inlineStr", None, "n", "b")
    rows = READERS[".xlsx"](tmp_path / "x.xlsx")
    assert [row["raw"] for row in rows][1:6] == texts[1:6]


def test_text_too_long_for_a_cell_is_cut_with_a_mark_and_said(tmp_path: Path) -> None:
    # 32,767 characters: Microsoft, "Excel specifications and limits"; counted as UTF-16 code units (from memory).
    fits, long, wide = "a" * 32_767, "b" * 32_768, "😀" * 20_000
    with _made([fits, long, wide]) as con:
        written = export(con, "rejects", tmp_path / "x.xlsx")
        whole = export(con, "rejects", tmp_path / "x.csv")
    assert written.cut == {"raw": 2}
    assert whole.cut == {}
    first, second, third = (str(row["raw"]) for row in READERS[".xlsx"](tmp_path / "x.xlsx"))
    assert first == fits
    for cut, start in ((second, "b"), (third, "😀")):
        assert cut.endswith("… [cut]")
        assert cut.startswith(start)
        assert len(cut.encode("utf-16-le")) // 2 <= XLSX_CHARACTERS
    csv_rows = READERS[".csv"]
    assert fitted("'=" + "a" * 40_000).startswith("'=")
    assert [len(str(row["raw"])) for row in csv_rows(tmp_path / "x.csv")] == [32_767, 32_768, 20_000]


def test_dates_before_a_worksheets_first_day_are_text(tmp_path: Path) -> None:
    con = duckdb.connect()
    con.execute("CREATE TABLE t AS SELECT DATE '1899-05-04' AS d UNION ALL SELECT DATE '2020-02-29' ORDER BY d")
    module._xlsx(con, "SELECT d FROM t ORDER BY d", tmp_path / "x.xlsx")
    assert [row["d"] for row in READERS[".xlsx"](tmp_path / "x.xlsx")] == ["1899-05-04", date(2020, 2, 29)]


def test_numbers_that_are_none_stop_no_worksheet(tmp_path: Path) -> None:
    con = duckdb.connect()
    module._xlsx(con, "SELECT 'nan'::DOUBLE AS a, 'inf'::DOUBLE AS b, 1.5::DECIMAL(4, 2) AS c", tmp_path / "x.xlsx")
    assert READERS[".xlsx"](tmp_path / "x.xlsx")[0]["c"] == 1.5


def _left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_more_rows_than_a_worksheet_holds_are_refused(
    sample_store: SampleStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 1,048,576 rows with the header's: Microsoft, "Excel specifications and limits".
    assert module.XLSX_ROWS == 1_048_576 - 1
    with open_snapshot(sample_store[0]) as con:
        rows = con.execute(ROWS["circuits"]).fetchall()[0][0]
        monkeypatch.setattr(module, "XLSX_ROWS", rows - 1)
        with pytest.raises(AuditorError, match=rf"{rows:,} rows .* {rows - 1:,} .*\.csv, \.jsonl or \.parquet"):
            export(con, "circuits", tmp_path / "x.xlsx")
        assert _left(tmp_path) == []
        monkeypatch.setattr(module, "XLSX_ROWS", rows)
        assert export(con, "circuits", tmp_path / "x.xlsx").rows == rows


@pytest.mark.parametrize(
    ("what", "name", "sentence"),
    [
        ("findings", "x.txt", "use one of .csv, .xlsx, .jsonl, .parquet"),
        ("findings", "x", "use one of .csv, .xlsx, .jsonl, .parquet"),
        ("things", "x.csv", "There is no export of 'things'; there are findings, circuits, systems, trips, rejects"),
        ("rejects", "nowhere/x.csv", "nowhere/x.csv: cannot be written: No such file or directory"),
        ("rejects", "nowhere/x.xlsx", "nowhere/x.xlsx: cannot be written: No such file or directory"),
        ("rejects", "nowhere/x.jsonl", "nowhere/x.jsonl: cannot be written: No such file or directory"),
        ("rejects", "nowhere/x.parquet", "nowhere/x.parquet: cannot be written: No such file or directory"),
        ("rejects", "afile/x.csv", "afile/x.csv: cannot be written: Not a directory"),
        ("rejects", "folder.csv", "folder.csv: cannot be written: Is a directory"),
    ],
)
def test_what_cannot_be_written_is_said(
    sample_store: SampleStore, tmp_path: Path, what: str, name: str, sentence: str
) -> None:
    (tmp_path / "afile").touch()
    (tmp_path / "folder.csv").mkdir()
    before = _left(tmp_path)
    with open_snapshot(sample_store[0]) as con, pytest.raises(AuditorError) as told:
        export(con, what, tmp_path / name)
    assert sentence in str(told.value)
    assert _left(tmp_path) == before


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_an_export_that_breaks_off_leaves_the_old_file(
    sample_store: SampleStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str
) -> None:
    path = tmp_path / f"x{suffix}"
    path.write_text("old", "utf-8")
    batches = module._batches

    def full(con: Connection, query: str):  # type: ignore[no-untyped-def]
        yield next(batches(con, query))
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "_batches", full)
    with open_snapshot(sample_store[0]) as con, pytest.raises(AuditorError, match="No space left on device"):
        export(con, "circuits", path)
    assert path.read_text("utf-8") == "old"
    assert _left(tmp_path) == [path.name]


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_full_disk_is_said(sample_store: SampleStore, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"x{suffix}"
    (tmp_path / f".{path.name}.part").symlink_to("/dev/full")
    with open_snapshot(sample_store[0]) as con, pytest.raises(AuditorError, match="No space left on device"):
        export(con, "circuits", path)
    assert _left(tmp_path) == []


def test_an_export_of_nothing_has_its_header(tmp_path: Path) -> None:
    with _made([]) as con:
        for suffix in SUFFIXES:
            assert export(con, "rejects", tmp_path / f"x{suffix}").rows == 0
    assert (tmp_path / "x.csv").read_text("utf-8").startswith('"file_name","row_number"')
    assert len(sheet_cells(tmp_path / "x.xlsx")) == 1
    assert (tmp_path / "x.jsonl").read_text("utf-8") == ""

"""Rows that need mending, the workbook that lists them, and how a person mends it.

The workbook is read back by the standard library's XML (ECMA-376 part 1) and written anew cell for cell, as a
spreadsheet program saves it; nothing of the project's reader takes part in that.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

from sheets_read_back import Sheets, read_sheets, write_sheets
from store_files import new_store, write_book

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.reports.mending import write_mending
from auditor.store import Store
from auditor.store.importing import Imported, import_file
from auditor.store.mending import mended_imports
from auditor.store.records_db import open_records
from auditor.store.snapshot import open_snapshot

AS_OF = date(2026, 1, 31)
HEADER = (
    "system_id,circuit_id,service,utility,inverter_model,inverter_count,breaker_a,home_run_length_m,home_run_size\n"
)
CLEAN = """S1,1,120/240,Hill Power,Larkfield U240,16,20,20,10 AWG
S1,2,120/240,,Larkfield U240,12,20,25,10 AWG
S2,1,120/240,Vale Power,Larkfield U240,10,20,30,8 AWG
S3,1,120/240,Vale Power,Larkfield U240,9,20,31,8 AWG
"""
MESSY = CLEAN.replace("12,20,25,", "12,20,about 25,").replace("S3,1,120/240,Vale Power", "S3,1,120/240,Vale Power, Inc")
Mend = Callable[[Sheets], None]


def bring(store: Store, path: Path, mapping: Path | None = None, **options: object) -> list[Imported]:
    with store.locked("import"), open_records(store) as con:
        return [
            import_file(con, store, path, mapping, imported_on="2026-01-31", mends=mends, **options)  # type: ignore[arg-type]
            for mends in mended_imports(path) or [0]
        ]


def content(store: Store) -> str:
    with store.locked("audit"), open_records(store) as con:
        return publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF).content_hash


def given(folder: Path, text: str, name: str = "a.csv") -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(text, "utf-8")
    return path


def exported(store: Store, path: Path) -> Path:
    content(store)
    with open_snapshot(store) as con:
        write_mending(con, store, path)
    return path


def mended(store: Store, folder: Path, mend: Mend, name: str = "mended.xlsx") -> Path:
    """The exported workbook as a person saves it after mending."""
    sheets = read_sheets(exported(store, folder / "rejects.xlsx"))
    mend(sheets)
    return write_sheets(folder / name, sheets)


def rejects(store: Store, where: str = "closed_by IS NULL") -> list[tuple[object, ...]]:
    with open_records(store) as con:
        query = f"SELECT import_id, sheet, row_number, system_id, circuit_id, closed_by FROM reject WHERE {where}"
        return con.execute(query + " ORDER BY ALL").fetchall()


def everything(store: Store) -> list[object]:
    with open_records(store) as con:
        names = [
            row[0]
            for row in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary ORDER BY 1").fetchall()
        ]
        assert {"reject", "import", "conflict", "system_past"} <= set(names)
        return [con.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in names]


def clean_content(root: Path, *files: tuple[Path, Path | None]) -> str:
    store = new_store(root)
    for path, mapping in files:
        bring(store, path, mapping)
    return content(store)


def set_cells(sheets: Sheets, name: str, **cells: str) -> None:
    """Write into the first row of a sheet, by the column's header; `row_N__` before a header means another row."""
    header = sheets[name][0]
    for key, value in cells.items():
        row, _, column = key.rpartition("__")
        sheets[name][int(row.removeprefix("row_") or 1)][header.index(column)] = value


def mend_messy(sheets: Sheets) -> None:
    rows = sheets["1 a"]
    set_cells(sheets, "1 a", home_run_length_m="25")
    front, cells = rows[2][:3], rows[2][3:]
    cells[3:5] = ["Vale Power"]
    rows[2] = [front[0], "", front[2], *cells]


def joined_book(
    path: Path, busbar: object = 200, breaker: object = 20, length: object = 30, circuit: str = "1"
) -> Path:
    sheets = {
        "Jobs": [("system_id", "service", "busbar_a"), ("S1", "120/240", busbar), ("S2", "120/240", 225)],
        "Circuits": [
            ("system_id", "circuit_id", "inverter_model", "inverter_count", "breaker_a"),
            ("S1", "1", "Larkfield U240", 9, 20),
            ("S2", "1", "Larkfield U240", 10, 20),
            ("S2", "2", "Larkfield U240", 11, breaker),
        ],
        "Runs": [
            ("system_id", "circuit_id", "length_m", "size"),
            ("S1", "1", 20, "10 AWG"),
            ("S2", circuit, length, "10 AWG"),
            ("S2", "2", 25, "10 AWG"),
        ],
    }
    return write_book(path, sheets)

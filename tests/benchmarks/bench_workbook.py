"""Reading a workbook of 55 columns: seconds and peak memory, beside those of the same rows as a CSV.

    python tests/benchmarks/bench_workbook.py [--rows N]

Both are read into canonical tables, each in a process of its own. Figures are stored as numbers, the rest as text.
Prints one JSON object: seconds of the clock and of the processor, peak memory [GB].
"""

from __future__ import annotations

import argparse
import csv
import json
import multiprocessing
import tempfile
import time
from pathlib import Path

import xlsxwriter
from portfolio import peak_gb, timed, write_portfolio

from auditor.records import read_records

COLUMNS = 55


def write_book(source: Path, path: Path) -> int:
    """Write the first columns of a CSV as a sheet; return its rows."""
    with xlsxwriter.Workbook(str(path), {"constant_memory": True}) as book, source.open(encoding="utf-8") as text:
        sheet = book.add_worksheet("Circuits")
        for at, row in enumerate(csv.reader(text)):
            for column, cell in enumerate(row[:COLUMNS]):
                if cell.replace(".", "", 1).isdecimal() and column > 1:
                    sheet.write_number(at, column, float(cell))
                elif cell:
                    sheet.write_string(at, column, cell)
    return at


def read(path: Path) -> dict[str, float]:
    """Read a file."""
    seconds: dict[str, float] = {}
    calls = 0

    def progress(done: int, total: int | None) -> None:
        nonlocal calls
        calls += 1

    with timed(seconds, "seconds"):
        reading = read_records(path, None, progress)
    processor = time.process_time()
    return {**seconds, "processor": processor, "peak_gb": peak_gb(), "rows": reading.rows_in, "progress": calls}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=300_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        source, path = Path(name) / "portfolio.csv", Path(name) / "portfolio.xlsx"
        write_portfolio(source, args.rows)
        rows = write_book(source, path)
        answer: dict[str, object] = {"benchmark": "workbook", "rows": rows, "xlsx_mb": round(path.stat().st_size / 1e6)}
        for side in (path, source):
            with multiprocessing.get_context("spawn").Pool(1) as pool:
                answer[side.suffix] = pool.apply(read, (side,))
    print(json.dumps(answer, indent=2))


if __name__ == "__main__":
    main()

"""Importing a simple CSV against DuckDB's bare reading of the same file as text; aimed at no more than five times.

    python tests/benchmarks/bench_import.py [--rows N] [--repeats N]

The import surveys the file, counts its rows twice, casts every cell, takes the rows apart into the canonical tables,
keeps the original and writes the records database. Each side runs in a process of its own, in turn; the least time of
the repeats counts. Prints one JSON object: seconds, ratio, peak memory [GB].
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
from pathlib import Path

import duckdb
from portfolio import peak_gb, sample_store, timed, write_portfolio

from auditor.store.importing import import_file
from auditor.store.records_db import open_records


def imported(csv: Path, folder: Path) -> dict[str, float]:
    """Import the file into a fresh store, without an audit."""
    store = sample_store(folder)
    seconds: dict[str, float] = {}
    with store.locked("import"), timed(seconds, "seconds"), open_records(store) as con:
        done = import_file(con, store, csv, imported_on="2026-01-31")
    return {**seconds, "peak_gb": peak_gb(), "accepted": done.reading.accepted, "rejected": done.reading.rejected}


def bare(csv: Path, folder: Path) -> dict[str, float]:
    """Read the file as text into a table of a new DuckDB database on the disk."""
    folder.mkdir()
    return _bare(csv, str(folder / "bare.duckdb"))


def bare_in_memory(csv: Path, folder: Path) -> dict[str, float]:
    """Read the file as text into a table of a DuckDB database in memory, which writes nothing."""
    return _bare(csv, ":memory:")


def _bare(csv: Path, database: str) -> dict[str, float]:
    seconds: dict[str, float] = {}
    with timed(seconds, "seconds"), duckdb.connect(database) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute("CREATE TABLE t AS SELECT * FROM read_csv(?, all_varchar = true)", [str(csv)])
        rows = con.execute("SELECT count(*) FROM t").fetchall()[0][0]
    return {**seconds, "peak_gb": peak_gb(), "rows": rows}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=2)
    args = parser.parse_args()
    best: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as name:
        csv = Path(name) / "portfolio.csv"
        systems = write_portfolio(csv, args.rows)
        for repeat in range(args.repeats):
            for side in (bare, bare_in_memory, imported):
                with multiprocessing.get_context("spawn").Pool(1) as pool:
                    found = pool.apply(side, (csv, Path(name) / f"{side.__name__}-{repeat}"))
                kept = best.get(side.__name__, found)
                best[side.__name__] = min(kept, found, key=lambda f: f["seconds"])
        answer = {
            "benchmark": "import",
            "rows": args.rows,
            "systems": systems,
            "csv_mb": round(csv.stat().st_size / 1e6),
            **best,
            "ratio": best["imported"]["seconds"] / best["bare"]["seconds"],
            "ratio_in_memory": best["imported"]["seconds"] / best["bare_in_memory"]["seconds"],
        }
    print(json.dumps(answer, indent=2))


if __name__ == "__main__":
    main()

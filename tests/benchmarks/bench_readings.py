"""Importing readings against DuckDB's bare reading of the same file as text; memory must not grow with the rows.

    python tests/benchmarks/bench_readings.py [--rows N] [--parquet]

The import counts the rows twice, reads every time and figure, refuses what cannot be, looks for repeats, keeps the
original and merges with what is held: once into an empty store, once again with nothing new, and once with every value
changed. Each side runs in a process of its own. Prints one JSON object: seconds, peak memory [GB], size of the file and
of the records database [MB].
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
from pathlib import Path

import duckdb
import polars as pl
from portfolio import peak_gb, sample_store, timed

from auditor.store.evidence import import_evidence
from auditor.store.records_db import open_records

#: Readings of five minutes for each system.
EACH = 10_000


def write_readings(path: Path, rows: int, added_v: float) -> None:
    """Write so many readings of five minutes, system after system, all in the same weeks."""
    number = pl.int_range(rows)
    place = number % EACH
    wave = (place * 7919 % 1009) / 1009
    frame = pl.select(
        pl.format("S{}", (number // EACH).cast(pl.String).str.zfill(5)).alias("system_id"),
        pl.lit("service").alias("place"),
        pl.lit("L1-L2").alias("leg"),
        (pl.datetime(2025, 3, 1, time_zone="UTC") + pl.duration(minutes=5 * place)).alias("start"),
        pl.lit(300).alias("duration_s"),
        (238 + added_v + 6 * wave).round(1).alias("mean_v"),
        (239 + added_v + 7 * wave).round(1).alias("max_v"),
        (5 * wave).round(2).alias("power_kw"),
    )
    if path.suffix == ".parquet":
        frame.write_parquet(path)
    else:
        frame.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S+00:00")


def imported(first: Path, changed: Path, folder: Path) -> dict[str, float]:
    """Import a file into a fresh store, again, and with other values."""
    store = sample_store(folder)
    seconds: dict[str, float] = {}
    told: dict[str, float] = {}
    with store.locked("import"), open_records(store) as con:
        for name, path in (("first", first), ("again", first), ("changed", changed)):
            with timed(seconds, f"{name}_s"):
                done = import_evidence(con, store, path, "readings", imported_on="2026-01-31")
            told |= {f"{name}_accepted": done.outcome.accepted, f"{name}_peak_gb": peak_gb()}
    return {**seconds, **told, "database_mb": round(store.records.stat().st_size / 1e6)}


def bare(first: Path, changed: Path, folder: Path) -> dict[str, float]:
    """Read the file as text into a table of a new DuckDB database on the disk."""
    folder.mkdir()
    seconds: dict[str, float] = {}
    read = "read_parquet(?)" if first.suffix == ".parquet" else "read_csv(?, all_varchar = true)"
    with timed(seconds, "seconds"), duckdb.connect(str(folder / "bare.duckdb")) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute(f"CREATE TABLE t AS SELECT * FROM {read}", [str(first)])
    return {**seconds, "peak_gb": peak_gb()}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--parquet", action="store_true")
    args = parser.parse_args()
    suffix = ".parquet" if args.parquet else ".csv"
    found: dict[str, dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as name:
        first, changed = (Path(name) / f"{word}{suffix}" for word in ("first", "changed"))
        write_readings(first, args.rows, 0.0)
        write_readings(changed, args.rows, 0.5)
        for side in (bare, imported):
            with multiprocessing.get_context("spawn").Pool(1) as pool:
                found[side.__name__] = pool.apply(side, (first, changed, Path(name) / side.__name__))
        size = round(first.stat().st_size / 1e6)
    print(json.dumps({"benchmark": "readings", "rows": args.rows, "file_mb": size, **found}, indent=2))


if __name__ == "__main__":
    main()

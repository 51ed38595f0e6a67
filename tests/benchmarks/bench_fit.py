"""Fitting supplies to readings against DuckDB's bare scan and group-by of the same readings; aimed at 3 times.

    python tests/benchmarks/bench_fit.py [--rows N] [--interval S] [--days N]

Invented systems, each read at its service for so many days, with its output. The readings are put straight into the
records database, since their import has a benchmark of its own. The fit is what an audit does with them before it
begins (`held.read_evidence`), records of the systems included; the bare side reads the same columns from Parquet and
groups them by system, month and hour. Each side runs in a process of its own. Prints one JSON object: seconds, seconds
of the processor, peak memory [GB], and for the fit also microseconds of the processor a reading.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pyarrow.parquet as pq
from portfolio import peak_gb, sample_store, write_portfolio
from scipy.signal import lfilter

from auditor.catalog import load_catalog
from auditor.held import read_evidence
from auditor.policy import load_policy
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

AS_OF = date(2026, 1, 31)
DAY_S = 86_400
#: Voltage across a unit by service [V], and rows of the simple file for each system that is wanted (four on average).
UNIT_V = {"120/240": 240.0, "208Y/120": 208.0, "480Y/277": 277.0, "230": 230.0, "400Y/230": 230.0}
ROWS_A_SYSTEM = 5


def make_store(folder: Path, count: int) -> pl.DataFrame:
    """A store with the records of at least so many systems; the first ones with their service."""
    csv = folder.with_suffix(".csv")
    write_portfolio(csv, count * ROWS_A_SYSTEM)
    store = sample_store(folder)
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, csv, imported_on=AS_OF.isoformat())
        found = pl.DataFrame(
            con.sql(f"SELECT system_id, service FROM system ORDER BY system_id LIMIT {count}").to_arrow_table()
        )
    csv.unlink()
    return found


def write_readings(path: Path, systems: pl.DataFrame, days: int, interval_s: int) -> int:
    """Readings of every system over the same days, system after system; return how many."""
    rng = np.random.default_rng(1)
    each = days * DAY_S // interval_s
    second = np.arange(each) * interval_s
    hour = second % DAY_S / 3600.0
    rho = 0.95 ** (interval_s / 300)
    start = np.datetime64("2025-01-01", "us") + second.astype("timedelta64[s]")
    writer = None
    for system_id, service in systems.iter_rows():
        clear = np.repeat(rng.beta(0.9, 0.6, days), each // days)
        sun = np.maximum(np.cos((hour - 15.0) / 6.5 * np.pi / 2), 0.0) * (abs(hour - 15.0) < 6.5) * clear
        noise = lfilter([np.sqrt(1 - rho**2)], [1.0, -rho], rng.normal(0, 0.6, each))
        v_pct = 101.5 - 0.4 * np.cos((hour - 19) / 12 * np.pi) + noise + 2.2 * sun
        volts = UNIT_V[service] / 100
        frame = pl.DataFrame({"start": start, "mean_v": v_pct * volts, "power_kw": sun * 2.0}).select(
            pl.lit(system_id).alias("system_id"),
            pl.lit("service").alias("place"),
            pl.lit("L1-L2").alias("leg"),
            "start",
            pl.lit(float(interval_s)).alias("duration_s"),
            pl.col("mean_v").round(2),
            (pl.col("mean_v") + pl.Series(rng.exponential(0.3 * volts, each))).round(2).alias("max_v"),
            pl.col("power_kw").round(3),
        )
        table = frame.to_arrow()
        writer = writer or pq.ParquetWriter(path, table.schema)
        writer.write_table(table)
    assert writer is not None
    writer.close()
    return each * systems.height


def put_in(store: Store, path: Path) -> None:
    """Put the readings into the records database."""
    with store.locked("import"), open_records(store) as con:
        con.execute(
            f"INSERT INTO reading BY NAME SELECT *, 1 AS source_row, 1 AS import_id FROM read_parquet('{path}')"
        )


def _measured(work: Callable[[], int]) -> dict[str, Any]:
    wall, cpu = time.perf_counter(), time.process_time()
    count = work()
    return {
        "found": count,
        "seconds": round(time.perf_counter() - wall, 2),
        "cpu_seconds": round(time.process_time() - cpu, 2),
        "peak_gb": round(peak_gb(), 2),
    }


def bare(folder: Path, path: Path) -> dict[str, Any]:
    """Scan and group by system, month and hour."""
    query = (
        "SELECT system_id, place, leg, month(start), hour(start), count(*), avg(mean_v), max(max_v), avg(power_kw),"
        " min(duration_s) FROM read_parquet(?) GROUP BY ALL"
    )
    with duckdb.connect() as con:
        con.execute("SET enable_progress_bar = false")
        return _measured(lambda: con.sql(query, params=[str(path)]).to_arrow_table().num_rows)


def fit(folder: Path, path: Path) -> dict[str, Any]:
    """Fit every system's supply, as an audit does."""
    store = Store(folder)
    catalog, policy = load_catalog([store.catalog]).frames(), load_policy(store.policy)
    with store.locked("audit"), open_records(store) as con:
        con.execute("CREATE OR REPLACE TEMP TABLE left_out (system_id VARCHAR)")
        return _measured(lambda: read_evidence(con, catalog, policy, AS_OF).supplies.height)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--interval", type=int, default=900, help="length of a reading [s]")
    parser.add_argument("--days", type=int, default=365)
    args = parser.parse_args()
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as name:
        folder, path = Path(name) / "store", Path(name) / "readings.parquet"
        systems = make_store(folder, args.rows * args.interval // (args.days * DAY_S))
        rows = write_readings(path, systems, args.days, args.interval)
        put_in(Store(folder), path)
        for side in (bare, fit):
            with multiprocessing.get_context("spawn").Pool(1) as pool:
                found[side.__name__] = pool.apply(side, (folder, path))
    found["fit"]["cpu_us_a_reading"] = round(found["fit"]["cpu_seconds"] / rows * 1e6, 2)
    found["times_bare"] = round(found["fit"]["seconds"] / found["bare"]["seconds"], 1)
    print(json.dumps({"benchmark": "fit", "rows": rows, "systems": systems.height, **found}, indent=2))


if __name__ == "__main__":
    main()

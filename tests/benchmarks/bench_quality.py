"""Comparing designers over a published store; aimed at 10 s for a million circuits and 2,000 designers.

    python tests/benchmarks/bench_quality.py [--rows 1000000] [--designers 2000] [--store FOLDER]

The portfolio is generated, each system drawn by one of the designers, imported and audited (not timed), in the folder
if one is named, which is kept and used as it is the next time. Prints one JSON object: for each outcome the seconds
that reading the cases and comparing take, those of causes and repeated faults, and the peak memory [GB].
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from datetime import date
from pathlib import Path

import polars as pl
from portfolio import peak_gb, sample_store, timed, write_portfolio

from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.quality import patterns
from auditor.quality.compare import compare
from auditor.reports.cases import cases
from auditor.reports.quality import fault_counts
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from auditor.store.snapshot import open_snapshot

AS_OF = date(2026, 1, 31)
OUTCOMES = ("voltage-rise", "verdict")


def make(root: Path, rows: int, designers: int) -> Store:
    """Generate, import and audit a portfolio."""
    csv = root.with_suffix(".csv")
    write_portfolio(csv, rows)
    drawn = pl.col("system_id").hash(seed=1) % designers
    pl.read_csv(csv, infer_schema=False).with_columns(designer=pl.format("Designer {}", drawn)).write_csv(csv)
    store = sample_store(root)
    with store.locked("bench"), open_records(store) as con:
        import_file(con, store, csv, imported_on=AS_OF.isoformat())
        publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF)
    csv.unlink()
    return store


def measure(store: Store) -> dict[str, object]:
    """Compare the designers of a published store by several outcomes."""
    told: dict[str, object] = {}
    with open_snapshot(store) as con:
        for outcome in OUTCOMES:
            taken: dict[str, float] = {}
            cpu = time.process_time()
            with timed(taken, "all"):
                with timed(taken, "read"):
                    frame = cases(con, "designer", outcome)
                found = compare(frame, "designer")
            told[outcome] = {
                "cases": found.judged, "designers": found.units.height, "told_apart": found.told_apart.height,
                "read_seconds": round(taken["read"], 2), "seconds": round(taken["all"], 2),
                "cpu_seconds": round(time.process_time() - cpu, 2),
            }  # fmt: skip
        taken = {}
        with timed(taken, "causes"):
            patterns.repeats(fault_counts(con, "designer"))
    return told | {"causes_seconds": round(taken["causes"], 2), "peak_gb": round(peak_gb(), 2)}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--designers", type=int, default=2_000)
    parser.add_argument("--store", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = given.store or Path(folder) / "store"
        store = Store(root)
        if not store.current.exists():
            store = make(root, given.rows, given.designers)
        print(json.dumps(measure(store), indent=1))


if __name__ == "__main__":
    main()

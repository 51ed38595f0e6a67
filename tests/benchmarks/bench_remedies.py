"""Remedies of failing systems; aimed at 60 s for 100,000 of them on two cores.

    python tests/benchmarks/bench_remedies.py [--systems N]

A portfolio is generated, imported and audited (not timed) until so many systems fail or are likely to trip; then their
candidates are worked out, a first time for the tables of the likelihood (told, not held against the aim) and a second
time as the measure. Prints one JSON object: seconds, the processor's seconds, candidates, and the peak memory [GB].
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from datetime import date
from pathlib import Path
from typing import Any

from portfolio import peak_gb, sample_store, write_portfolio

from auditor.catalog import load_catalog
from auditor.mend import systems_to_mend, work_out_all
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store.importing import import_file
from auditor.store.records_db import open_records
from auditor.store.snapshot import open_snapshot
from auditor.trips import Tables

AS_OF = date(2026, 1, 31)
#: Rows for one failing system of the generated portfolio, about.
ROWS_EACH = 5


def measured(folder: Path, systems: int) -> dict[str, Any]:
    """Make a store and work out the remedies of so many systems, twice."""
    csv = folder.with_suffix(".csv")
    write_portfolio(csv, systems * ROWS_EACH)
    store = sample_store(folder)
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, csv, imported_on=AS_OF.isoformat())
        publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF)
    found: dict[str, Any] = {}
    with open_snapshot(store) as con:
        ids = systems_to_mend(con)[:systems]
        for name in ("first", "again"):
            start, cpu = time.perf_counter(), time.process_time()
            candidates = work_out_all(con, ids, tables=Tables(store.root / "tables"))
            found |= {f"{name}_seconds": round(time.perf_counter() - start, 1)}
            found |= {f"{name}_cpu_seconds": round(time.process_time() - cpu, 1)}
    return found | {"systems": len(ids), "candidates": candidates.table.height, "peak_gb": peak_gb()}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--systems", type=int, default=100_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        print(json.dumps({"benchmark": "remedies", **measured(Path(name) / "store", args.systems)}, indent=2))


if __name__ == "__main__":
    main()

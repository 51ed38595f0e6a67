"""An audit of the whole store, with its snapshot, at growing sizes; aimed at 15 s and 3 GB for a million circuits.

    python tests/benchmarks/bench_audit.py [--rows N ...]

Each size is generated, imported into a new store (not timed) and audited in a process of its own with the sample's
catalog and policy. Prints one JSON object: for each size the seconds of the audit and of the publishing, the split of
the audit (reading, preparing without solving, solving, judging, writing), the processor's seconds, and the peak memory
[GB] of that process. Batches are audited on threads, so the split is of seconds summed over them.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from portfolio import peak_gb, sample_store, timed, write_portfolio

import auditor.audit
import auditor.publish
from auditor.catalog import load_catalog
from auditor.policy import load_policy
from auditor.results import ResultWriter
from auditor.store import Store
from auditor.store.importing import import_file
from auditor.store.records_db import open_records

AS_OF = date(2026, 1, 31)
SIZES = (10_000, 100_000, 1_000_000)
#: Functions whose time is told apart: where each stands, its name there, and what the time is called.
STEPS = (
    (auditor.publish, "read_records", "read"),
    (auditor.audit, "prepare", "prepare_and_solve"),
    (sys.modules["auditor.prepare.prepare"], "solve", "solve"),
    (auditor.publish, "audit", "prepare_and_judge"),
    (ResultWriter, "add", "write"),
    (auditor.publish, "audit_all", "audit"),
)


def make_store(rows: int, folder: Path) -> int:
    """Generate and import a portfolio; return its systems."""
    csv = folder.with_suffix(".csv")
    systems = write_portfolio(csv, rows)
    store = sample_store(folder)
    with store.locked("import"), open_records(store) as con:
        import_file(con, store, csv, imported_on=AS_OF.isoformat())
    csv.unlink()
    return systems


def _clocked(function: Callable[..., Any], seconds: dict[str, float], name: str) -> Callable[..., Any]:
    def clocked(*args: Any, **kwargs: Any) -> Any:
        with timed(seconds, name):
            return function(*args, **kwargs)

    return clocked


def audited(folder: Path) -> dict[str, Any]:
    """Audit and publish a store; return the times."""
    taken: dict[str, float] = {}
    for place, name, told in STEPS:
        setattr(place, name, _clocked(getattr(place, name), taken, told))
    store, cpu_start = Store(folder), time.process_time()
    catalog, policy = load_catalog([store.catalog]), load_policy(store.policy)
    with store.locked("audit"), open_records(store) as con, timed(taken, "all"):
        done = auditor.publish.publish(con, store, catalog, policy, AS_OF)
    split = {
        "read": taken["read"],
        "prepare": taken["prepare_and_solve"] - taken["solve"],
        "solve": taken["solve"],
        "judge": taken["prepare_and_judge"] - taken["prepare_and_solve"],
        "write": taken["write"],
    }
    return {
        "workers": auditor.publish.WORKERS,
        "circuits": done.circuits,
        "systems": done.systems,
        "seconds": taken["all"],
        "cpu_seconds": time.process_time() - cpu_start,
        "audit_seconds": taken["audit"],
        "publish_seconds": taken["all"] - taken["audit"],
        "audit_split": {name: round(value, 3) for name, value in split.items()},
        "peak_gb": peak_gb(),
        "snapshot_mb": round(done.path.stat().st_size / 1e6),
        "content_hash": done.content_hash,
    }


def _alone(function: Callable[..., Any], *args: Any) -> Any:
    """Call a function in a process of its own, whose peak memory is then its alone."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(function, args)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, nargs="+", default=list(SIZES))
    args = parser.parse_args()
    sizes = []
    with tempfile.TemporaryDirectory() as name:
        for rows in args.rows:
            folder = Path(name) / f"store-{rows}"
            _alone(make_store, rows, folder)
            sizes.append(_alone(audited, folder))
    print(json.dumps({"benchmark": "audit", "sizes": sizes}, indent=2))


if __name__ == "__main__":
    main()

"""A re-check of a whole portfolio and the comparison of both runs; aimed at twice the audit's own time.

    python tests/benchmarks/bench_compare.py [--rows N]

A store is generated, imported and audited, then judged again twice, with a higher resistance of one trunk cable, and
with that and a lower rise target, each compared with the audit; each step in a process of its own. With one changed
input no cause needs a trial; with two, every changed system that uses both is judged again with each alone. Prints one
JSON object: seconds of each step, what changed, and the peak memory [GB]. The likelihood's tables are made before.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from bench_audit import AS_OF, _alone, make_store
from portfolio import peak_gb, timed

from auditor.catalog import load_catalog
from auditor.compare.comparison import compare
from auditor.compare.recheck import recheck
from auditor.compare.rules import Rules
from auditor.policy import load_policy
from auditor.publish import publish
from auditor.store import Store
from auditor.store.records_db import open_records

CABLE = "Larkfield TC-2"
TIMES = 1.2
TARGET_PCT = 1.8


def audited(folder: Path) -> dict[str, Any]:
    """Audit and publish."""
    store, taken = Store(folder), dict[str, float]()
    with store.locked("audit"), open_records(store) as con, timed(taken, "seconds"):
        done = publish(con, store, load_catalog([store.catalog]), load_policy(store.policy), AS_OF)
    return {**taken, "circuits": done.circuits, "systems": done.systems, "peak_gb": peak_gb()}


def _resistive(rules: Rules) -> Rules:
    trunk = tuple(
        entry.model_copy(update={"r_ohm_per_km": entry.r_ohm_per_km * TIMES}) if entry.model == CABLE else entry
        for entry in rules.catalog.trunk
        if entry.r_ohm_per_km is not None
    )
    return replace(rules, catalog=rules.catalog.model_copy(update={"trunk": trunk}))


def _both(rules: Rules) -> Rules:
    rise = rules.policy.rise.model_copy(update={"target_pct": TARGET_PCT})
    return replace(_resistive(rules), policy=rules.policy.model_copy(update={"rise": rise}))


def compared(folder: Path, inputs: int) -> dict[str, Any]:
    """Re-check with one or two inputs changed, and compare."""
    store, taken, cpu_start = Store(folder), dict[str, float](), time.process_time()
    with timed(taken, "recheck_seconds"):
        done = recheck(store, 1, _resistive if inputs == 1 else _both)
    with timed(taken, "compare_seconds"):
        con = compare(store, 1, done.number)
    with con:
        rows, systems = con.execute(
            "SELECT count(*), count(DISTINCT system_id) FROM changed WHERE before IS DISTINCT FROM after"
        ).fetchall()[0]
        causes = con.execute("SELECT cause, count(*) FROM cause GROUP BY ALL ORDER BY 2 DESC").fetchall()
        moved = con.execute("SELECT count(*) FROM change").fetchall()[0][0]
    told = {"rows": moved, "changed_rows": rows, "changed_systems": systems, "causes": dict(causes)}
    return {**taken, **told, "cpu_seconds": time.process_time() - cpu_start, "peak_gb": peak_gb()}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "store"
        _alone(make_store, args.rows, folder)
        _alone(audited, folder)  # tables of the likelihood are made here, and kept
        told: dict[str, Any] = {"audit": _alone(audited, folder)}
        for inputs in (1, 2):
            told[f"inputs_{inputs}"] = _alone(compared, folder, inputs)
    print(json.dumps({"benchmark": "compare", **told}, indent=2))


if __name__ == "__main__":
    main()

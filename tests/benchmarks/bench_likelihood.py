"""Tables of trip likelihood made, and systems interpolated in them; aimed at 1,000,000 systems in a few CPU seconds.

    python tests/benchmarks/bench_likelihood.py [--systems N] [--shapes N]

Times are CPU seconds of this process, since the machine may have other work. Prints one JSON object: seconds to make a
table of each kind of profile, per day shape, and seconds a million systems for all results with three one-at-a-time
sensitivities, at two sizes, to show that it is linear. The memory is the process's peak.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "likelihood"))

from likelihood_cases import PROFILES, day, supply, systems

from auditor.likelihood.inputs import DayShapes
from auditor.likelihood.results import Assumptions, system_results
from auditor.likelihood.table import Table, make_table

KINDS = ("runs on", "ceases", "volt-watt", "ten minutes, fixed, droop", "ten minutes, sliding")


def shapes(count: int) -> DayShapes:
    """So many day shapes, spread over the months."""
    month = np.arange(count) % 12
    rng = np.random.default_rng(5)
    output = [day(int(m), float(rng.uniform(0.4, 1.0)), bool(k % 2)) for k, m in enumerate(month)]
    return DayShapes(np.array(output), month.astype(np.int64), np.full(count, 365.0 / count))


def seconds_of_results(table: Table, count: int) -> float:
    """CPU seconds for all results of so many systems."""
    rng = np.random.default_rng(2)
    drawn = systems(
        count,
        level_pct=rng.uniform(100, 106, count),
        site_pct=rng.choice([0.4, 0.8, 1.2], count),
        beta_pct=rng.uniform(0, 2, count),
        wiring_pct=rng.uniform(0.3, 5, count),
        units=rng.integers(1, 40, count),
        sensing_pct=0.3,
    )
    ranges = {"level_pct": 1.0, "beta_pct": 0.5, "service_pct": 0.3}
    told = Assumptions({name: np.ones(count, dtype=np.bool_) for name in ranges}, ranges, {})
    start = time.process_time()
    system_results(table, drawn, (0.1, 1.0, 10.0), told)
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--systems", type=int, default=1_000_000)
    parser.add_argument("--shapes", type=int, default=24)
    options = parser.parse_args()
    days, table_s, table = shapes(options.shapes), {}, None
    for name in KINDS:
        start = time.process_time()
        made = make_table(PROFILES[name], supply(), days, np.full(12, 2.5))
        table_s[name] = round(time.process_time() - start, 2)
        table = table or made
    assert table is not None
    small, large = (seconds_of_results(table, count) for count in (options.systems // 10, options.systems))
    report = {
        "day_shapes": options.shapes,
        "table_cpu_s": table_s,
        "table_cpu_s_a_shape": {name: round(taken / options.shapes, 3) for name, taken in table_s.items()},
        "systems": options.systems,
        "results_cpu_s": round(large, 2),
        "a_tenth_of_them_cpu_s": round(small, 2),
        "table_mb": round((table.trip.nbytes + table.loss.nbytes + table.curtailed.nbytes) / 1e6, 1),
        "peak_gb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, 2),
    }
    print(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()

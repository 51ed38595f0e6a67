"""Tables of trip likelihood made, and systems interpolated in them on chunks from two threads.

    python tests/benchmarks/bench_likelihood.py [--systems N] [--errors]

Aimed at: a table of 36 day shapes in 1 CPU second for a plain profile and 2 for others, and 1,000,000 systems with all
results and five assumed inputs in 25 s of wall time on two cores. Prints one JSON object: for each kind of profile the
CPU seconds of a table and of its trip-days alone, the MB it takes on disk, with --errors the largest relative errors of
interpolation; CPU seconds to solve one system directly; wall and CPU seconds for the systems and for a tenth of them,
to show that it is linear. The memory is the process's peak.
"""

from __future__ import annotations

import argparse
import io
import json
import resource
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "likelihood"))

from likelihood_cases import PROFILES, supply, systems

from auditor.likelihood.accuracy import interpolation_error
from auditor.likelihood.direct import month_by_hour, solve_one
from auditor.likelihood.inputs import DayShapes, Systems
from auditor.likelihood.output import day_shapes
from auditor.likelihood.results import Assumptions, system_results
from auditor.likelihood.table import Table, make_table

KINDS = ("runs on", "ceases", "volt-watt", "ten minutes, fixed, droop", "ten minutes, sliding")
PLACES = ((0.3, 0.2), (1.3, 0.5), (3.1, 1.7), (4.9, 0.3), (5.6, 2.6))
BANDS, WINDOW = (0.1, 1.0, 10.0), np.full(12, 2.5)
CLEARNESS = (0.5, 0.52, 0.55, 0.58, 0.6, 0.63, 0.65, 0.63, 0.6, 0.57, 0.52, 0.5)
CHUNK = 50_000
RANGES = {"level_pct": 1.0, "beta_pct": 0.5, "service_pct": 0.3, "site_pct": 0.3, "day_pct": 0.2}


def drawn(count: int) -> Systems:
    """Systems at random over what is met."""
    rng = np.random.default_rng(2)
    rise, part = rng.uniform(0.2, 6.0, count), rng.uniform(0.1, 0.5, count)
    return systems(
        count,
        level_pct=rng.uniform(98, 106, count),
        site_pct=rng.uniform(0.3, 2.0, count),
        beta_pct=rng.uniform(0, 3, count),
        beta_sd_pct=0.3,
        service_pct=rise * part,
        wiring_pct=rise * (1 - part),
        units=rng.integers(1, 40, count),
        sensing_pct=0.3,
    )


def cut(all_systems: Systems, part: slice) -> Systems:
    return Systems(**{field.name: getattr(all_systems, field.name)[part] for field in fields(Systems)})


def seconds_of_results(table: Table, count: int) -> tuple[float, float]:
    """Wall and CPU seconds for all results of so many systems, five inputs of each assumed."""
    everyone = drawn(count)

    def chunk(start: int) -> int:
        part = cut(everyone, slice(start, start + CHUNK))
        told = Assumptions({name: np.ones(part.size, dtype=np.bool_) for name in RANGES}, RANGES, {})
        return system_results(table, part, BANDS, told).band.size

    wall, cpu = time.perf_counter(), time.process_time()
    with ThreadPoolExecutor(2) as pool:
        assert sum(pool.map(chunk, range(0, count, CHUNK))) == count
    return time.perf_counter() - wall, time.process_time() - cpu


def table_report(name: str, days: DayShapes, errors: bool) -> tuple[Table, dict[str, object]]:
    """A table, and what it took."""
    start = time.process_time()
    table = make_table(PROFILES[name], supply(), days, WINDOW)
    made = time.process_time()
    make_table(PROFILES[name], supply(), days, WINDOW, headline_only=True)
    headline = time.process_time()
    held = io.BytesIO()
    np.savez_compressed(held, **table.as_arrays())
    report: dict[str, object] = {
        "cpu_s": round(made - start, 2),
        "headline_only_cpu_s": round(headline - made, 2),
        "mb": round(sum(a.nbytes for a in table.as_arrays().values()) / 1e6, 2),
        "mb_compressed": round(held.tell() / 1e6, 2),
    }
    if errors:
        found = interpolation_error(table, PROFILES[name], supply(), days, PLACES)
        report["errors"] = {key: round(value, 3) for key, value in found.items()}
    return table, report


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--systems", type=int, default=1_000_000)
    parser.add_argument("--errors", action="store_true")
    options = parser.parse_args()
    days = day_shapes(37.0, -120.0, 20.0, 180.0, 1.25, CLEARNESS, kinds=3, sequences=1)
    tables = {name: table_report(name, days, options.errors) for name in KINDS}
    start = time.process_time()
    solve_one(PROFILES["runs on"], supply(), days, drawn(1), WINDOW, BANDS)
    solved = time.process_time()
    month_by_hour(PROFILES["runs on"], supply(), days, drawn(1), 0)
    mapped = time.process_time()
    report = {
        "day_shapes": days.days.size,
        "tables": {name: told for name, (_, told) in tables.items()},
        "one_system_cpu_s": round(solved - start, 2),
        "month_by_hour_cpu_s": round(mapped - solved, 2),
        "systems": options.systems,
    }
    for name in ("runs on", "volt-watt"):
        (small, _), (large, cpu) = (
            seconds_of_results(tables[name][0], count) for count in (options.systems // 10, options.systems)
        )
        report[f"results, {name}"] = {
            "a_tenth_wall_s": round(small, 2),
            "wall_s": round(large, 2),
            "cpu_s": round(cpu, 2),
            "ratio": round(large / small, 1),
        }
    report["peak_gb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, 2)
    print(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()

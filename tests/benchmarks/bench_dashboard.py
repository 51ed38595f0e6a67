"""The pages' speed over a published store; aimed at a million circuits: rows p95 150 ms, a jump to any row 400 ms.

    python tests/benchmarks/bench_dashboard.py STORE [--users 10] [--clicks 200]

Draws filters and sorts at random (the same every time) and asks as the browser does: the first block of the table, a
jump to some row, and the page that follows a new filter. One user without a pause, then several with two seconds
between clicks. Prints one JSON object with the median and the 95th percentile of each [ms].
"""

from __future__ import annotations

import argparse
import json
import random
import statistics
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from auditor.store import Store
from dashboard import grid
from dashboard.context import Context
from dashboard.filters import COLUMNS, Filters, View, query_string
from dashboard.pages import portfolio
from dashboard.queries import portfolio as queries
from dashboard.queries import table
from dashboard.snapshots import Snapshots

PAUSE_S = 2.0
Times = dict[str, list[float]]


def timed(times: Times, name: str, function: Callable[[], object]) -> None:
    """Add the time the function takes [ms]."""
    start = time.perf_counter()
    function()
    times.setdefault(name, []).append((time.perf_counter() - start) * 1000)


def drawn(choice: random.Random, options: dict[str, list]) -> View:
    """A view as someone clicks it together: no, one or two filters, and any sort."""
    filters = Filters()
    for name in choice.sample(sorted(options), choice.choice((0, 1, 1, 2))):
        filters = replace(filters, **{name: (choice.choice(options[name]),)})
    return View(filters, ((choice.choice(COLUMNS), choice.random() < 0.5),))


def click(context: Context, view: View, choice: random.Random, times: Times) -> None:
    """What the server does for one click."""
    search = query_string(view)
    sort = [{"colId": name, "sort": "desc" if down else "asc"} for name, down in view.sort]

    def block(start: int) -> Callable[[], object]:
        request = {"startRow": start, "endRow": start + grid.BLOCK_ROWS, "sortModel": sort, "filterModel": {}}
        return lambda: grid.answered(context, request, search)

    with context.snapshots.cursor() as con:
        count = table.count(con, view.filters)
    timed(times, "page", lambda: portfolio.followed(context, search, {}))
    timed(times, "first rows", block(0))
    timed(times, "jump", block(choice.randrange(max(count, 1))))


def user(context: Context, options: dict[str, list], clicks: int, seed: int, pause_s: float, times: Times) -> None:
    """One person's clicks."""
    choice = random.Random(seed)
    for _ in range(clicks):
        click(context, drawn(choice, options), choice, times)
        time.sleep(pause_s * choice.uniform(0.5, 1.5))


def summary(times: Times) -> dict[str, dict[str, float]]:
    """Median and 95th percentile [ms]."""
    return {
        name: {"p50_ms": round(statistics.median(v), 1), "p95_ms": round(statistics.quantiles(v, n=20)[-1], 1)}
        for name, v in times.items()
    }


def main() -> None:
    """Measure one user, then several."""
    parser = argparse.ArgumentParser()
    parser.add_argument("store", type=Path)
    parser.add_argument("--users", type=int, default=10)
    parser.add_argument("--clicks", type=int, default=200)
    asked = parser.parse_args()
    context = Context(Store(asked.store), Snapshots(Store(asked.store)))
    with context.snapshots.cursor() as con:
        names = ("region", "utility", "designer", "year", "service", "model")
        options = {name: queries.options(con, name) for name in names}
        options |= {"verdict": ["fail", "unknown", "pass"], "check": ["voltage-rise", "busbar:unknown"]}
        systems = table.count(con, Filters())
    alone: Times = {}
    user(context, options, asked.clicks, 1, 0.0, alone)
    together: list[Times] = [{} for _ in range(asked.users)]
    people = [
        threading.Thread(target=user, args=(context, options, max(2, asked.clicks // asked.users), n, PAUSE_S, held))
        for n, held in enumerate(together)
    ]
    for person in people:
        person.start()
    for person in people:
        person.join()
    merged = {name: [t for held in together for t in held[name]] for name in alone}
    print(
        json.dumps({"systems": systems, "one user": summary(alone), f"{asked.users} users": summary(merged)}, indent=1)
    )


if __name__ == "__main__":
    main()

"""`auditor audit` and `auditor runs`."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.options import (
    DEFAULT_STORE,
    AsOfOption,
    CatalogOption,
    PolicyOption,
    StoreOption,
    WaitOption,
    catalog_of,
    day,
    policy_of,
)
from auditor.publish import publish
from auditor.store import Store
from auditor.store.records_db import open_records
from auditor.store.snapshot import current_number, drop_old, open_snapshot, snapshot_numbers


def audit(
    store: StoreOption = DEFAULT_STORE,
    as_of: AsOfOption = "",
    catalog: CatalogOption = None,
    policy: PolicyOption = None,
    wait: WaitOption = False,
) -> None:
    """Run every check on every system in the store and publish the result."""
    place = Store(store)
    place.require()
    as_of_day, specs, rules = day(as_of), catalog_of(place, catalog), policy_of(place, policy)
    with (
        place.locked("audit", wait),
        show.progress("Auditing circuits") as advance,
        open_records(place, advance) as con,
    ):
        publish(con, place, specs, rules, as_of_day, progress=advance)
    with open_snapshot(place) as snapshot:
        show.audited(snapshot)


def runs(
    store: StoreOption = DEFAULT_STORE,
    keep: Annotated[int, typer.Option("--keep", min=1, help="Remove all but the newest so many.")] = 0,
    wait: WaitOption = False,
) -> None:
    """List the audits that are kept; with --keep, remove old ones."""
    place = Store(store)
    place.require()
    if keep:
        with place.locked("runs", wait):
            gone = drop_old(place, keep)
        show.plain(f"Removed {len(gone)} runs." if gone else "Nothing to remove.")
    numbers = snapshot_numbers(place)
    if not numbers:
        show.plain(f"Nothing has been audited yet. Run: auditor audit --store {place.root}")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in (
        "run",
        "as of",
        "made",
        "systems",
        "circuits",
        "fail",
        "unknown",
        "pass",
        "policy",
        "content",
        "shown",
    ):
        table.add_column(name)
    shown = current_number(place)
    for number in numbers:
        with open_snapshot(place, number) as con:
            row = con.execute(
                "SELECT run, as_of, made, systems, circuits, policy_name, content_hash[:12] FROM audit"
            ).fetchall()[0]
            counts = dict(con.execute("SELECT verdict, count(*) FROM system_result GROUP BY verdict").fetchall())
        verdicts = (str(counts.get(verdict, 0)) for verdict in ("fail", "unknown", "pass"))
        mark = "yes" if number == shown else ""
        table.add_row(*(str(cell) for cell in row[:5]), *verdicts, str(row[5]), str(row[6]), mark)
    show.console.print(table)

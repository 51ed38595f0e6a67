"""`auditor audit` and `auditor runs`."""

from __future__ import annotations

from typing import Annotated, Literal

import duckdb
import typer
from rich.table import Table

from auditor.cli import show
from auditor.cli.importing import holds_systems
from auditor.cli.options import (
    DEFAULT_STORE,
    AsOfOption,
    CatalogOption,
    PolicyOption,
    StoreOption,
    WaitOption,
    at_store,
    catalog_of,
    day,
    policy_of,
)
from auditor.errors import AuditorError
from auditor.publish import publish
from auditor.store import Store
from auditor.store.records_db import open_records
from auditor.store.snapshot import current_number, drop_old, open_snapshot, snapshot_numbers

Justify = Literal["left", "right"]
COLUMNS: tuple[tuple[str, Justify], ...] = (
    ("run", "right"),
    ("as of", "left"),
    ("made (UTC)", "left"),
    ("systems", "right"),
    ("circuits", "right"),
    ("fail", "right"),
    ("unknown", "right"),
    ("pass", "right"),
    ("policy", "left"),
    ("content", "left"),
    ("shown", "left"),
)


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
        if not holds_systems(con):
            raise AuditorError(
                f"{place.root}: holds no system yet. Import a file first: auditor import FILE{at_store(place.root)}"
            )
        publish(con, place, specs, rules, as_of_day, progress=advance)
    with open_snapshot(place) as snapshot:
        show.audited(snapshot, place.root)


def runs(
    store: StoreOption = DEFAULT_STORE,
    keep: Annotated[
        int | None, typer.Option("--keep", min=1, help="Remove all but the newest so many; never the one shown.")
    ] = None,
    wait: WaitOption = False,
) -> None:
    """List the audits that are kept; with --keep, remove old ones."""
    place = Store(store)
    place.require()
    if keep is not None:
        with place.locked("runs", wait):
            gone = drop_old(place, keep)
        show.plain(f"Removed: run {', '.join(map(str, gone))}." if gone else "Nothing to remove.")
    numbers = snapshot_numbers(place)
    if not numbers:
        show.plain(f"Nothing has been audited yet. Run: auditor audit{at_store(place.root)}")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, justify in COLUMNS:
        table.add_column(name, justify=justify)
    shown = current_number(place)
    for number in numbers:
        table.add_row(*_run(place, number), "yes" if number == shown else "")
    show.console.print(table)


def _run(store: Store, number: int) -> list[str]:
    """A run's line; a snapshot that cannot be opened says so in its line, and the others are still listed."""
    try:
        with open_snapshot(store, number) as con:
            row = con.execute(
                "SELECT run, as_of, made, systems, circuits, policy_name, content_hash[:12] FROM audit"
            ).fetchall()[0]
            counts = dict(con.execute("SELECT verdict, count(*) FROM system_result GROUP BY verdict").fetchall())
    except (AuditorError, duckdb.Error):
        return [str(number), "cannot be opened", *[""] * (len(COLUMNS) - 3)]
    run, as_of, made, systems, circuits, policy_name, content = row
    verdicts = (f"{counts.get(verdict, 0):,}" for verdict in ("fail", "unknown", "pass"))
    when = str(made).replace("T", " ").removesuffix("+00:00")
    return [str(run), str(as_of), when, f"{systems:,}", f"{circuits:,}", *verdicts, show.safe(policy_name), content]

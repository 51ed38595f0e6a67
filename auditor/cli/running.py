"""`auditor audit` and `auditor runs`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

import duckdb
import typer
from rich.table import Table

from auditor.catalog import Catalog
from auditor.cli import show, show_audit
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
from auditor.policy import Policy
from auditor.publish import last_import_date, publish
from auditor.store import Store
from auditor.store.originals import read_manifest
from auditor.store.records_db import open_records
from auditor.store.snapshot import (
    current_number,
    discard_recheck,
    drop_old,
    open_snapshot,
    recheck_numbers,
    snapshot_numbers,
)

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
        show.progress("Reading the store's originals") as advance,
        open_records(place, advance) as con,
    ):
        if not read_manifest(place):
            raise AuditorError(
                f"{place.root}: holds no import yet. Import a file first: auditor import FILE{at_store(place.root)}"
            )
        advance.phase = "Auditing circuits"
        others = [
            *([f"--policy {policy}"] if policy and _differs(rules, lambda: policy_of(place, None)) else []),
            *([f"--catalog {catalog}"] if catalog and _differs(specs, lambda: catalog_of(place, None)) else []),
            *([f"--as-of {as_of_day}"] if as_of_day and as_of_day != last_import_date(con) else []),
        ]
        publish(
            con, place, specs, rules, as_of_day, progress=advance, other_rules=" ".join(others), made=advance.table_made
        )
    with open_snapshot(place) as snapshot:
        show_audit.audited(snapshot, place.root)


def _differs(used: Catalog | Policy, own: Callable[[], Catalog | Policy]) -> bool:
    """Whether what a run uses says something else than the store's own; one that cannot be read does."""
    try:
        return used.content_hash() != own().content_hash()
    except AuditorError:
        return True


def runs(
    store: StoreOption = DEFAULT_STORE,
    keep: Annotated[
        int | None, typer.Option("--keep", min=1, help="Remove all but the newest so many; never the one shown.")
    ] = None,
    discard: Annotated[int | None, typer.Option("--discard", help="Remove this re-check.")] = None,
    wait: WaitOption = False,
) -> None:
    """List the runs that are kept, re-checks among them; with --keep, remove old ones."""
    place = Store(store)
    place.require()
    if keep is not None:
        with place.locked("runs", wait):
            gone = drop_old(place, keep)
        show.plain(f"Removed: run {', '.join(map(str, gone))}." if gone else "Nothing to remove.")
    if discard is not None:
        discard_recheck(place, discard)
        show.plain(f"Removed: run {discard}.")
    numbers = sorted([*snapshot_numbers(place), *recheck_numbers(place)])
    if not numbers:
        show.plain(f"Nothing has been audited yet. Run: auditor audit{at_store(place.root)}")
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, justify in COLUMNS:
        table.add_column(name, justify=justify)
    shown = current_number(place)
    others = {}
    parts = {}
    for number in numbers:
        line, given, base, part = _run(place, number)
        others[number] = given, f"run {base}'s" if base else "the store's own"
        parts[number] = part
        of = f"no: re-check of {'a part of ' if part else ''}{base}"
        table.add_row(*line, of if base else "yes" if number == shown else "")
    show.tabular(table)
    for number, part in parts.items():
        if part:
            show.plain(f"Run {number} is of a part: {show.safe(part)}")
    for number, (given, usual) in others.items():
        if given:
            show.plain(f"Run {number} used other rules than {usual}: {given}")


def _run(store: Store, number: int) -> tuple[list[str], str, int, str]:
    """A run's line, the rules given for it in place of the usual ones, of which run it is a re-check, or 0, and of
    which part.

    A snapshot that cannot be opened says so in its line, and the others are still listed.
    """
    try:
        with open_snapshot(store, number) as con:
            about = show.row(con, "audit")
            counts = dict(con.execute("SELECT verdict, count(*) FROM system_result GROUP BY verdict").fetchall())
    except (AuditorError, duckdb.Error):
        return [str(number), "cannot be opened", *[""] * (len(COLUMNS) - 3)], "", 0, ""
    held = (f"{about[name]:,}" for name in ("systems", "circuits"))
    verdicts = (f"{counts.get(verdict, 0):,}" for verdict in ("fail", "unknown", "pass"))
    made = str(about["made"]).replace("T", " ").removesuffix("+00:00")
    content = str(about["content_hash"])[:12]
    line = [str(number), str(about["as_of"]), made, *held, *verdicts, show.safe(about["policy_name"]), content]
    return line, about.get("other_rules") or "", about.get("recheck_of") or 0, about.get("part") or ""

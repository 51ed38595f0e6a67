"""A re-check: the records of a run judged under other rules, as a run of its own that is never shown by itself.

All it reads is the run's snapshot, so it waits for no writer and repeats to an equal content hash.
"""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import polars as pl

from auditor.compare.rules import Rules, rules_of
from auditor.errors import AuditorError
from auditor.held import snapshot_evidence
from auditor.publish import Progress, Published, about_run, audit_all, inside, portfolio_warnings
from auditor.store import Store
from auditor.store.decisions import WAIVER_SCHEMA
from auditor.store.declared import SCHEMA as DECLARED_SCHEMA
from auditor.store.records_db import Connection
from auditor.store.snapshot import current_number, open_snapshot, unfinished, write_recheck

#: Tables that snapshots of earlier versions lack, as they are without a row.
LATER_TABLES = {"declared": DECLARED_SCHEMA, "waiver": WAIVER_SCHEMA}


def recheck(
    store: Store,
    base: int | None = None,
    change: Callable[[Rules], Rules] = lambda rules: rules,
    *,
    told: str = "",
    progress: Progress | None = None,
    made: Callable[[int], None] | None = None,
) -> Published:
    """Judge the records of run `base` (by default the one shown) by its rules as `change` alters them.

    `told` says how they were altered and is kept with the run; `made` is told how many tables of the likelihood had to
    be worked out. AuditorError where there is no such run.
    """
    from auditor.trips import Tables  # It is slow to load, and few commands need it.

    store.require()
    base = current_number(store) if base is None else base
    with open_snapshot(store, base) as con, unfinished(store) as folder:
        rules = change(rules_of(con))
        tables = Tables(store.root / "tables", made)
        try:
            done = audit_all(
                con,
                folder,
                rules.catalog,
                rules.policy,
                rules.as_of,
                progress=progress,
                tables=tables,
                evidence=snapshot_evidence(con),
            )
        except duckdb.BinderException as error:
            raise AuditorError(
                f"Run {base} was made by another version, which kept other records. Make a new one: auditor audit"
            ) from error
        about = about_run(rules.catalog, rules.policy, rules.as_of, done, told)
        beside = {"of_portfolio": portfolio_warnings(con), **_later_tables(con)}
        number, path = write_recheck(
            store, folder, base, done.paths, about | {"recheck_of": base}, inside(rules.policy), beside
        )
    return Published(number, path, done.content_hash, done.systems, done.circuits)


def _later_tables(con: Connection) -> dict[str, pl.DataFrame]:
    held = {row[0] for row in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    return {name: pl.DataFrame(schema=schema) for name, schema in LATER_TABLES.items() if name not in held}

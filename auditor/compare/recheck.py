"""A re-check: the records of a run judged under other rules, as a run of its own that is never shown by itself.

All it reads is the run's snapshot, so it waits for no writer and repeats to an equal content hash.
"""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import polars as pl

from auditor.compare.part import Part
from auditor.compare.rules import Rules, rules_of
from auditor.errors import AuditorError
from auditor.held import snapshot_evidence
from auditor.publish import Progress, Published, about_run, audit_all, inside, portfolio_warnings
from auditor.store import Store
from auditor.store.decisions import WAIVER_SCHEMA
from auditor.store.declared import SCHEMA as DECLARED_SCHEMA
from auditor.store.records_db import Connection
from auditor.store.snapshot import about, current_number, open_snapshot, unfinished, write_recheck

#: Tables that snapshots of earlier versions lack, as they are without a row.
LATER_TABLES = {"declared": DECLARED_SCHEMA, "waiver": WAIVER_SCHEMA}


def recheck(
    store: Store,
    base: int | None = None,
    change: Callable[[Rules], Rules] = lambda rules: rules,
    *,
    part: Part | None = None,
    told: str = "",
    progress: Progress | None = None,
    made: Callable[[int], None] | None = None,
) -> Published:
    """Judge the records of run `base` (by default the one shown) by its rules as `change` alters them.

    Of a `part` of its systems, the run holds those alone and says so. `told` says how the rules were altered and is
    kept with the run; `made` is told how many tables of the likelihood had to be worked out. AuditorError where there
    is no such run.
    """
    from auditor.trips import Tables  # It is slow to load, and few commands need it.

    store.require()
    base = current_number(store) if base is None else base
    with open_snapshot(store, base) as con, unfinished(store) as folder:
        rules = change(rules_of(con))
        chosen = part.systems(con) if part is not None and part.any else None
        among = _among(con, chosen)
        tables = Tables(store.root / "tables", made)
        try:
            done = audit_all(
                con,
                folder,
                rules.catalog,
                rules.policy,
                rules.as_of,
                left_out=_outside(con, chosen),
                progress=progress,
                tables=tables,
                evidence=snapshot_evidence(con, among=among),
            )
        except duckdb.BinderException as error:
            raise AuditorError(
                f"Run {base} was made by another version, which kept other records. Make a new one: auditor audit"
            ) from error
        of_part = "; ".join(filter(None, (about(con).get("part"), part.words() if part and part.any else "")))
        told_of = about_run(rules.catalog, rules.policy, rules.as_of, done, told)
        beside = {"of_portfolio": _warnings(con, chosen), **_later_tables(con)}
        number, path = write_recheck(
            store,
            folder,
            base,
            done.paths,
            told_of | {"recheck_of": base, "part": of_part},
            inside(rules.policy),
            beside,
            chosen,
        )
    return Published(number, path, done.content_hash, done.systems, done.circuits)


def _among(con: Connection, chosen: pl.Series | None) -> str:
    """What joins to the systems that are chosen, kept as the table `part`; nothing where all are."""
    if chosen is None:
        return ""
    con.execute("CREATE OR REPLACE TEMP TABLE part AS SELECT unnest(?::VARCHAR[]) AS system_id", [chosen.to_list()])
    return " SEMI JOIN part USING (system_id)"


def _outside(con: Connection, chosen: pl.Series | None) -> list[str]:
    """The systems that are not judged."""
    if chosen is None:
        return []
    return [row[0] for row in con.execute("SELECT system_id FROM system ANTI JOIN part USING (system_id)").fetchall()]


def _warnings(con: Connection, chosen: pl.Series | None) -> pl.DataFrame:
    """What shows over all systems at once, of those that are chosen: a part is looked at among all the others."""
    con.execute("DELETE FROM left_out")
    found = portfolio_warnings(con)
    return found if chosen is None else found.filter(pl.col("system_id").is_in(chosen.implode()))


def _later_tables(con: Connection) -> dict[str, pl.DataFrame]:
    held = {row[0] for row in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    return {name: pl.DataFrame(schema=schema) for name, schema in LATER_TABLES.items() if name not in held}

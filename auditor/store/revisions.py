"""What an import says otherwise than an earlier one: the newer value counts, and both are told when it happens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from auditor.records.schema import RUN, SYSTEM, TABLES, UNIT, Table
from auditor.store.rejects import PLACE

Connection = duckdb.DuckDBPyConnection

#: Revised facts that are told one by one.
MOST_TOLD = 100


@dataclass(frozen=True)
class Revision:
    """A fact that an earlier import stated otherwise: `was` in a row of that import's file, `now` in one of the new.

    `circuit_id` is empty for a fact of the system; a fact of a run is named as the simple file names it.
    """

    system_id: str
    circuit_id: str
    column: str
    was: str
    was_row: int
    was_file: str
    was_import: int
    now: str
    now_row: int


def same_key(table: Table) -> str:
    """The condition that a new row `n` and a held row `o` of a table are about the same thing."""
    nullable = {"circuit_id", "combiner_id"} if table is RUN else set()
    return " AND ".join(f'n."{k}" {"IS NOT DISTINCT FROM" if k in nullable else "="} o."{k}"' for k in table.key)


def revisions(con: Connection) -> tuple[int, tuple[Revision, ...]]:
    """How many facts the staged import states otherwise than what is held, and the first of them.

    Reads `new_T` beside each table T, of which it is not written yet. A fact that one of the two leaves empty is no
    contradiction; lists of units are replaced as a whole.
    """
    count, told = 0, list[Revision]()
    for table in TABLES:
        if table is UNIT:
            continue
        facts = [column.name for column in table.columns if column.name not in table.key]
        differ = " + ".join(f'coalesce((n."{fact}" <> o."{fact}")::BIGINT, 0)' for fact in facts)
        changed = (
            f"FROM new_{table.name} n JOIN {table.name} o ON {same_key(table)}"
            f" WHERE n.old_hash <> n.row_hash AND n.row_hash <> '{PLACE}' AND n.old_hash <> '{PLACE}'"
        )
        found = int(con.execute(f"SELECT coalesce(sum({differ}), 0) {changed}").fetchall()[0][0])
        if found and len(told) < MOST_TOLD:
            told += _first(con, table, facts, f"{changed} AND {differ} > 0")
        count += found
    return count, tuple(told[:MOST_TOLD])


def _first(con: Connection, table: Table, facts: list[str], changed: str) -> list[Revision]:
    prefix = "''"
    if table is RUN:
        order = "CASE WHEN n.run_order > 1 THEN n.run_order || '_' ELSE '' END"
        prefix = f"replace(n.role, ' ', '_') || '_' || {order}"
    circuit = "''" if table is SYSTEM else "coalesce(n.circuit_id, '')"
    cells = ", ".join(
        f"{{'fact': '{fact}', 'was': o.\"{fact}\"::VARCHAR, 'now': n.\"{fact}\"::VARCHAR,"
        f" 'figure': {'true' if table.column(fact).kind in ('number', 'length', 'current') else 'false'}}}"
        for fact in facts
    )
    rows = con.execute(
        "SELECT system_id, circuit_id, prefix || cell.fact, cell.was, was_row, file_name, import_id, cell.now, now_row,"
        f" cell.figure FROM (SELECT n.system_id, {circuit} AS circuit_id, {prefix} AS prefix, o.source_row AS was_row,"
        f" o.import_id, n.source_row AS now_row, unnest(list_filter([{cells}], lambda c: c.was <> c.now)) AS cell"
        f" {changed} ORDER BY now_row, system_id, circuit_id LIMIT {MOST_TOLD}) JOIN import USING (import_id)"
        f" ORDER BY now_row, system_id, circuit_id, 3 LIMIT {MOST_TOLD}"
    ).fetchall()
    return [
        Revision(system, circuit_id, column, _plain(was, figure), was_row, file, number, _plain(now, figure), now_row)
        for system, circuit_id, column, was, was_row, file, number, now, now_row, figure in rows
    ]


def _plain(value: str, figure: bool) -> str:
    """A figure as people write it: 20, not 20.0."""
    return value.removesuffix(".0") if figure else value


@dataclass(frozen=True)
class TakenBack:
    """What an import returned to a revision that a later import had replaced.

    Systems whose own facts or shared runs are, other circuits, the imports that had replaced them, and the facts that
    are told one by one.
    """

    systems: int
    circuits: int
    imports: tuple[int, ...]
    facts: tuple[Revision, ...] = ()


def taken_back(con: Connection, told: Sequence[Revision]) -> TakenBack:
    """What the import just applied took back; `told` are the facts that it revised."""
    found = " UNION ALL ".join(
        f"SELECT n.system_id, {'n.circuit_id' if table is not SYSTEM else 'NULL'} AS circuit_id, o.replaced_by"
        f" FROM new_{table.name} n JOIN {table.name}_past o ON {same_key(table)} AND o.row_hash = n.row_hash"
        f" WHERE n.old_hash IS DISTINCT FROM n.row_hash AND n.row_hash <> $place"
        for table in TABLES
    )
    con.execute(f"CREATE OR REPLACE TEMP TABLE back AS {found}", {"place": PLACE})
    systems, circuits, imports = con.execute(
        "SELECT count(DISTINCT system_id) FILTER (circuit_id IS NULL),"
        " count(DISTINCT (system_id, circuit_id)) FILTER (circuit_id IS NOT NULL),"
        " coalesce(list_sort(list(DISTINCT replaced_by)), []) FROM back"
    ).fetchall()[0]
    owners = set(con.execute("SELECT DISTINCT system_id, coalesce(circuit_id, '') FROM back").fetchall())
    facts = tuple(one for one in told if (one.system_id, one.circuit_id) in owners)
    return TakenBack(systems, circuits, tuple(imports), facts)

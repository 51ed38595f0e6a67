"""What a snapshot's exports hold: findings, circuits, systems and rejects, each as one query."""

from __future__ import annotations

from auditor.errors import AuditorError
from auditor.store.records_db import Connection, quoted

WHAT = ("findings", "circuits", "systems", "rejects")

_BOOKKEEPING = ("row_hash", "import_id", "missing_bits", "assumed_bits")
_FINDINGS = (
    'SELECT f.* FROM finding f JOIN "check" c USING ("check") ORDER BY f.system_id, f.circuit_id NULLS FIRST, c.number'
)
_REJECTS = (
    'SELECT i.file_name, r.row_number, r."column", r.canonical, r.raw, r.code, r.sentence, r.import_id, r.sheet'
    " FROM reject r JOIN import i USING (import_id)"
    " ORDER BY r.import_id, r.sheet NULLS FIRST, r.row_number, r.canonical NULLS FIRST,"
    ' r."column", r.code, r.sentence, r.raw'
)


def _columns(con: Connection, table: str) -> list[str]:
    rows = con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index", [table])
    return [row[0] for row in rows.fetchall()]


def _shown(column: str) -> bool:
    return column not in _BOOKKEEPING and not column.endswith(("_missing", "_assumed"))


def _joined(con: Connection, table: str, keys: tuple[str, ...]) -> str:
    """The records' columns beside the results': a name that both have is the result's."""
    results = _columns(con, f"{table}_result")
    facts = [c for c in _columns(con, table) if c not in results and _shown(c)]
    shown = [f"r.{quoted(c)}" for c in keys]
    shown += [f"r.{quoted(c)}" for c in results if _shown(c) and c not in keys]
    shown += [f"s.{quoted(c)}" for c in facts]
    using = ", ".join(keys)
    order = ", ".join(f"r.{k}" for k in keys)
    missing = (
        ", fact_names(r.missing_bits) AS missing, fact_names(r.assumed_bits) AS assumed" if table == "circuit" else ""
    )
    return f"SELECT {', '.join(shown)}{missing} FROM {table}_result r JOIN {table} s USING ({using}) ORDER BY {order}"


def query_of(con: Connection, what: str) -> str:
    """The SQL of an export; AuditorError names what there is."""
    if what == "findings":
        return _FINDINGS
    if what == "rejects":
        return _REJECTS
    if what == "circuits":
        return _joined(con, "circuit", ("system_id", "circuit_id"))
    if what == "systems":
        return _joined(con, "system", ("system_id",))
    raise AuditorError(f"There is no export of {what!r}; there are {', '.join(WHAT)}.")

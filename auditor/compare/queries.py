"""What is read of a finished comparison: SQL over its tables and views."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.compare.notices import NOTICE_ORDER, WORSENED
from auditor.errors import AuditorError
from auditor.store.records_db import Connection
from auditor.toml_file import did_you_mean


def where(con: Connection, check: str = "", systems: Sequence[str] = ()) -> str:
    """A condition on the rows of `changed`; AuditorError where the runs have no such check in common."""
    rows = con.execute("SELECT DISTINCT \"check\" FROM tally WHERE kind = 'check' ORDER BY ALL").fetchall()
    known = [row[0] for row in rows]
    if check and check not in known:
        raise AuditorError(f"--check {check}: both runs have no such check.{did_you_mean(check, known)}")
    conditions = [f'"check" = {_text(check)}'] if check else []
    if systems:
        conditions.append(f"system_id IN ({', '.join(map(_text, systems))})")
    return " AND ".join(conditions) or "true"


def export_sql(con: Connection, check: str = "", systems: Sequence[str] = ()) -> str:
    """The SQL of an export of the changes: rows in which anything differs, by system."""
    return (
        f"SELECT * EXCLUDE (row) FROM changed WHERE {where(con, check, systems)}"
        ' ORDER BY system_id, kind DESC, "check", circuit_id NULLS FIRST'
    )


def notices_sql(con: Connection, check: str = "", systems: Sequence[str] = ()) -> str:
    """The SQL of the notification list: by utility, designer, crew and contact, a system once."""
    chosen = f"SELECT system_id FROM changed WHERE {WORSENED} AND {where(con, check, systems)}"
    return f"FROM notice WHERE system_id IN ({chosen}) ORDER BY {NOTICE_ORDER}"


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"

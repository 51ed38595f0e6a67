"""How a sheet writes what a snapshot holds."""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl

from auditor.store.records_db import Connection

NOTHING = "–"


def shown(value: Any) -> str:
    """A value as it stands, or the sign for none."""
    return NOTHING if value is None else str(value)


def joined(*parts: str | None) -> str:
    """What there is, in one line."""
    return ", ".join(part for part in parts if part and part != NOTHING) or NOTHING


def figure(value: float | None, unit: str, decimals: int) -> str:
    """A figure with its unit."""
    return NOTHING if value is None else f"{value:,.{decimals}f} {unit}"


def duration(seconds: float | None) -> str:
    """A length of time in the largest unit that it is whole in."""
    if seconds is None:
        return NOTHING
    each = next((unit for unit in ((3600, "h"), (60, "min")) if seconds % unit[0] == 0), (1, "s"))
    return f"{seconds / each[0]:g} {each[1]}"


def held(con: Connection, table: str, system_id: str, order: str) -> pl.DataFrame:
    """Rows of a table that a run made before there was evidence may lack."""
    try:
        found = con.sql(f"FROM {table} WHERE system_id = ? ORDER BY {order}", params=[system_id])
    except duckdb.CatalogException:
        return pl.DataFrame()
    return pl.DataFrame(found.to_arrow_table())

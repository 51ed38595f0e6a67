"""The table of systems: keys first from what is filtered and sorted by, then those rows' other columns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from auditor.store.records_db import Connection
from dashboard.filters import COLUMNS, Filters, View
from dashboard.queries.where import where

#: Most rows that one request of the table may ask for.
MOST_ROWS = 1_000

_TITLES = (
    "(SELECT string_agg(c.title, '; ' ORDER BY c.number) FROM \"check\" c"
    " WHERE (s.failing_checks >> c.number) & 1 = 1) AS failing"
)
_WAITS = (
    "(SELECT string_agg(f.label, ', ' ORDER BY f.number) FROM fact f"
    " WHERE (s.waits_for >> f.number) & 1 = 1) AS waits_for"
)


def sort_of(model: Sequence[Mapping[str, Any]]) -> tuple[tuple[str, bool], ...]:
    """The grid's sort model as (column, descending); ValueError for a column or a direction that is not known."""
    sort = []
    for entry in model:
        column, direction = entry.get("colId"), entry.get("sort")
        if column not in COLUMNS or direction not in ("asc", "desc"):
            raise ValueError(f"cannot sort by {column!r} {direction!r}")
        sort.append((str(column), direction == "desc"))
    return tuple(sort)


def check_filter_model(model: Mapping[str, Any] | None) -> None:
    """Raise ValueError for any filter of the grid's own: the table is filtered by the page, and nothing is dropped."""
    if model:
        raise ValueError(f"the table has no filters of its own, got {sorted(model)}")


def _order(sort: Sequence[tuple[str, bool]]) -> str:
    """ORDER BY: missing values last, the rank of system_id in the end, which makes every order total."""
    parts = []
    for column, down in sort:
        if column not in COLUMNS:
            raise ValueError(f"cannot sort by {column!r}")
        if column == "system_id":
            parts.append("place DESC" if down else "place")
            break
        parts.append(f"{column} {'DESC' if down else 'ASC'} NULLS LAST")
    else:
        parts.append("place")
    return "ORDER BY " + ", ".join(parts)


def count(con: Connection, filters: Filters) -> int:
    """How many systems the filters leave."""
    condition, bound = where(filters)
    return int(con.execute(f"SELECT count(*) FROM shown {condition}", bound).fetchall()[0][0])


def rows(con: Connection, view: View, start: int, end: int) -> pl.DataFrame:
    """Rows `start` to `end` (exclusive) of the table, with the columns it shows."""
    if not 0 <= start < end or end - start > MOST_ROWS:
        raise ValueError(f"rows {start} to {end}")
    condition, bound = where(view.filters)
    order = _order(view.sort)
    keys = con.execute(f"SELECT place FROM shown {condition} {order} LIMIT ? OFFSET ?", [*bound, end - start, start])
    places = [row[0] for row in keys.fetchall()]
    wide = (
        f"SELECT s.place, {', '.join(f's.{c}' for c in COLUMNS)}, s.rise_target_pct, s.rests_on_assumptions, {_TITLES},"
        f" {_WAITS} FROM shown s WHERE s.place IN (SELECT unnest(?::INTEGER[]))"
    )
    frame = pl.DataFrame(con.sql(wide, params=[places]).to_arrow_table())
    return pl.DataFrame({"place": places}, {"place": pl.Int32}).join(
        frame, on="place", how="left", maintain_order="left"
    )


def export_query(view: View) -> tuple[str, list[Any]]:
    """The SQL of everything the table shows under a view, all rows in its order, with the values to bind."""
    condition, bound = where(view.filters)
    columns = ", ".join(f"s.{c}" for c in COLUMNS)
    return (
        f"SELECT {columns}, s.rise_target_pct, s.rests_on_assumptions, {_TITLES}, {_WAITS} FROM shown s"
        f" {condition} {_order(view.sort)}",
        bound,
    )

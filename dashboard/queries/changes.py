"""What the page of changes shows: SQL over a comparison's file, and the runs of a store."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import polars as pl

from auditor.compare.notices import NOTICE_ORDER, WORSENED
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import about, open_snapshot, recheck_numbers, run_path, snapshot_numbers
from dashboard.changes_address import Asked
from dashboard.filters import Filters
from dashboard.queries.where import where

PAGE_ROWS = 25
#: Most values that a filter offers, those with most changes.
MOST_OFFERED = 300

#: What became of a verdict: a key of WAYS.
WAY = """CASE WHEN change = 'came in' THEN 'came' WHEN change = 'went' THEN 'went'
    WHEN change = 'more trips' THEN 'worse' WHEN change = 'fewer trips' THEN 'better'
    WHEN change = 'became unknown' THEN 'unknown' WHEN change = 'became known' THEN 'known'
    WHEN before IS NOT DISTINCT FROM after THEN 'same' WHEN after = 'fail' THEN 'worse'
    WHEN before = 'fail' THEN 'better' ELSE 'other' END"""
_LOST = "(margin_after_pct - margin_before_pct)"
SORTS = {
    "system": "system_id", "check": '"check"',
    "before": "CASE kind WHEN 'trips' THEN value_before ELSE margin_before_pct END",
    "after": "CASE kind WHEN 'trips' THEN value_after ELSE margin_after_pct END",
    "lost": _LOST, "cause": "cause", "utility": "utility",
    "designer": "designer",
}  # fmt: skip
_COLUMNS = {
    "check": '"check"', "was": "before", "now": "after", "cause": "cause", "utility": "utility",
    "designer": "designer",
}  # fmt: skip

Condition = tuple[str, list[Any]]


@dataclass(frozen=True)
class Run:
    """A run as the page names it."""

    number: int
    about: dict[str, Any]

    @property
    def base(self) -> int | None:
        """The run that it judges again; None for a published audit."""
        return self.about.get("recheck_of") or None

    @property
    def part(self) -> str:
        """Which part it is of, "" for all systems."""
        return self.about.get("part") or ""


def runs(store: Store) -> list[Run]:
    """The runs that are kept, ascending."""
    numbers = sorted([*snapshot_numbers(store), *recheck_numbers(store)])
    return [_run(store, number, run_path(store, number).stat().st_mtime_ns) for number in numbers]


@lru_cache(maxsize=256)
def _run(store: Store, number: int, made: int) -> Run:
    with open_snapshot(store, number) as con:
        told = about(con)
    return Run(
        number,
        {
            name: told.get(name)
            for name in ("as_of", "made", "systems", "circuits", "other_rules", "recheck_of", "part", "policy_name")
        },
    )


def compared(con: Connection) -> dict[str, Any]:
    """The runs and what each judged by."""
    cursor = con.execute("FROM compared")
    names = [column[0] for column in cursor.description or ()]
    return dict(zip(names, cursor.fetchall()[0], strict=True))


def factors(con: Connection) -> list[tuple[str, str]]:
    """The inputs in which the runs differ: name and detail."""
    return con.execute("SELECT name, detail FROM factor ORDER BY number").fetchall()


def condition(asked: Asked, *besides: str) -> Condition:
    """What the filters keep of `changed`; `besides` names filters to leave out. Without a way, what moved is kept."""
    parts, bound = ["kind = ?"], [asked.level]
    for name, column in _COLUMNS.items():
        value = getattr(asked, name)
        if value is None or name in besides:
            continue
        parts.append(f"{column} IS NULL" if value == "" else f"{column} = ?")
        bound += [value] if value else []
    if asked.way and "way" not in besides:
        parts.append(f"{WAY} = ?")
        bound.append(asked.way)
    elif "way" not in besides:
        parts.append(f"{WAY} <> 'same'")
    return " AND ".join(parts), bound


def ways(con: Connection, asked: Asked) -> dict[str, tuple[int, int, int]]:
    """By way: how many verdicts, how many systems, and how many of the verdicts fail now."""
    kept, bound = condition(asked, "way", "was", "now")
    rows = con.execute(
        f"SELECT {WAY} AS way, count(*), count(DISTINCT system_id), count(*) FILTER (after = 'fail') FROM changed"
        f" WHERE {kept} GROUP BY way",
        bound,
    ).fetchall()
    return {way: (verdicts, systems, failing) for way, verdicts, systems, failing in rows}


def changed_systems(con: Connection, asked: Asked) -> int:
    """How many systems have a verdict that changed."""
    kept, bound = condition(asked, "way", "was", "now")
    query = f"SELECT count(DISTINCT system_id) FROM changed WHERE {kept} AND {WAY} <> 'same'"
    return int(con.execute(query, bound).fetchall()[0][0])


def flows(con: Connection, asked: Asked) -> pl.DataFrame:
    """How many verdicts went from what to what, of those that changed: before, after and count, the largest first."""
    kept, bound = condition(asked, "way", "was", "now")
    query = (
        "SELECT before, after, count(*) AS count, count(DISTINCT system_id) AS systems FROM changed"
        f" WHERE {kept} AND {WAY} NOT IN ('same', 'came', 'went') GROUP BY ALL ORDER BY count DESC, before, after"
    )
    return pl.DataFrame(con.sql(query, params=bound).to_arrow_table())


def bands(con: Connection) -> list[str]:
    """The bands of trip-days among the changes, the calmest first."""
    query = (
        "SELECT band FROM (SELECT before AS band, value_before AS days FROM changed WHERE kind = 'trips' UNION ALL"
        " SELECT after, value_after FROM changed WHERE kind = 'trips') WHERE band IS NOT NULL GROUP BY band"
        " ORDER BY min(days)"
    )
    return [row[0] for row in con.execute(query).fetchall()]


def as_before(con: Connection, asked: Asked) -> int:
    """How many verdicts stayed, of all systems."""
    query = (
        "SELECT coalesce(sum(count), 0) FROM tally WHERE kind = ? AND before IS NOT DISTINCT FROM after"
        " AND change NOT IN ('came in', 'went') AND (? IS NULL OR \"check\" = ?)"
    )
    return int(con.execute(query, [asked.level, asked.check, asked.check]).fetchall()[0][0])


def offered(con: Connection, asked: Asked, name: str) -> list[tuple[str | None, int]]:
    """The values of a filter among the changes that the others leave, with how many changes, most first."""
    kept, bound = condition(asked, name)
    query = (
        f"SELECT {_COLUMNS[name]} AS value, count(*) AS n FROM changed WHERE {kept} GROUP BY ALL"
        f" ORDER BY n DESC, value LIMIT {MOST_OFFERED}"
    )
    return con.execute(query, bound).fetchall()


def titles(con: Connection) -> dict[str, str]:
    """The titles of a run's checks."""
    return dict(con.execute('SELECT "check", title FROM "check" ORDER BY number').fetchall())


def count(con: Connection, asked: Asked) -> int:
    """How many rows the filters keep."""
    kept, bound = condition(asked)
    return int(con.execute(f"SELECT count(*) FROM changed WHERE {kept}", bound).fetchall()[0][0])


def rows(con: Connection, asked: Asked) -> list[dict[str, Any]]:
    """A page of the rows, in the order that is asked for."""
    kept, bound = condition(asked)
    query = (
        f"FROM changed WHERE {kept} ORDER BY {_order(asked)} LIMIT {PAGE_ROWS} OFFSET {(asked.page - 1) * PAGE_ROWS}"
    )
    return pl.DataFrame(con.sql(query, params=bound).to_arrow_table()).to_dicts()


def _order(asked: Asked) -> str:
    name, down = asked.sort
    return f"{SORTS[name]} {'DESC' if down else 'ASC'} NULLS LAST, row"


def export_rows(asked: Asked) -> Condition:
    """The SQL of all the rows that the filters keep, with what is bound."""
    kept, bound = condition(asked)
    return f"SELECT * EXCLUDE (row) FROM changed WHERE {kept} ORDER BY {_order(asked)}", bound


def other_dates(con: Connection) -> bool:
    """Whether the runs judge some system by the specs of different days."""
    query = "SELECT 1 FROM concerned WHERE specs_before IS DISTINCT FROM specs_after LIMIT 1"
    return bool(con.execute(query).fetchall())


def export_notices(asked: Asked) -> Condition:
    """The SQL of the notification list: systems with a verdict of a check that became worse, each once.

    The filters by way and by verdicts do not narrow it: whoever is told is told all of it.
    """
    kept, bound = condition(asked.but(level="check"), "way", "was", "now")
    chosen = f"SELECT system_id FROM changed WHERE {WORSENED} AND {kept}"
    return f"FROM notice WHERE system_id IN ({chosen}) ORDER BY {NOTICE_ORDER}", bound


def notices(con: Connection, asked: Asked) -> tuple[list[dict[str, Any]], int]:
    """A page of the notification list, and how many systems it holds."""
    query, bound = export_notices(asked)
    total = int(con.execute(f"SELECT count(*) FROM ({query})", bound).fetchall()[0][0])
    page = f"{query} LIMIT {PAGE_ROWS} OFFSET {(asked.told - 1) * PAGE_ROWS}"
    return pl.DataFrame(con.sql(page, params=bound).to_arrow_table()).to_dicts(), total


def waived(con: Connection, asked: Asked) -> int:
    """How many of the rows that the filters keep are waived."""
    kept, bound = condition(asked)
    query = f"SELECT count(*) FROM changed WHERE {kept} AND waived_until IS NOT NULL"
    return int(con.execute(query, bound).fetchall()[0][0])


def systems(con: Connection, filters: Filters) -> list[str]:
    """The ids of the published run's systems that the portfolio page's filters keep."""
    kept, bound = where(filters)
    return [row[0] for row in con.execute(f"SELECT system_id FROM shown {kept} ORDER BY place", bound).fetchall()]

"""The portfolio page's figures: counts over the table `shown` under some filters."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

import polars as pl

from auditor.store.records_db import Connection
from dashboard.filters import GROUPINGS, Filters
from dashboard.queries.where import bits_of, where

#: Bins of the distribution of rise below its last, open one; eight of them lie below the target.
RISE_BINS = 24
BINS_TO_TARGET = 8
#: Whole inverters either side of the limit that have a bar of their own.
UNITS_SPAN = 8
#: Groups that a chart draws, and years; a table holds the same.
MOST_GROUPS, MOST_YEARS = 14, 60
#: Values that a filter offers.
MOST_OPTIONS = 400


@dataclass(frozen=True)
class Answer:
    """How many systems, and how many of them fail or wait."""

    systems: int
    of_all: int
    circuits: int
    safety: int
    over_rise: int
    over_limit: int
    fail: int
    unknown: int
    passing: int
    assumed: int
    tripping: int


def _frame(con: Connection, query: str, bound: list[Any]) -> pl.DataFrame:
    return pl.DataFrame(con.sql(query, params=bound).to_arrow_table())


def _number(con: Connection, check: str) -> int:
    """A check's number, which is its bit's; a bit that no check has where the snapshot lacks it."""
    found = con.execute('SELECT number FROM "check" WHERE "check" = ?', [check]).fetchall()
    return int(found[0][0]) if found else 31


def _judged(number: int) -> str:
    """One check's verdict on each system: fail, unknown or else pass."""
    return (
        f"CASE WHEN (failing_checks >> {number}) & 1 = 1 THEN 'fail'"
        f" WHEN (unknown_checks >> {number}) & 1 = 1 THEN 'unknown' ELSE 'pass' END"
    )


def bands(con: Connection) -> list[tuple[str, float]]:
    """The bands of trip-days a year: each name, and the figure from which it holds."""
    found = json.loads(con.execute("SELECT policy FROM audit").fetchall()[0][0])["trips"]["band"]
    starts = [0.0, *(float(band["below"]) for band in found)]
    return [(band["name"], start) for band, start in zip(found, starts, strict=False)]


def often(con: Connection) -> float:
    """From how many trip-days a year a system counts as one that trips often: where the last band but one begins."""
    starts = [start for _, start in bands(con)]
    return starts[-2] if len(starts) > 1 else 1.0


#: The band of a system's trip-days a year by its number, null where they are not known; the bands' starts are bound.
_BAND = (
    "CASE WHEN trip_days IS NOT NULL THEN len(list_filter(?::DOUBLE[], lambda edge: edge <= trip_days)) - 1 END AS band"
)


def trip_bins(con: Connection, filters: Filters) -> pl.DataFrame:
    """Systems by their band of trip-days a year: band (its number, null where unknown), verdict, systems."""
    condition, bound = where(filters, "trips")
    starts = [start for _, start in bands(con)]
    return _frame(
        con,
        f"""SELECT {_BAND}, verdict::VARCHAR AS verdict, count(*) AS systems
        FROM shown {condition} GROUP BY ALL ORDER BY ALL""",
        [starts, *bound],
    )


@dataclass(frozen=True)
class Risk:
    """Systems whose trip-days are known and those whose are not, how many trip often, and the trip-days of all."""

    known: int
    unknown: int
    often: int
    trip_days: float


def risk(con: Connection, filters: Filters) -> Risk:
    """The systems at risk of overvoltage trips; sums are of predictive means."""
    condition, bound = where(filters)
    row = con.execute(
        f"""SELECT count(trip_days), count(*) - count(trip_days), count(*) FILTER (trip_days >= ?),
          coalesce(sum(trip_days), 0) FROM shown {condition}""",
        [often(con), *bound],
    ).fetchall()[0]
    return Risk(int(row[0]), int(row[1]), int(row[2]), float(row[3]))


def trips_by_group(con: Connection, filters: Filters, by: str) -> tuple[pl.DataFrame, int]:
    """Systems by a grouping and their band: value (null where not stated), bands (the systems in each), unknown,
    systems, often, trip_days; and the number of groups.

    The group with most trip-days expected comes first, years in order; no more than a chart can show. A system with
    two inverter models counts under both.
    """
    if by not in GROUPINGS:
        raise ValueError(f"cannot group by {by!r}")
    condition, bound = where(filters, "trips", by)
    starts = [start for _, start in bands(con)]
    counts = ", ".join(f"count(*) FILTER (band = {number})" for number, _ in enumerate(starts))
    frame = _frame(
        con,
        f"""WITH grouped AS (SELECT {_value(by)} AS value, trip_days, {_BAND} FROM shown {condition})
        SELECT value, [{counts}] AS bands, count(*) - count(trip_days) AS unknown, count(*) AS systems,
          count(*) FILTER (trip_days >= ?) AS often, sum(trip_days) AS trip_days
        FROM grouped GROUP BY value ORDER BY trip_days DESC NULLS LAST, systems DESC, value NULLS LAST""",
        [starts, *bound, often(con)],
    )
    return _top(frame, by), frame.height


def _value(by: str) -> str:
    """SQL for what a system is grouped by."""
    return "unnest(CASE WHEN len(models) = 0 THEN [NULL] ELSE models END)" if by == "model" else by


def _top(frame: pl.DataFrame, by: str) -> pl.DataFrame:
    """As many groups as a chart can show; years in order."""
    top = frame.head(MOST_GROUPS if by != "year" else MOST_YEARS)
    return top.sort("value", nulls_last=True) if by == "year" else top


def answer(con: Connection, filters: Filters) -> Answer:
    """The page's answer."""
    condition, bound = where(filters)
    rise, limit = _number(con, "voltage-rise"), _number(con, "branch-unit-limit")
    row = con.execute(
        f"""SELECT count(*), (SELECT count(*) FROM shown), coalesce(sum(circuits), 0),
          count(*) FILTER (failing_checks & {bits_of(["safety"])} <> 0),
          coalesce(sum((failing_checks >> {rise}) & 1), 0), coalesce(sum((failing_checks >> {limit}) & 1), 0),
          count(*) FILTER (verdict = 'fail'), count(*) FILTER (verdict = 'unknown'), count(*) FILTER (verdict = 'pass'),
          count(*) FILTER (rests_on_assumptions), count(*) FILTER (trip_days >= ?) FROM shown {condition}""",
        ["safety", "safety", often(con), *bound],
    ).fetchall()[0]
    return Answer(*map(int, row))


def missing_facts(con: Connection, filters: Filters) -> pl.DataFrame:
    """By missing fact: `settles` systems that wait for it alone, `alone` systems with a verdict that does, `waits` all.

    Columns fact, label, settles, alone, waits (systems each); the fact that settles most comes first.
    """
    condition, bound = where(filters, "fact")
    # Few different sets of facts are missing: they are counted first and taken apart after.
    return _frame(
        con,
        f"""WITH sets AS (SELECT waits_for, waits_alone, count(*) AS n FROM shown {condition} GROUP BY ALL)
        SELECT f.fact, f.label, coalesce(sum(n) FILTER (waits_for = 1::HUGEINT << f.number), 0)::BIGINT AS settles,
          coalesce(sum(n) FILTER ((waits_alone >> f.number) & 1 = 1), 0)::BIGINT AS alone, sum(n)::BIGINT AS waits
        FROM sets JOIN fact f ON (waits_for >> f.number) & 1 = 1
        GROUP BY f.fact, f.label, f.number ORDER BY settles DESC, alone DESC, waits DESC, f.number""",
        bound,
    )


def targets(con: Connection) -> list[float]:
    """The rise targets in force [%], ascending."""
    found = con.execute("SELECT DISTINCT rise_target_pct FROM shown WHERE rise_target_pct IS NOT NULL ORDER BY 1")
    return [row[0] for row in found.fetchall()]


def rise_bins(con: Connection, filters: Filters, target_pct: float | None) -> pl.DataFrame:
    """Systems by their worst total rise: low, high [%] (high null in the last bin), verdict, systems.

    Bins are an eighth of the target wide. A row with null low counts systems without any known total.
    """
    width = (target_pct or 2.0) / BINS_TO_TARGET
    condition, bound = where(filters, "rise")
    frame = _frame(
        con,
        f"""SELECT CASE WHEN worst_rise_pct IS NOT NULL THEN least(floor(worst_rise_pct / ?), ?)::INTEGER END AS bin,
          {_judged(_number(con, "voltage-rise"))} AS verdict,
          count(*) AS systems FROM shown {condition} GROUP BY ALL ORDER BY ALL""",
        [width, RISE_BINS, *bound],
    )
    low = pl.col("bin") * width
    return frame.select(
        low.round(4).alias("low"),
        pl.when(pl.col("bin") < RISE_BINS).then((low + width).round(4)).alias("high"),
        "verdict",
        "systems",
    )


def unit_bins(con: Connection, filters: Filters) -> pl.DataFrame:
    """Systems by the inverters beyond the branch limit on their worst circuit: over (clipped), verdict, systems."""
    condition, bound = where(filters, "over")
    return _frame(
        con,
        f"""SELECT CASE WHEN units_over IS NOT NULL THEN greatest(least(units_over, {UNITS_SPAN}), -{UNITS_SPAN})
          END AS over, {_judged(_number(con, "branch-unit-limit"))} AS verdict, count(*) AS systems
        FROM shown {condition} GROUP BY ALL ORDER BY ALL""",
        bound,
    )


def by_check(con: Connection, filters: Filters) -> pl.DataFrame:
    """Systems that fail each check or leave it unknown: check, title, fail, unknown; in the checks' order."""
    condition, bound = where(filters, "check")
    return _frame(
        con,
        f"""WITH sets AS (SELECT failing_checks, unknown_checks, count(*) AS n FROM shown {condition} GROUP BY ALL)
        SELECT c."check", c.title, coalesce(sum(n) FILTER ((failing_checks >> c.number) & 1 = 1), 0)::BIGINT AS fail,
          coalesce(sum(n) FILTER ((unknown_checks >> c.number) & 1 = 1), 0)::BIGINT AS unknown
        FROM "check" c LEFT JOIN sets ON true GROUP BY c."check", c.title, c.number ORDER BY c.number""",
        bound,
    )


def by_group(con: Connection, filters: Filters, by: str) -> tuple[pl.DataFrame, int]:
    """Systems by a grouping: value (null where not stated), fail, unknown, pass, systems; and the number of groups.

    Years come in order; other groups by failing systems, the largest first, no more than a chart can show. A system
    with two inverter models counts under both.
    """
    if by not in GROUPINGS:
        raise ValueError(f"cannot group by {by!r}")
    condition, bound = where(filters, by)
    frame = _frame(
        con,
        f"""WITH grouped AS (SELECT {_value(by)} AS value, verdict FROM shown {condition})
        SELECT value, count(*) FILTER (verdict = 'fail') AS fail, count(*) FILTER (verdict = 'unknown') AS unknown,
          count(*) FILTER (verdict = 'pass') AS pass, count(*) AS systems
        FROM grouped GROUP BY value ORDER BY fail DESC, systems DESC, value NULLS LAST""",
        bound,
    )
    return _top(frame, by), frame.height


def options(con: Connection, name: str) -> list[str | int | None]:
    """The values a filter offers, the most frequent where there are too many, in order; None where some state none."""
    if name not in GROUPINGS:
        raise ValueError(f"no filter {name!r}")
    found = con.execute(
        f"SELECT value FROM (SELECT {_value(name)} AS value FROM shown) GROUP BY value"
        " ORDER BY count(*) DESC, value LIMIT ?",
        [MOST_OPTIONS],
    ).fetchall()
    return sorted((row[0] for row in found), key=lambda v: (v is None, v if v is not None else ""))


def checks(con: Connection) -> list[tuple[str, str]]:
    """What the filter of checks takes and calls it: all checks of safety together, then each check, in order."""
    each = con.execute('SELECT "check", title FROM "check" ORDER BY number').fetchall()
    return [("safety", "Any safety check"), *each]


def facts(con: Connection) -> dict[str, str]:
    """The facts' labels by name."""
    return dict(con.execute("SELECT fact, label FROM fact ORDER BY number").fetchall())


def next_round(value: float) -> float:
    """A round number at or above a figure, for an axis."""
    step = 10 ** math.floor(math.log10(max(value, 1)))
    return math.ceil(value / step) * step

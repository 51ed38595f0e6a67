"""What two runs say of the same circuits and systems, side by side: SQL over their snapshots, attached as `a` and `b`.

A row of `change` is a verdict of a check on a circuit or system (kind "check"), a system's verdict over all (kind
"system") or the band of its expected trip-days (kind "trips"). Rows in which nothing differs are counted only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from auditor.checks import CHECKS
from auditor.checks.base import TOLERANCE, Check
from auditor.held import columns_of
from auditor.store.records_db import Connection
from auditor.store.snapshot import about

#: What a check has in both runs' results, as columns of a row that moved.
_PARTS = ("verdict", "value", "limit")


def _differs(old: str, new: str) -> str:
    """Two figures differ beyond the last digits, or one is missing."""
    return f"(({old} IS NULL) <> ({new} IS NULL) OR abs({old} - {new}) > {TOLERANCE} * abs({old}))"


def common_checks(con: Connection) -> tuple[Check, ...]:
    """The checks that both runs judge."""
    held = [
        columns_of(con, schema, "circuit_result") | columns_of(con, schema, "system_result") for schema in ("a", "b")
    ]
    return tuple(check for check in CHECKS if all(f"{check.column}_verdict" in columns for columns in held))


def _among(con: Connection) -> str:
    """What narrows results to the systems that are compared: all, or those of each run that is of a part."""
    parts = [schema for schema in ("a", "b") if about(con, schema).get("part")]
    return "".join(f" SEMI JOIN {schema}.system_result p{schema} USING (system_id)" for schema in parts)


def build(con: Connection) -> None:
    """Make the tables `change` and `tally` in the connection's own database.

    A run of a part is compared over its own systems: that the other run holds more of them is no change.
    """
    among = _among(con)
    for schema in ("a", "b"):
        for level in ("circuit", "system"):
            con.execute(
                f"CREATE OR REPLACE TEMP VIEW {schema}_{level} AS SELECT r.* FROM {schema}.{level}_result r{among}"
            )
    checks = common_checks(con)
    at_circuit = [check for check in checks if check.level == "circuit"]
    at_system = [check for check in checks if check.level != "circuit"]
    trips = all("trip_band" in columns_of(con, schema, "system_result") for schema in ("a", "b"))
    _moved(con, "circuit", ("system_id", "circuit_id"), at_circuit, [])
    over_all = ["verdict", *(("trip_band", "trip_days_per_year") if trips else ())]
    _moved(con, "system", ("system_id",), at_system, over_all)
    at_least = dict(con.execute('SELECT "check", at_least FROM b."check"').fetchall())
    rows = [_check_rows(check, at_least[check.name]) for check in checks]
    rows += [_over_all_rows(), *([_trip_rows()] if trips else [])]
    con.execute(f"CREATE TABLE change AS SELECT row_number() OVER () AS row, * FROM ({' UNION ALL '.join(rows)})")
    con.execute(f"CREATE TABLE tally AS {_tally(checks, trips)}")
    for name in ("a_circuit", "a_system", "b_circuit", "b_system"):
        con.execute(f"DROP VIEW {name}")
    con.execute("DROP TABLE moved_circuit")
    con.execute("DROP TABLE moved_system")


def _moved(con: Connection, level: str, keys: tuple[str, ...], checks: Sequence[Check], plain: Sequence[str]) -> None:
    """The rows of one level in which anything differs, both runs' columns side by side."""
    shown = [f"coalesce(x.{key}, y.{key}) AS {key}" for key in keys]
    shown += ["x.system_id IS NULL AS came", "y.system_id IS NULL AS went"]
    names = [f"{check.column}_{part}" for check in checks for part in _PARTS] + list(plain)
    shown += [f'{side}.{name} AS "{name}_{side}"' for name in names for side in ("x", "y")]
    differing = [
        f"x.{check.column}_verdict::VARCHAR IS DISTINCT FROM y.{check.column}_verdict::VARCHAR" for check in checks
    ]
    differing += [
        _differs(f"x.{check.column}_{part}", f"y.{check.column}_{part}") for check in checks for part in _PARTS[1:]
    ]
    differing += [
        f"x.{name}::VARCHAR IS DISTINCT FROM y.{name}::VARCHAR" for name in plain if name != "trip_days_per_year"
    ]
    on = " AND ".join(f"x.{key} = y.{key}" for key in keys)
    con.execute(
        f"CREATE TEMP TABLE moved_{level} AS SELECT {', '.join(shown)} FROM a_{level} x"
        f" FULL JOIN b_{level} y ON {on} WHERE x.system_id IS NULL OR y.system_id IS NULL"
        f" OR {' OR '.join(differing)}"
    )


def _change(before: str, after: str) -> str:
    """What became of a verdict, in words."""
    return (
        f"CASE WHEN came THEN 'came in' WHEN went THEN 'went' WHEN {before} <> 'unknown' AND {after} = 'unknown'"
        f" THEN 'became unknown' WHEN {before} = 'unknown' AND {after} <> 'unknown' THEN 'became known'"
        f" ELSE {before} || ' to ' || {after} END"
    )


def _margin(at_least: bool, value: str, limit: str) -> str:
    distance = f"{value} - {limit}" if at_least else f"{limit} - {value}"
    return f"({distance}) / nullif(abs({limit}), 0) * 100"


def _check_rows(check: Check, at_least: bool) -> str:
    c, level = check.column, "circuit" if check.level == "circuit" else "system"
    circuit = "circuit_id" if level == "circuit" else "NULL::VARCHAR"
    x, y = f"{c}_verdict_x::VARCHAR", f"{c}_verdict_y::VARCHAR"
    figures = [f"{c}_{part}_{side}" for part in ("value", "limit") for side in ("x", "y")]
    value_x, value_y, limit_x, limit_y = figures
    moved = f"came OR went OR {x} IS DISTINCT FROM {y} OR {_differs(value_x, value_y)} OR {_differs(limit_x, limit_y)}"
    return (
        f"SELECT 'check' AS kind, '{check.name}' AS \"check\", system_id, {circuit} AS circuit_id,"
        f" {_change(x, y)} AS change, {x} AS before, {y} AS after, {value_x} AS value_before, {value_y} AS value_after,"
        f" {limit_x} AS limit_before, {limit_y} AS limit_after, '{check.unit}' AS unit,"
        f" {_margin(at_least, value_x, limit_x)} AS margin_before_pct,"
        f" {_margin(at_least, value_y, limit_y)} AS margin_after_pct"
        f" FROM moved_{level} WHERE {moved}"
    )


def _over_all_rows() -> str:
    x, y = "verdict_x::VARCHAR", "verdict_y::VARCHAR"
    figures = ", ".join(["NULL::DOUBLE"] * 4)
    margins = ", ".join(["NULL::DOUBLE"] * 2)
    return (
        f"SELECT 'system', NULL, system_id, NULL, {_change(x, y)}, {x}, {y}, {figures}, NULL, {margins}"
        f" FROM moved_system WHERE came OR went OR {x} IS DISTINCT FROM {y}"
    )


def _trip_rows() -> str:
    x, y = "trip_band_x", "trip_band_y"
    days = "trip_days_per_year_x, trip_days_per_year_y"
    change = (
        f"CASE WHEN came THEN 'came in' WHEN went THEN 'went' WHEN {y} IS NULL THEN 'became unknown' WHEN {x} IS NULL"
        " THEN 'became known' WHEN trip_days_per_year_y > trip_days_per_year_x THEN 'more trips'"
        " WHEN trip_days_per_year_y < trip_days_per_year_x THEN 'fewer trips' ELSE 'another band' END"
    )
    return (
        f"SELECT 'trips', NULL, system_id, NULL, {change}, {x}, {y}, {days}, NULL::DOUBLE, NULL::DOUBLE,"
        " 'trip-days a year', NULL::DOUBLE, NULL::DOUBLE"
        f" FROM moved_system WHERE came OR went OR {x} IS DISTINCT FROM {y}"
    )


def _totals(checks: Sequence[Check]) -> Iterator[str]:
    """How many verdicts of each kind the first run holds, for each check and over all."""
    for check in checks:
        level = "circuit" if check.level == "circuit" else "system"
        name = f"{check.column}_verdict"
        yield (
            f"SELECT 'check' AS kind, '{check.name}' AS \"check\", {name}::VARCHAR AS before, count(*) AS count"
            f" FROM a_{level} GROUP BY {name}"
        )
    yield "SELECT 'system', NULL, verdict::VARCHAR, count(*) FROM a_system GROUP BY verdict"


def _tally(checks: Sequence[Check], trips: bool) -> str:
    """The counts of every pair of verdicts; what is not in `change` is as it was."""
    order = ", ".join(f"('{check.name}', {number})" for number, check in enumerate(checks))
    bands = (
        " UNION ALL SELECT 'trips', NULL, NULL, trip_band, trip_band, count(*) FROM a_system x"
        " SEMI JOIN b_system y ON x.system_id = y.system_id AND x.trip_band IS NOT DISTINCT FROM y.trip_band"
        " GROUP BY trip_band"
        if trips
        else ""
    )
    return f"""
        WITH total AS ({" UNION ALL ".join(_totals(checks))}),
        told AS (SELECT kind, "check", change, before, after, count(*) AS count FROM change GROUP BY ALL),
        apart AS (SELECT kind, "check", before, sum(count) AS count FROM told
            WHERE before IS NOT NULL AND change <> 'came in' GROUP BY ALL),
        rest AS (SELECT t.kind, t."check", NULL, t.before, t.before AS after, t.count - coalesce(p.count, 0) AS count
            FROM total t LEFT JOIN apart p ON p.kind = t.kind AND p."check" IS NOT DISTINCT FROM t."check"
              AND p.before = t.before),
        every AS (FROM told UNION ALL (FROM rest WHERE count > 0){bands}),
        number AS (FROM (VALUES {order}) AS n("check", number))
        SELECT e.kind, e."check", coalesce(any_value(e.change), e.before || ' to ' || e.after) AS change,
          e.before, e.after, sum(e.count)::BIGINT AS count, any_value(n.number) AS number
        FROM every e LEFT JOIN number n USING ("check") GROUP BY e.kind, e."check", e.before, e.after
        ORDER BY kind, number, before, after"""

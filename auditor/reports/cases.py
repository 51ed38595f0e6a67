"""The cases of a comparison from a snapshot: one row a circuit or system with its verdict, and what it is like."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import polars as pl

from auditor.errors import AuditorError
from auditor.quality.compare import CASES
from auditor.reports.tables import text
from auditor.store import Store
from auditor.store.records_db import Connection
from auditor.store.snapshot import open_snapshot, recheck_numbers
from auditor.toml_file import did_you_mean

#: By what cases can be compared: the column of cases, and what several of them are called.
UNITS = {
    "designer": "designers",
    "crew": "crews",
    "office": "offices",
    "region": "regions",
    "utility": "utilities",
    "model": "inverter models",
    "year": "design years",
}
DEFAULT_OUTCOME = "voltage-rise"
VERDICT, TRIPS, SEVERITY = "verdict", "trips", "severity"

#: The year of a case is that of its design; without one, of its permit or first operation.
DAY = "coalesce(s.design_date, s.permit_date, s.energized_date)"
#: The column of each, of the tables `system` (s) and `shown` (m).
VALUES = {name: f"s.{name}" for name in UNITS} | {"model": "m.model", "year": f"year({DAY})::VARCHAR"}
#: One-way lengths by circuit and by feeder; a length that is not known in part is not known.
_HOME_RUN = """SELECT system_id, circuit_id, CASE WHEN count(length_m) = count(*) THEN sum(length_m) END AS length_m
    FROM run WHERE role = 'home run' GROUP BY ALL"""
_FEEDER = """SELECT system_id, coalesce(combiner_id, '') AS combiner_id,
    CASE WHEN count(length_m) = count(*) THEN sum(length_m) END AS length_m
    FROM run WHERE role = 'feeder' GROUP BY ALL"""


def bands(con: Connection) -> list[str]:
    """The run's bands of trip-days a year, from the fewest on; none of a run without them."""
    policy = json.loads(con.execute("SELECT policy FROM audit").fetchall()[0][0])
    return [band["name"] for band in policy.get("trips", {}).get("band", [])]


def outcomes(con: Connection) -> dict[str, str]:
    """What can be compared: each check, the verdict, severities and bands of trips; by name, what it is called."""
    checks = con.execute('SELECT "check", title FROM "check" ORDER BY number').fetchall()
    named = dict(checks) | {VERDICT: "the system's verdict"}
    severities = con.execute('SELECT DISTINCT severity FROM "check" ORDER BY severity').fetchall()
    named |= {f"{SEVERITY}:{name}": f"any check of {name}" for (name,) in severities}
    return named | {f"{TRIPS}:{band}": f"trips expected: {band} or more often" for band in bands(con)[1:]}


def regions(con: Connection) -> list[str]:
    """The regions that the run's systems state, in order."""
    return [row[0] for row in con.execute("SELECT DISTINCT region FROM shown WHERE region <> '' ORDER BY 1").fetchall()]


def in_region(con: Connection, region: str) -> str:
    """SQL that keeps the systems (s) of a region, or all where none is named; AuditorError names those there are."""
    if not region:
        return "true"
    known = regions(con)
    if region not in known:
        meant = did_you_mean(region, known)
        raise AuditorError(f"--region {region}: the run holds no such region.{meant} There are: {', '.join(known)}.")
    return f"s.region = {text(region)}"


def judged_by(con: Connection) -> str:
    """By which rules the run's verdicts were made, in a sentence."""
    about = _about(con)
    given = f", with {about['other_rules']} in place of the store's own" if about.get("other_rules") else ""
    specs = "the specs of each design date" if _by_design_date(about) else f"the specs of {about['as_of']}"
    return f"Run {about['run']}: judged by the policy “{about['policy_name']}” and {specs}{given}."


def _about(con: Connection) -> dict[str, Any]:
    row = con.execute("SELECT * FROM audit")
    about = dict(zip([column[0] for column in row.description or ()], row.fetchall()[0], strict=True))
    return about | {"policy": json.loads(about["policy"])}


def _by_design_date(about: dict[str, Any]) -> bool:
    """Whether a run judges each system by the specs of its design date."""
    return bool(about["policy"].get("specs_of") == "design date")


@dataclass(frozen=True)
class Sides:
    """The runs that judge the same records by the specs of each design date and by those of one day; None for none."""

    then: int | None
    now: int | None


def sides(store: Store, run: int) -> Sides:
    """Both sides of a run's records: the run itself, and its newest re-check that differs in nothing else.

    A re-check of a part, or with another catalog, day or policy, is no side: what it would tell apart is not the design
    date alone.
    """
    with open_snapshot(store, run) as con:
        about = _about(con)
    other = None
    for number in sorted(recheck_numbers(store), reverse=True):
        with open_snapshot(store, number) as con:
            if _differ_in_specs_alone(about, _about(con)):
                other = number
                break
    return Sides(run, other) if _by_design_date(about) else Sides(other, run)


def _differ_in_specs_alone(about: dict[str, Any], other: dict[str, Any]) -> bool:
    alike = all(about[name] == other[name] for name in ("catalog_hash", "as_of"))
    policies = ({key: value for key, value in one["policy"].items() if key != "specs_of"} for one in (about, other))
    same_policy = next(policies) == next(policies)
    return (
        other.get("recheck_of") == about["run"]
        and (other.get("part") or "") == (about.get("part") or "")
        and alike and same_policy and _by_design_date(about) != _by_design_date(other)
    )  # fmt: skip


def undated(con: Connection) -> int:
    """Systems without a design date: by the specs of each design date, what rests on specs is unknown of them."""
    return int(
        con.execute("SELECT count(*) FROM shown JOIN system USING (system_id) WHERE design_date IS NULL").fetchall()[0][
            0
        ]
    )


def cases(con: Connection, by: str, outcome: str, region: str = "") -> pl.DataFrame:
    """The cases of an outcome with the value of what they are compared by: columns `CASES`.

    Not applicable verdicts are no cases; `region` narrows them to one. AuditorError names what there is.
    """
    if by not in UNITS:
        raise AuditorError(f"--by {by}: compare by {', '.join(UNITS)}.{did_you_mean(by, list(UNITS))}")
    known = outcomes(con)
    if outcome not in known:
        meant = did_you_mean(outcome, list(known))
        raise AuditorError(f"--outcome {outcome}: there is no such outcome.{meant} There are: {', '.join(known)}.")
    level = con.execute('SELECT level FROM "check" WHERE "check" = ?', [outcome]).fetchall()
    of_circuits = bool(level) and level[0][0] == "circuit"
    where = in_region(con, region)
    query = _circuits(by, outcome, where) if of_circuits else _systems(con, by, outcome, where)
    frame = pl.DataFrame(con.sql(query).to_arrow_table())
    return frame.select(pl.col(name).cast(kind) for name, kind in CASES.items())


def _like(value: str, home_run: str, feeder: str, units: str, failed: str) -> str:
    return (
        f"SELECT s.system_id, {value} AS value, {DAY} AS day, s.service, {home_run} AS home_run_m,"
        f" {feeder} AS feeder_m, {units} AS units, year({DAY}) AS year, {failed} AS failed"
    )


def _circuits(by: str, outcome: str, where: str) -> str:
    verdict = f"r.{outcome.replace('-', '_')}_verdict"
    value = "coalesce(c.inverter_model, m.model)" if by == "model" else VALUES[by]
    failed = f"CASE {verdict} WHEN 'fail' THEN true WHEN 'pass' THEN false END"
    return (
        f"{_like(value, 'h.length_m', 'f.length_m', 'r.inverter_count', failed)}"
        " FROM circuit_result r JOIN system s USING (system_id) JOIN circuit c USING (system_id, circuit_id)"
        f" JOIN shown m USING (system_id) LEFT JOIN ({_HOME_RUN}) h USING (system_id, circuit_id)"
        f" LEFT JOIN ({_FEEDER}) f ON f.system_id = r.system_id AND f.combiner_id = coalesce(c.combiner_id, '')"
        f" WHERE {where} AND {verdict} IN ('fail', 'unknown', 'pass') ORDER BY r.system_id, r.circuit_id"
    )


def _any_of(bits: str) -> str:
    """SQL: whether a system fails any of some checks; null where none fails and one is unknown."""
    failing = f"m.failing_checks & {bits} <> 0"
    return f"CASE WHEN {failing} THEN true WHEN m.unknown_checks & {bits} <> 0 THEN NULL ELSE false END"


def _systems(con: Connection, by: str, outcome: str, where: str) -> str:
    """Systems; their longest runs and fullest branch stand for them."""
    if outcome.startswith(f"{TRIPS}:"):
        often = bands(con)[bands(con).index(outcome.partition(":")[2]) :]
        failed = f"r.trip_band IN ({', '.join(map(text, often))})"
    elif outcome.startswith(f"{SEVERITY}:"):
        severity = text(outcome.partition(":")[2])
        failed = _any_of(f'(SELECT bit_or(1::UINTEGER << number) FROM "check" WHERE severity = {severity})')
    else:
        column = "r.verdict" if outcome == VERDICT else f"r.{outcome.replace('-', '_')}_verdict"
        failed = f"CASE {column} WHEN 'fail' THEN true WHEN 'pass' THEN false END"
        where += f" AND {column} IN ('fail', 'unknown', 'pass')"
    longest = "SELECT system_id, max(length_m) AS length_m FROM ({}) GROUP BY system_id"
    fullest = "SELECT system_id, max(inverter_count) AS units FROM circuit_result GROUP BY system_id"
    return (
        f"{_like(VALUES[by], 'h.length_m', 'f.length_m', 'n.units', failed)}"
        " FROM system_result r JOIN system s USING (system_id) JOIN shown m USING (system_id)"
        f" LEFT JOIN ({longest.format(_HOME_RUN)}) h USING (system_id)"
        f" LEFT JOIN ({longest.format(_FEEDER)}) f USING (system_id) LEFT JOIN ({fullest}) n USING (system_id)"
        f" WHERE {where} ORDER BY r.system_id"
    )

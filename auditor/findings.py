"""The findings view: one row per check and circuit or system, its sentence made from the check's template when read."""

from __future__ import annotations

from auditor.checks import CHECKS
from auditor.checks.base import Check
from auditor.checks.facts import BIT, FACTS
from auditor.policy import Policy

#: Facts whose name says too little in a sentence.
_LABELS = {
    "inverter_spec": "inverter in the catalog",
    "trunk_spec": "trunk cable in the catalog",
    "module_spec": "module in the catalog",
    "inverter_current": "inverter current at this voltage",
    "inverter_connection": "how the inverter is connected",
    "inverter_input": "inverter input limits",
    "trunk_section": "trunk section length",
    "trunk_rating": "trunk current rating",
    "trunk_max_breaker": "largest breaker of the trunk cable",
    "feed": "where the branch is fed",
    "home_run_rated_a": "home run current rating",
    "feeder_rated_a": "feeder current rating",
    "combiner_id": "which feeder carries the circuit",
    "feeder_load": "current of the other circuits on the feeder",
    "other_circuits": "facts of other circuits of the system",
    "ampacity_table": "ampacity of this conductor under this edition",
    "backfeed_position": "place of the solar breaker on the busbar",
    "backfed_breaker": "breaker that feeds the busbar",
}
_UNITS = ("_m", "_a", "_c", "_mm", "_kva", "_pct", "_deg")

#: Columns of the view in the order of an export.
COLUMNS = (
    "run", "system_id", "circuit_id", "check", "check_version", "verdict", "severity", "confidence", "value", "limit",
    "unit", "margin_pct", "missing", "assumed", "sentence", "source_file", "source_row", "waived_until", "waived_by",
    "waived_why",
)  # fmt: skip


def fact_label(fact: str) -> str:
    """A fact as people say it: `home_run_length_m` is "home run length"."""
    if fact in _LABELS:
        return _LABELS[fact]
    for unit in _UNITS:
        if fact.endswith(unit):
            fact = fact.removesuffix(unit)
            break
    return fact.replace("_", " ")


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _number(column: str, other: str) -> str:
    """A number as a sentence shows it: whole numbers plain, others with two decimals, or four if need be."""
    alike = f"round({column}, 2) = round({other}, 2) AND {column} <> {other}"
    return (
        f"CASE WHEN {alike} THEN format('{{:.4f}}', {column})"
        f" WHEN {column} = round({column}) THEN {column}::BIGINT::VARCHAR ELSE format('{{:.2f}}', {column}) END"
    )


def _rows(check: Check) -> str:
    """The judged rows of one check, from circuits' or systems' results."""
    prefix = check.column
    circuit = "r.circuit_id" if check.level == "circuit" else "NULL::VARCHAR AS circuit_id"
    table = "circuit_result" if check.level == "circuit" else "system_result"
    parts = ", ".join(f'r.{prefix}_{part} AS "{part}"' for part in ("verdict", "value", "limit", "missing", "assumed"))
    fails_at = f"r.{prefix}_fails_at" if check.fails_at_fact else "NULL::DOUBLE"
    return (
        f'SELECT r.system_id, {circuit}, {_text(check.name)} AS "check", {parts}, {fails_at} AS fails_at'
        f" FROM {table} r WHERE r.{prefix}_verdict IS NOT NULL"
    )


def _check_rows(policy: Policy) -> str:
    rows = [
        ", ".join(
            [
                *(_text(t) for t in (c.name, c.title, c.level, c.severity, c.unit)),
                str(c.version),
                str(c.judge(policy).at_least).lower(),
                *(_text(t) for t in (c.passes, c.fails, c.fails_bare, c.unknown, c.beyond, c.documentation)),
                str(number),
            ]
        )
        for number, c in enumerate(CHECKS)
    ]
    return ", ".join(f"({row})" for row in rows)


def _oversized(policy: Policy) -> str:
    """SQL of the circuits with more inverters than the policy's ceiling, and the largest count of their systems."""
    arms = "list_sum(list_transform(string_split(c.arm_counts, '+'), lambda a: try_cast(trim(a) AS BIGINT)))"
    return f"""CREATE TABLE oversized AS
        WITH listed AS (SELECT system_id, circuit_id, sum(inverter_count) AS units FROM unit GROUP BY ALL),
        counted AS (SELECT c.system_id, c.circuit_id, coalesce(c.inverter_count, u.units, {arms})::BIGINT AS units
            FROM circuit c LEFT JOIN listed u USING (system_id, circuit_id)),
        above AS (SELECT * FROM counted WHERE units > {policy.units_ceiling})
        SELECT * FROM above UNION ALL SELECT system_id, NULL, max(units) FROM above GROUP BY system_id
        ORDER BY system_id, circuit_id"""


def _missing(policy: Policy) -> str:
    """SQL of the missing facts as a sentence lists them; a count that is no fact since it is too large says so."""
    count = _text(fact_label("inverter_count"))
    told = f"{count} || format(' ({{:,}} is above the ceiling of {policy.units_ceiling:,}, taken for a slip)', o.units)"
    names = (
        f"CASE WHEN o.units IS NULL OR f.missing & {BIT['inverter_count']}::UBIGINT = 0 THEN fact_names(f.missing)"
        f" ELSE replace(fact_names(f.missing), {count}, {told}) END"
    )
    if policy.specs_of == "design date":
        specs = sum(BIT[fact] for fact in ("inverter_spec", "trunk_spec", "module_spec"))
        undated = "SELECT system_id FROM system WHERE design_date IS NULL"
        told = f"f.missing & {specs}::UBIGINT <> 0 AND f.system_id IN ({undated})"
        names = f"CASE WHEN {told} THEN {names} || ' (on the design date, which is not recorded)' ELSE {names} END"
    return f"CASE WHEN f.missing = 0 THEN 'a fact of the record' ELSE {names} END"


def _sentence(policy: Policy) -> str:
    """SQL that fills a check's template; without it, `not applicable` has no sentence."""
    unknown = "c.unknown || CASE WHEN f.fails_at IS NULL OR c.beyond = '' THEN '' ELSE ' ' || c.beyond END"
    fails = "CASE WHEN f.\"limit\" IS NULL AND c.fails_bare <> '' THEN c.fails_bare ELSE c.fails END"
    templates = f"WHEN 'pass' THEN c.passes WHEN 'fail' THEN {fails} WHEN 'unknown' THEN {unknown}"
    sentence = f"CASE f.verdict {templates} ELSE '' END"
    for mark, other in (("value", "limit"), ("limit", "value"), ("fails_at", "limit")):
        number = _number(f'f."{mark}"', f'f."{other}"')
        sentence = f"replace({sentence}, '{{{mark}}}', coalesce({number}, '?'))"
    return f"replace({sentence}, '{{missing}}', {_missing(policy)})"


def statements(policy: Policy) -> list[str]:
    """The SQL that adds the checks' table, the facts' names and the views `waived` and `finding` to a snapshot.

    A waiver hides no finding: it stands beside it, and is gone from `waived` after its day (by the run's as-of date).
    """
    labels = ", ".join(_text(fact_label(fact)) for fact in FACTS)
    distance = """CASE WHEN c.at_least THEN f.value - f."limit" ELSE f."limit" - f.value END"""
    return [
        'CREATE TABLE "check" ("check" VARCHAR, title VARCHAR, level VARCHAR, severity VARCHAR, unit VARCHAR,'
        " version INTEGER, at_least BOOLEAN, passes VARCHAR, fails VARCHAR, fails_bare VARCHAR, unknown VARCHAR,"
        " beyond VARCHAR, documentation VARCHAR, number INTEGER)",
        f'INSERT INTO "check" VALUES {_check_rows(policy)}',
        f"CREATE MACRO fact_names(b) AS CASE WHEN b = 0 THEN '' ELSE array_to_string(list_transform(list_filter("
        f"range(0, {len(FACTS)}), lambda i: (b::HUGEINT >> i::HUGEINT) & 1 = 1), lambda i: ([{labels}])[i + 1]), ', ')"
        " END",
        _oversized(policy),
        """CREATE VIEW waived AS SELECT w.* FROM waiver w CROSS JOIN (SELECT as_of FROM audit) a
            WHERE w.until >= a.as_of::DATE""",
        "CREATE VIEW judged AS " + " UNION ALL ".join(_rows(check) for check in CHECKS),
        f"""CREATE VIEW finding AS
            SELECT a.run, f.system_id, f.circuit_id, f."check", c.version AS check_version, f.verdict, c.severity,
              CASE WHEN f.verdict NOT IN ('pass', 'fail') THEN NULL WHEN f.assumed <> 0 THEN 'assumed'
                   ELSE 'given' END AS confidence,
              f.value, f."limit", c.unit, {distance} / nullif(abs(f."limit"), 0) * 100 AS margin_pct,
              fact_names(f.missing) AS missing, fact_names(f.assumed) AS assumed, {_sentence(policy)} AS sentence,
              i.file_name AS source_file, s.source_row,
              w.until AS waived_until, w.who AS waived_by, w.text AS waived_why
            FROM judged f JOIN "check" c USING ("check") CROSS JOIN (SELECT run FROM audit) a
            LEFT JOIN (SELECT system_id, circuit_id, source_row, import_id FROM circuit
                       UNION ALL SELECT system_id, NULL, source_row, import_id FROM system) s
              ON f.system_id = s.system_id AND f.circuit_id IS NOT DISTINCT FROM s.circuit_id
            LEFT JOIN oversized o
              ON f.system_id = o.system_id AND f.circuit_id IS NOT DISTINCT FROM o.circuit_id
            LEFT JOIN import i ON i.import_id = s.import_id
            LEFT JOIN waived w
              ON w.system_id = f.system_id AND w."check" = f."check" AND f.verdict IN ('fail', 'unknown')""",
    ]

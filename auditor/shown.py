"""A narrow table of systems for whoever shows a snapshot: what a list filters, sorts and counts by, one row a system.

It holds nothing that the wide tables lack; it saves reading them for every click.
"""

from __future__ import annotations

from auditor.checks import CHECKS
from auditor.checks.facts import FACTS
from auditor.findings import fact_label


def _bits(verdict: str) -> str:
    """The checks with that verdict as bits: the check's number in the table `check` is the bit's."""
    parts = (f"((r.{c.column}_verdict = '{verdict}')::UINTEGER << {n})" for n, c in enumerate(CHECKS))
    return " | ".join(f"coalesce({part}, 0)" for part in parts)


def _waiting(level: tuple[str, ...]) -> list[str]:
    """For each check, the facts that its unknown verdict waits for, as bits."""
    return [
        f"(CASE WHEN r.{c.column}_verdict = 'unknown' THEN coalesce(r.{c.column}_missing, 0) ELSE 0 END)::HUGEINT"
        for c in CHECKS
        if c.level in level
    ]


def _alone(mask: str) -> str:
    """The mask where it is one bit, else nothing."""
    return f"(CASE WHEN bit_count({mask}) = 1 THEN {mask} ELSE 0::HUGEINT END)"


def statements() -> list[str]:
    """The SQL that adds the tables `fact` (the facts by number) and `shown` to a snapshot with its results.

    `shown`, sorted by system: `place` (its rank), the facts people filter by, `worst_rise_pct` and `rise_target_pct`
    [%], `trip_days` (expected a year), `units_over` (units beyond the branch limit on the worst circuit; negative where
    there is room), `failing_checks` and `unknown_checks` (as bits), `waits_for` (facts that unknown verdicts wait for,
    as bits), `waits_alone` (those that a verdict waits for and nothing else) and `search` (lower-case text).
    """
    facts = ", ".join(f"({n}, '{fact}', '{fact_label(fact)}')" for n, fact in enumerate(FACTS))
    circuit, system = _waiting(("circuit",)), _waiting(("feeder", "system"))
    # The year of a system is that of its design; without one, of its permit or first operation.
    return [
        "CREATE TABLE fact (number INTEGER, fact VARCHAR, label VARCHAR)",
        f"INSERT INTO fact VALUES {facts}",
        f"""CREATE TABLE shown AS
            WITH circuits AS (
              SELECT r.system_id, max(r.inverter_count - r.unit_limit) AS units_over,
                max(r.rise_target_pct) AS rise_target_pct,
                bit_or({" | ".join(circuit)}) AS waits_for,
                bit_or({" | ".join(_alone(mask) for mask in circuit)}) AS waits_alone
              FROM circuit_result r GROUP BY r.system_id),
            units AS (
              SELECT system_id, inverter_model, sum(inverter_count) AS units FROM unit
              WHERE inverter_model IS NOT NULL GROUP BY ALL
              UNION ALL
              SELECT system_id, inverter_model, sum(inverter_count) FROM circuit c
              WHERE inverter_model IS NOT NULL
                AND NOT EXISTS (FROM unit u WHERE u.system_id = c.system_id AND u.circuit_id = c.circuit_id)
              GROUP BY ALL),
            models AS (
              SELECT system_id, list(inverter_model ORDER BY total DESC NULLS LAST, inverter_model) AS models
              FROM (SELECT system_id, inverter_model, sum(units) AS total FROM units GROUP BY ALL) GROUP BY system_id)
            SELECT (row_number() OVER (ORDER BY r.system_id) - 1)::INTEGER AS place, r.system_id, s.site_label,
              s.region, s.utility, s.designer,
              year(coalesce(s.design_date, s.permit_date, s.energized_date))::SMALLINT AS year, s.service,
              coalesce(m.models, []::VARCHAR[]) AS models, m.models[1] AS model, r.verdict, r.circuits, r.units,
              r.worst_total_rise_pct AS worst_rise_pct, r.trip_days_per_year AS trip_days,
              c.rise_target_pct, c.units_over::INTEGER AS units_over,
              r.fails, r.unknowns, r.rests_on_assumptions, ({_bits("fail")})::UINTEGER AS failing_checks,
              ({_bits("unknown")})::UINTEGER AS unknown_checks,
              coalesce(c.waits_for, 0) | {" | ".join(system)} AS waits_for,
              coalesce(c.waits_alone, 0) | {" | ".join(_alone(mask) for mask in system)} AS waits_alone,
              lower(concat_ws(' ', r.system_id, s.site_label, s.utility, s.designer, s.office, s.crew, s.contact,
                s.distribution_feeder_id, array_to_string(m.models, ' '))) AS search
            FROM system_result r JOIN system s USING (system_id) LEFT JOIN circuits c USING (system_id)
            LEFT JOIN models m USING (system_id) ORDER BY place""",
    ]

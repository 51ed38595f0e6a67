"""The facts to fetch: for every unknown verdict what would settle it, as a work list for the office and the field."""

from __future__ import annotations

from typing import Literal

from auditor.store.records_db import Connection, quoted

Level = Literal["system", "feeder", "circuit", "catalog"]

_PLANS = "office: drawings"
_TRUNK = "office: drawings and cable layout"
_SHEET = "office: the maker's data sheet, into the catalog"
_BILL = "office: permit drawings"
_UTILITY = "office: ask the utility"

#: For each fact, whose it is and where it is found. One of the catalog is found once for every system with that model;
#: one "from" others cannot be fetched by itself.
PLACES: dict[str, tuple[Level, str]] = {
    "service": ("system", f"{_BILL}, or the utility's bill; field: main panel label"),
    "inverter_model": ("circuit", f"{_PLANS}, or the commissioning report; field: unit label"),
    "inverter_spec": ("catalog", _SHEET),
    "inverter_count": ("circuit", "office: as-built drawing, or the monitoring account; field: count the units"),
    "inverter_current": ("catalog", _SHEET),
    "inverter_connection": ("catalog", _SHEET),
    "inverter_input": ("catalog", _SHEET),
    "trunk_model": ("circuit", f"{_PLANS}, or the bill of material; field: cable marking"),
    "trunk_spec": ("catalog", _SHEET),
    "trunk_section": ("catalog", _SHEET),
    "trunk_rating": ("catalog", _SHEET),
    "orientation": ("circuit", f"{_TRUNK}; field: look at the roof"),
    "feed": ("circuit", f"{_TRUNK}; field: where the home run meets the trunk"),
    "arm_counts": ("circuit", f"{_TRUNK}; field: count the units on either side of the feed"),
    "first_section_m": ("circuit", f"{_TRUNK}; field: measure, circuit dead"),
    "breaker_a": ("circuit", f"{_PLANS}; field: breaker handle or panel schedule"),
    "circuit_phases": ("circuit", f"{_PLANS}; field: panel schedule"),
    "combiner_id": ("circuit", f"{_PLANS}: which combiner gathers the circuit"),
    "home_run_length_m": ("circuit", f"{_PLANS}; field: measure, or ask the crew"),
    "home_run_size": ("circuit", f"{_PLANS}; field: conductor marking, circuit dead"),
    "home_run_material": ("circuit", f"{_PLANS}; field: conductor marking, circuit dead"),
    "home_run_raceway": ("circuit", f"{_PLANS}; field: look"),
    "home_run_terminal_rating_c": ("circuit", "field: marking on the breaker and terminals"),
    "home_run_insulation": ("circuit", f"{_PLANS}; field: conductor marking, circuit dead"),
    "home_run_rated_a": ("circuit", "office: the designer's cable calculation"),
    "feeder_length_m": ("feeder", f"{_PLANS}; field: measure, or ask the crew"),
    "feeder_size": ("feeder", f"{_PLANS}; field: conductor marking, feeder dead"),
    "feeder_material": ("feeder", f"{_PLANS}; field: conductor marking, feeder dead"),
    "feeder_raceway": ("feeder", f"{_PLANS}; field: look"),
    "feeder_terminal_rating_c": ("feeder", "field: marking on the breaker and terminals"),
    "feeder_insulation": ("feeder", f"{_PLANS}; field: conductor marking, feeder dead"),
    "feeder_rated_a": ("feeder", "office: the designer's cable calculation"),
    "feeder_load": ("system", "from the facts of the feeder's other circuits"),
    "service_entrance_length_m": ("system", f"{_PLANS}; field: measure from meter to main panel"),
    "service_entrance_size": ("system", f"{_PLANS}; field: conductor marking, by a licensed person"),
    "service_entrance_material": ("system", f"{_PLANS}; field: conductor marking, by a licensed person"),
    "service_drop_length_m": ("system", f"{_UTILITY}; field: pace it out from below"),
    "service_drop_size": ("system", _UTILITY),
    "service_drop_material": ("system", _UTILITY),
    "transformer_kva": ("system", f"{_UTILITY}; field: number on the transformer, read from the ground"),
    "transformer_r_pct": ("system", _UTILITY),
    "power_factor": ("system", "office: commissioning report, or the monitoring account"),
    "power_factor_mode": ("system", "office: commissioning report, or the monitoring account"),
    "grid_profile": ("system", "office: commissioning report, or the monitoring account"),
    "ambient_c": ("circuit", "office: the designer's cable calculation, or the policy's default for the region"),
    "raceway_conductors": ("circuit", f"{_PLANS}; field: look"),
    "roof_clearance_mm": ("circuit", f"{_PLANS}; field: measure between raceway and roof"),
    "busbar_a": ("system", f"{_BILL}; field: panel label"),
    "main_breaker_a": ("system", f"{_BILL}; field: breaker handle"),
    "connection_side": ("system", f"{_BILL}; field: where the solar joins, seen by a licensed person"),
    "backfeed_position": ("system", f"{_BILL}; field: place of the solar breaker in the panel"),
    "busbar_breakers_a": ("system", "field: panel schedule, all breakers added up"),
    "backfed_breaker": ("system", f"{_BILL}; field: handle of the breaker that feeds the panel"),
    "other_sources_a": ("system", f"{_BILL}; field: other sources on the panel"),
    "installation_code": ("system", "office: the permit, or the authority having jurisdiction"),
    "code_edition": ("system", "office: the permit, or the authority having jurisdiction"),
    "ampacity_table": ("system", "office: the edition's ampacity table for this conductor"),
    "module_model": ("system", f"{_PLANS}, or the bill of material; field: module label"),
    "module_spec": ("catalog", _SHEET),
    "module_count": ("circuit", f"{_PLANS}; field: count the modules"),
    "cell_high_temp_c": ("system", "office: the designer's temperatures, or the policy's default for the region"),
    "low_design_temp_c": ("system", "office: climate data for the place"),
    "other_circuits": ("system", "from the facts of the system's other circuits"),
    "trunk_max_breaker": ("catalog", _SHEET),
}

#: Which model a fact of the catalog is about: the circuit's, or those of the system's circuits that lack the fact too.
_MODEL = """CASE WHEN p.level <> 'catalog' THEN NULL WHEN starts_with(p.fact, 'module') THEN u.module_model
    WHEN u.circuit_id IS NULL THEN o.models WHEN starts_with(p.fact, 'trunk') THEN u.trunk_model
    ELSE u.inverter_model END"""


def _places(con: Connection) -> str:
    """The facts of the snapshot with their place as rows; a fact that this table lacks is the system's."""
    rows = []
    for (fact,) in con.execute("SELECT fact FROM fact ORDER BY number").fetchall():
        level, where = PLACES.get(fact, ("system", "office"))
        rows.append(f"('{fact}', '{level}', '{where.replace(chr(39), chr(39) * 2)}')")
    return ", ".join(rows)


def _feeders(con: Connection) -> str:
    """Which feeder a feeder check's verdict is about."""
    checks = con.execute('SELECT "check" FROM "check" WHERE level = \'feeder\' ORDER BY number').fetchall()
    parts = [
        f"SELECT system_id, '{check}' AS \"check\", {quoted(check.replace('-', '_') + '_combiner_id')} AS combiner_id"
        " FROM system_result"
        for (check,) in checks
    ]
    return " UNION ALL ".join(parts) or 'SELECT NULL AS system_id, NULL AS "check", NULL AS combiner_id WHERE false'


def facts_query(con: Connection) -> str:
    """The SQL of the work list: one row per system, circuit or feeder, and fact that an unknown verdict waits for.

    A fact of the system has neither circuit nor feeder. `settles_alone` counts the unknown verdicts that wait for this
    fact and no other, `settles_with_others` those that wait for it and for those of `together_with` too; `rank` puts
    the facts of a system in the order in which they are worth fetching.
    """
    return f"""
    WITH place(fact, level, found) AS (VALUES {_places(con)}),
    feeders AS ({_feeders(con)}),
    circuits AS (
      SELECT c.* REPLACE (coalesce(c.inverter_model, u.models) AS inverter_model) FROM circuit c LEFT JOIN (
        SELECT system_id, circuit_id, string_agg(DISTINCT inverter_model, ', ' ORDER BY inverter_model) AS models
        FROM unit GROUP BY ALL) u USING (system_id, circuit_id)),
    unknowns AS (
      SELECT j.system_id, j.circuit_id, coalesce(c.combiner_id, f.combiner_id) AS combiner_id, j."check",
        j.missing::HUGEINT AS missing, c.inverter_model, c.trunk_model, s.module_model
      FROM judged j JOIN system s USING (system_id) LEFT JOIN circuits c USING (system_id, circuit_id)
      LEFT JOIN feeders f ON f.system_id = j.system_id AND f."check" = j."check"
      WHERE j.verdict = 'unknown' AND j.missing <> 0),
    models AS (
      SELECT system_id, number, string_agg(DISTINCT model, ', ' ORDER BY model) AS models FROM (
        SELECT r.system_id, f.number,
          CASE WHEN starts_with(f.fact, 'trunk') THEN c.trunk_model ELSE c.inverter_model END AS model
        FROM circuit_result r JOIN circuits c USING (system_id, circuit_id)
        JOIN fact f ON (r.missing_bits::HUGEINT >> f.number) & 1 = 1
        JOIN place p ON p.fact = f.fact AND p.level = 'catalog')
      GROUP BY ALL),
    facts AS (
      SELECT u.system_id, CASE WHEN p.level = 'circuit' THEN u.circuit_id END AS circuit_id,
        CASE WHEN p.level = 'feeder' THEN u.combiner_id END AS combiner_id, f.number, f.label, p.found,
        {_MODEL} AS model, count(*) FILTER (bit_count(u.missing) = 1) AS settles_alone,
        count(*) FILTER (bit_count(u.missing) > 1) AS settles_with_others,
        bit_or(u.missing) AS beside, bit_or(1::BIGINT << k.number) AS judging
      FROM unknowns u JOIN fact f ON (u.missing >> f.number) & 1 = 1 JOIN place p ON p.fact = f.fact
      JOIN "check" k USING ("check")
      LEFT JOIN models o ON o.system_id = u.system_id AND o.number = f.number GROUP BY ALL),
    -- Few different sets are met: their words are made once for each.
    others AS (
      SELECT beside, number, nullif(fact_names(beside & ~(1::HUGEINT << number)), '') AS together_with
      FROM (SELECT DISTINCT beside, number FROM facts)),
    titles AS (
      SELECT d.judging, string_agg(k.title, '; ' ORDER BY k.number) AS checks
      FROM (SELECT DISTINCT judging FROM facts) d JOIN "check" k ON (d.judging >> k.number) & 1 = 1 GROUP BY d.judging)
    SELECT t.system_id, t.circuit_id, t.combiner_id, s.site_label,
      row_number() OVER (PARTITION BY t.system_id ORDER BY settles_alone DESC, settles_with_others DESC, t.number,
        t.circuit_id NULLS FIRST, t.combiner_id NULLS FIRST, t.model NULLS FIRST) AS rank,
      t.label AS fact, t.model, t.found AS where_it_is_found, settles_alone, settles_with_others,
      o.together_with, h.checks, i.file_name AS source_file, coalesce(c.source_row, s.source_row) AS source_row
    FROM facts t JOIN others o USING (beside, number) JOIN titles h USING (judging)
    JOIN system s ON s.system_id = t.system_id
    LEFT JOIN circuit c ON c.system_id = t.system_id AND c.circuit_id = t.circuit_id
    LEFT JOIN import i ON i.import_id = coalesce(c.import_id, s.import_id)
    ORDER BY t.system_id, rank"""

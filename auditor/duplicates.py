"""Possible duplicates: one project that stands in the records under two ids.

Systems meet where they share something that few others share: the label of the site, the place, the contact, what
their circuits are made of, or an id that is written alike. Whoever shares two of these is a candidate, with the
evidence. The tool never merges: that is a person's decision.
"""

from __future__ import annotations

from collections.abc import Iterable

import duckdb
import polars as pl

Connection = duckdb.DuckDBPyConnection

#: A label, contact or content that more systems share says nothing about two of them; nor does a crowded place.
MOST_ALIKE = 8
#: Distance between two records of one place [m].
NEAR_M = 30.0
#: Side of a cell of the grid in which near places are looked for [deg of latitude]; no less than NEAR_M.
CELL_DEG = 0.0003
#: Metres in a degree of latitude, and radius of the sphere that distances are measured on (mean radius R1 of the WGS 84
#: ellipsoid, 6 371 008.8 m: Moritz, Geodetic Reference System 1980, table of derived constants).
RADIUS_M = 6_371_008.8
#: What each kind of evidence counts for.
SCORES = {"id": 3, "label": 2, "content": 2, "place": 2, "contact": 1}

SCHEMA: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "other_id": pl.String(),
    "evidence": pl.List(pl.String()),
    "score": pl.Int64(),
}

#: A text without case and punctuation.
_PLAIN = r"regexp_replace(lower(nfc_normalize({0})), '[^\p{{L}}\p{{N}}]+', '', 'g')"


def _like_id(column: str) -> str:
    """SQL for what is left of an id without case, leading zeros, separators, and endings such as -R1, rev 2 or (2).

    A separator between two figures stays: 1-23 and 12-3 differ.
    """
    text = f"lower(nfc_normalize({column}))"
    text = rf"regexp_replace({text}, '\s*\(\d{{1,2}}\)\s*$', '')"
    text = rf"regexp_replace({text}, '[\s._-]+(r|rev|v|copy)[\s._-]*\d{{0,2}}$', '')"
    text = rf"regexp_replace({text}, '[^\p{{L}}\p{{N}}]+', '-', 'g')"
    text = rf"regexp_replace({text}, '(^|\D)0+(\d)', '\1\2', 'g')"
    text = rf"regexp_replace({text}, '(^|\D)-', '\1', 'g')"
    return rf"regexp_replace({text}, '-(\D|$)', '\1', 'g')"


#: One row a system: what its circuits are made of, whatever they are called; null where a count or length is missing.
_CONTENT = """
    CREATE OR REPLACE TEMP TABLE content AS
    WITH home AS (
        SELECT system_id, circuit_id, sum(hash(run_order, round(length_m, 2), size)::HUGEINT) AS runs,
            bool_and(length_m IS NOT NULL) AS known
        FROM run WHERE role = 'home run' GROUP BY ALL),
    listed AS (
        SELECT system_id, circuit_id, sum(hash(inverter_model, inverter_count)::HUGEINT) AS units,
            bool_and(inverter_count IS NOT NULL) AS known
        FROM unit GROUP BY ALL)
    SELECT c.system_id, count(*) AS circuits,
        sum(hash(c.inverter_model, c.inverter_count, u.units, h.runs)::HUGEINT) AS made_of
    FROM circuit c LEFT JOIN home h USING (system_id, circuit_id) LEFT JOIN listed u USING (system_id, circuit_id)
    GROUP BY c.system_id
    HAVING bool_and((u.known IS TRUE OR c.inverter_count IS NOT NULL) AND h.known IS TRUE)
"""


def _traits() -> str:
    """SQL for what each system can share, as keys; a system that was merged has none."""
    return f"""
    CREATE OR REPLACE TEMP TABLE trait AS
    SELECT s.system_id, {_like_id("s.system_id")} AS id, nullif({_PLAIN.format("s.site_label")}, '') AS label,
        nullif({_PLAIN.format("s.contact")}, '') AS contact, c.circuits, c.made_of,
        CASE WHEN c.made_of IS NOT NULL THEN concat_ws('/', c.circuits, c.made_of) END AS content,
        s.latitude_deg AS latitude, s.longitude_deg AS longitude, floor(s.latitude_deg / {CELL_DEG})::BIGINT AS row_,
        floor(s.longitude_deg * cos(radians((floor(s.latitude_deg / {CELL_DEG}) + 0.5) * {CELL_DEG})) / {CELL_DEG})
            ::BIGINT AS column_
    FROM system s LEFT JOIN content c USING (system_id) WHERE s.system_id NOT IN (SELECT system_id FROM gone)
    """


def _sharing(kind: str) -> str:
    """SQL for the pairs that share one key, where few do."""
    return f"""
    SELECT a.system_id, b.system_id AS other_id, '{kind}' AS kind FROM trait a JOIN trait b USING ({kind})
    WHERE a.system_id < b.system_id AND {kind} IN (
        SELECT {kind} FROM trait WHERE {kind} IS NOT NULL GROUP BY {kind} HAVING count(*) BETWEEN 2 AND {MOST_ALIKE})
    """


#: The haversine formula, which is exact on a sphere and keeps its digits over short distances.
_DISTANCE = f"""
    2 * {RADIUS_M} * asin(sqrt(pow(sin(radians(b.latitude - a.latitude) / 2), 2)
        + cos(radians(a.latitude)) * cos(radians(b.latitude)) * pow(sin(radians(b.longitude - a.longitude) / 2), 2)))
"""


def _near() -> str:
    """SQL for the pairs within NEAR_M: each cell with itself and the eight around it, on its own row's longitudes."""
    return f"""
    WITH few AS (SELECT row_, column_ FROM trait WHERE row_ IS NOT NULL GROUP BY ALL HAVING count(*) <= {MOST_ALIKE}),
    placed AS (SELECT * FROM trait SEMI JOIN few USING (row_, column_)),
    around AS (
        SELECT p.*, p.row_ + north AS at_row,
            floor(p.longitude * cos(radians((p.row_ + north + 0.5) * {CELL_DEG})) / {CELL_DEG})::BIGINT + east
                AS at_column
        FROM placed p, (VALUES (-1), (0), (1)) AS n(north), (VALUES (-1), (0), (1)) AS e(east))
    SELECT a.system_id, b.system_id AS other_id, 'place' AS kind
    FROM around a JOIN placed b ON b.row_ = a.at_row AND b.column_ = a.at_column
    WHERE a.system_id < b.system_id AND {_DISTANCE} <= {NEAR_M}
    """


def _told() -> str:
    """SQL for the candidates with their evidence in words."""
    scores = " ".join(f"WHEN '{kind}' THEN {score}" for kind, score in SCORES.items())
    ways = [*(_sharing(kind) for kind in ("id", "label", "contact", "content")), _near()]
    met = " UNION ALL ".join(f"FROM ({way})" for way in ways)
    return f"""
    WITH met AS (SELECT DISTINCT * FROM ({met})),
    alike AS (
        FROM met UNION SELECT m.system_id, m.other_id, 'content' FROM met m
            JOIN trait a USING (system_id) JOIN trait b ON b.system_id = m.other_id
        WHERE m.kind = 'id' AND a.content = b.content),
    paired AS (
        SELECT system_id, other_id, list(kind) AS kinds, sum(CASE kind {scores} END)::BIGINT AS score
        FROM alike ANTI JOIN apart USING (system_id, other_id) GROUP BY ALL HAVING count(*) > 1)
    SELECT p.system_id, p.other_id, list_filter([
        CASE WHEN list_contains(kinds, 'id') THEN 'ids written alike' END,
        CASE WHEN list_contains(kinds, 'label') THEN 'same site label: ' || s.site_label END,
        CASE WHEN list_contains(kinds, 'place') THEN format('places {{:.0f}} m apart', {_DISTANCE}) END,
        CASE WHEN list_contains(kinds, 'contact') THEN 'same contact: ' || s.contact END,
        CASE WHEN list_contains(kinds, 'content') THEN format('same circuits: {{:d}}, with equal inverters, counts and'
            || ' home runs', a.circuits) END], lambda e: e IS NOT NULL) AS evidence, p.score
    FROM paired p JOIN trait a USING (system_id) JOIN trait b ON b.system_id = p.other_id
        JOIN system s ON s.system_id = p.system_id
    ORDER BY p.score DESC, p.system_id, p.other_id
    """


def possible_duplicates(
    con: Connection, merged: Iterable[str] = (), told_apart: Iterable[tuple[str, str]] = ()
) -> pl.DataFrame:
    """Return pairs of systems that may be one project, the likeliest first: `SCHEMA`.

    Reads the tables `system`, `circuit`, `unit` and `run` of the connection and leaves temporary ones behind. Systems
    that were `merged` into another, and pairs that a person has `told_apart`, are left out. Two kinds of evidence make
    a candidate; equal circuits count as the second beside ids written alike even where many systems have such circuits.
    """
    gone = pl.DataFrame({"system_id": list(merged)}, schema={"system_id": pl.String()})
    pairs = [(min(pair), max(pair)) for pair in told_apart]
    apart = pl.DataFrame(pairs, schema={"system_id": pl.String(), "other_id": pl.String()}, orient="row")
    for name, frame in (("gone", gone), ("apart", apart)):
        con.register("given", frame.to_arrow())
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS FROM given")
        con.unregister("given")
    con.execute(_CONTENT)
    con.execute(_traits())
    found = pl.from_arrow(con.sql(_told()).to_arrow_table())
    assert isinstance(found, pl.DataFrame)
    return found.cast(pl.Schema(SCHEMA))

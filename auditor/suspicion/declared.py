"""Slips that a warning offers as its cause, and that the mapping of the file has ruled out.

A mapping that states the unit of a length has said that the figure is no other; one that states one-way or there and
back has said which. What the warning found stays: only the cause that cannot be is taken out of its sentence.
"""

from __future__ import annotations

from auditor.suspicion import portfolio, run_rise

#: What the imports of the runs that a warning on a length is about have declared of that length. A warning is on a
#: file, or on a system and perhaps one of its circuits.
_STATED = """
    CREATE TEMP TABLE stated AS
    WITH length AS (
        SELECT import_id, system_id, circuit_id, replace(role, ' ', '_') || '_length_m' AS "column" FROM run),
    asked AS (SELECT rowid AS id, * FROM warning WHERE code IN ($codes)),
    met AS (
        SELECT a.id, l.import_id, l."column" FROM asked a JOIN length l USING (import_id, "column")
        UNION
        SELECT a.id, l.import_id, l."column" FROM asked a JOIN length l USING (system_id, "column")
        WHERE a.import_id IS NULL AND (a.circuit_id IS NULL OR a.circuit_id = l.circuit_id))
    SELECT id, bool_and(coalesce(unit, false)) AS unit, bool_and(coalesce(way, false)) AS way
    FROM met LEFT JOIN declared USING (import_id, "column") GROUP BY id
""".replace("$codes", f"'{run_rise.CODE}', '{portfolio.FILE_LENGTHS}'")
_OFFERED = "; it would be [0-9.]+ % if "


def without_declared() -> list[str]:
    """Return the SQL that takes them out of the table `warning`; it reads `run` and `declared`."""
    slips = (
        ("unit", f"{_OFFERED}{run_rise.FEET}"),
        ("way", f"{_OFFERED}{run_rise.THERE_AND_BACK}"),
        ("unit", portfolio.FEET),
    )
    return [
        _STATED,
        *(
            f"UPDATE warning SET sentence = regexp_replace(sentence, '{slip}', '')"
            f" WHERE rowid IN (SELECT id FROM stated WHERE {ruled_out})"
            for ruled_out, slip in slips
        ),
        "DROP TABLE stated",
    ]

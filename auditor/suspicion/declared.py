"""Slips that a warning offers as its cause, and that the mapping of the file has ruled out.

A mapping that states the unit of a length has said that the figure is no other; one that states one-way or there and
back has said which. What the warning found stays: only the cause that cannot be is taken out of its sentence.
"""

from __future__ import annotations

from auditor.suspicion import portfolio, run_rise

#: The imports of the runs that a warning on a length is about, and what each has declared of that length.
_STATED = """
    SELECT v.rowid AS id, bool_and(coalesce(d.unit, false)) AS unit, bool_and(coalesce(d.way, false)) AS way
    FROM warning v JOIN (
        SELECT import_id, system_id, circuit_id, replace(role, ' ', '_') || '_length_m' AS "column" FROM run) r
      ON r."column" = v."column" AND CASE WHEN v.import_id IS NOT NULL THEN r.import_id = v.import_id
        ELSE r.system_id = v.system_id AND (v.circuit_id IS NULL OR r.circuit_id = v.circuit_id) END
    LEFT JOIN declared d ON d.import_id = r.import_id AND d."column" = v."column"
    WHERE v.code IN ($codes) GROUP BY v.rowid
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
        f"UPDATE warning SET sentence = regexp_replace(sentence, '{slip}', '')"
        f" WHERE rowid IN (SELECT id FROM ({_STATED}) WHERE {stated})"
        for stated, slip in slips
    ]

"""What a snapshot's exports hold: findings, circuits, systems, rejects and the like, each as one query."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import duckdb

from auditor.errors import AuditorError
from auditor.reports.fetching import facts_query
from auditor.store.records_db import Connection, quoted
from auditor.store.rejects import OPEN
from auditor.toml_file import did_you_mean

VERDICTS = ("fail", "unknown", "pass", "not applicable")

#: Whether a rejected row waits to be mended, was mended since, or sums up others and is no record.
_STATE = f"CASE WHEN {OPEN} THEN 'open' WHEN closed_by IS NULL THEN 'no record' ELSE 'closed' END"

_BOOKKEEPING = ("row_hash", "import_id", "missing_bits", "assumed_bits")


@dataclass(frozen=True)
class Filters:
    """What an export is narrowed to; empty means everything."""

    check: str = ""
    verdict: str = ""
    systems: tuple[str, ...] = ()

    @property
    def any(self) -> bool:
        """Whether anything is filtered."""
        return bool(self.check or self.verdict or self.systems)


def text(value: str) -> str:
    """A text as a literal of SQL."""
    return "'" + value.replace("'", "''") + "'"


def _where(conditions: Sequence[str]) -> str:
    return f" WHERE {' AND '.join(conditions)}" if conditions else ""


def _of_systems(filters: Filters, *columns: str) -> list[str]:
    """Conditions: any of the columns names one of the systems."""
    listed = ", ".join(map(text, filters.systems))
    return [f"({' OR '.join(f'{column} IN ({listed})' for column in columns)})"] if listed else []


def _findings(con: Connection, filters: Filters) -> str:
    conditions = _of_systems(filters, "f.system_id")
    conditions += [f'f."check" = {text(filters.check)}'] if filters.check else []
    conditions += [f"f.verdict = {text(filters.verdict)}"] if filters.verdict else []
    return (
        f'SELECT f.* FROM finding f JOIN "check" c USING ("check"){_where(conditions)}'
        " ORDER BY f.system_id, f.circuit_id NULLS FIRST, c.number"
    )


def _rejects(con: Connection, filters: Filters) -> str:
    return (
        'SELECT i.file_name, r.row_number, r."column", r.canonical, r.raw, r.code, r.sentence, r.import_id, r.sheet,'
        f" r.system_id, r.circuit_id, {OPEN} AS open, r.closed_by, {_STATE} AS state"
        f" FROM reject r JOIN import i USING (import_id){_where(_of_systems(filters, 'r.system_id'))}"
        " ORDER BY r.import_id, r.sheet NULLS FIRST, r.row_number, r.canonical NULLS FIRST,"
        ' r."column", r.code, r.sentence, r.raw'
    )


def _conflicts(con: Connection, filters: Filters) -> str:
    place = "coalesce(c.files[n], i.file_name), 'sheet ' || c.sheets[n], 'row ' || c.\"rows\"[n]"
    said = f"lambda n: c.\"values\"[n] || ' (' || concat_ws(', ', {place}) || ')'"
    return (
        f'SELECT i.file_name, c.system_id, c.circuit_id, c.combiner_id, c."column",'
        f" array_to_string(list_transform(range(1, len(c.\"values\") + 1), {said}), '; ') AS said, c.import_id"
        f" FROM conflict c JOIN import i USING (import_id){_where(_of_systems(filters, 'c.system_id'))}"
        ' ORDER BY c.import_id, c.system_id, c.circuit_id NULLS FIRST, c.combiner_id NULLS FIRST, c."column", said'
    )


#: Where the value of a suspicion stands: the row that gave the latest revision of its circuit, home run, system, or
#: shared run where the system has one of that role. One of a whole file has no row.
_SUSPICIONS = """
    SELECT v.system_id, v.circuit_id, v.code, v."column", v.value, v.sentence, NULL::VARCHAR AS sheet, 0 AS told,
      CASE WHEN v.import_id IS NOT NULL THEN v.import_id WHEN v.circuit_id IS NOT NULL
        THEN coalesce(h.import_id, c.import_id) WHEN v."column" SIMILAR TO $shared THEN r.import_id
        ELSE s.import_id END AS import_id,
      CASE WHEN v.import_id IS NOT NULL THEN NULL WHEN v.circuit_id IS NOT NULL
        THEN coalesce(h.source_row, c.source_row) WHEN v."column" SIMILAR TO $shared THEN r.source_row
        ELSE s.source_row END AS row_number
    FROM warning v LEFT JOIN system s USING (system_id) LEFT JOIN circuit c USING (system_id, circuit_id)
    LEFT JOIN (FROM run WHERE role = 'home run' AND run_order = 1) h
      ON h.system_id = v.system_id AND h.circuit_id = v.circuit_id AND starts_with(v."column", 'home_run_')
    LEFT JOIN (SELECT system_id, role, min(import_id) AS import_id, min(source_row) AS source_row FROM run
      WHERE role <> 'home run' GROUP BY ALL HAVING count(*) = 1) r
      ON r.system_id = v.system_id AND starts_with(v."column", replace(r.role, ' ', '_') || '_')
""".replace("$shared", "'(feeder|service_entrance|service_drop)_(2_)?(length_m|size|material)'")


def _warnings(con: Connection, filters: Filters) -> str:
    """What cannot be meant, then cells that count as missing because the mapping says so."""
    where = _where(_of_systems(filters, "system_id"))
    return (
        'SELECT system_id, circuit_id, code, "column", value, sentence, i.file_name, sheet, row_number FROM ('
        f'{_SUSPICIONS} UNION ALL SELECT w.system_id, w.circuit_id, w.code, w."column", w.raw, w.sentence, w.sheet, 1,'
        f' w.import_id, w."row" FROM import_warning w) LEFT JOIN import i USING (import_id){where}'
        " ORDER BY told, CASE WHEN told = 1 THEN import_id END, sheet NULLS FIRST, CASE WHEN told = 1 THEN row_number"
        ' END, system_id, circuit_id NULLS FIRST, code, "column", value, sentence'
    )


def _duplicates(con: Connection, filters: Filters) -> str:
    return (
        "SELECT d.system_id, d.other_id, d.score, array_to_string(d.evidence, '; ') AS evidence, s.site_label,"
        " o.site_label AS other_label, s.contact, o.contact AS other_contact FROM possible_duplicate d"
        " LEFT JOIN system s USING (system_id) LEFT JOIN system o ON o.system_id = d.other_id"
        f"{_where(_of_systems(filters, 'd.system_id', 'd.other_id'))} ORDER BY d.score DESC, d.system_id, d.other_id"
    )


def _facts(con: Connection, filters: Filters) -> str:
    query = facts_query(con)
    return f"FROM ({query}){_where(_of_systems(filters, 'system_id'))} ORDER BY system_id, rank"


#: The checks of a system whose failing is accepted, until which day and by whom.
_WAIVERS = (
    " LEFT JOIN (SELECT system_id, string_agg(\"check\" || ' until ' || until || ' (' || who || ': ' || text || ')',"
    " '; ' ORDER BY \"check\") AS waived FROM waived GROUP BY system_id) w ON w.system_id = r.system_id"
)


def _columns(con: Connection, table: str) -> list[str]:
    rows = con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index", [table])
    return [row[0] for row in rows.fetchall()]


def _shown(column: str) -> bool:
    return column not in _BOOKKEEPING and not column.endswith(("_missing", "_assumed"))


def _joined(con: Connection, table: str, keys: tuple[str, ...], filters: Filters) -> str:
    """The records' columns beside the results': a name that both have is the result's."""
    results = _columns(con, f"{table}_result")
    facts = [c for c in _columns(con, table) if c not in results and _shown(c)]
    shown = [f"r.{quoted(c)}" for c in keys]
    shown += [f"r.{quoted(c)}" for c in results if _shown(c) and c not in keys]
    shown += [f"s.{quoted(c)}" for c in facts]
    using = ", ".join(keys)
    order = ", ".join(f"r.{k}" for k in keys)
    missing = (
        ", fact_names(r.missing_bits) AS missing, fact_names(r.assumed_bits) AS assumed" if table == "circuit" else ""
    )
    waived, waivers = (", w.waived", _WAIVERS) if _columns(con, "waived") else ("", "")
    where = _where([*_of_systems(filters, "r.system_id"), *_of_verdict(results, table, filters)])
    return (
        f"SELECT {', '.join(shown)}{missing}{waived} FROM {table}_result r JOIN {table} s USING ({using}){waivers}"
        f"{where} ORDER BY {order}"
    )


def _of_verdict(results: Sequence[str], table: str, filters: Filters) -> list[str]:
    """A condition on one check's verdict, or on the system's own."""
    column = f"{filters.check.replace('-', '_')}_verdict" if filters.check else "verdict"
    if filters.check and not filters.verdict:
        raise AuditorError(f"--check {filters.check}: say which of its verdicts you want, such as --verdict fail.")
    if not filters.verdict:
        return []
    if column not in results:
        about = f"{filters.check} is judged for systems" if filters.check else "a circuit has a verdict for each check"
        raise AuditorError(
            f"--verdict {filters.verdict}: {about}, not for {table}s as a whole; name a check of circuits with --check."
        )
    return [f"r.{quoted(column)} = {text(filters.verdict)}"]


def _circuits(con: Connection, filters: Filters) -> str:
    return _joined(con, "circuit", ("system_id", "circuit_id"), filters)


def _systems(con: Connection, filters: Filters) -> str:
    return _joined(con, "system", ("system_id",), filters)


def _trips(con: Connection, filters: Filters) -> str:
    """What is expected of each system's overvoltage trips, the most first."""
    held = _columns(con, "system_result")
    if "trip_band" not in held:
        raise AuditorError("This run holds no expected trips. Make one that does: auditor audit")
    first, last = held.index("trip_band"), held.index("trip_missing")
    columns = ", ".join(f"r.{quoted(name)}" for name in held[first : last + 1])
    conditions = _of_systems(filters, "r.system_id")
    return (
        "SELECT r.system_id, s.site_label, s.region, s.utility, s.distribution_feeder_id, s.designer, s.contact,"
        f" {columns} FROM system_result r JOIN system s USING (system_id){_where(conditions)}"
        " ORDER BY r.trip_days_per_year DESC NULLS LAST, r.system_id"
    )


_QUERIES: dict[str, Callable[[Connection, Filters], str]] = {
    "findings": _findings,
    "circuits": _circuits,
    "systems": _systems,
    "trips": _trips,
    "rejects": _rejects,
    "facts": _facts,
    "conflicts": _conflicts,
    "warnings": _warnings,
    "duplicates": _duplicates,
}
WHAT = tuple(_QUERIES)
#: Exports that can be narrowed to a check or a verdict.
_JUDGED = ("findings", "circuits", "systems")


def query_of(con: Connection, what: str, filters: Filters | None = None) -> str:
    """The SQL of an export; AuditorError names what there is, and what a filter should have been."""
    chosen = filters or Filters()
    if what not in _QUERIES:
        raise AuditorError(f"There is no export of {what!r}; there are {', '.join(WHAT)}.")
    try:
        _check_filters(con, what, chosen)
        query = _QUERIES[what](con, chosen)
        con.execute(f"DESCRIBE {query}").fetchall()
    except (duckdb.CatalogException, duckdb.BinderException) as error:
        raise AuditorError(f"This run was made before there was an export of {what}. Run: auditor audit") from error
    return query


def _check_filters(con: Connection, what: str, filters: Filters) -> None:
    if (filters.check or filters.verdict) and what not in _JUDGED:
        raise AuditorError(f"--check and --verdict narrow {', '.join(_JUDGED)}, not {what}.")
    if filters.verdict and filters.verdict not in VERDICTS:
        raise AuditorError(f"--verdict {filters.verdict}: a verdict is one of {', '.join(VERDICTS)}.")
    if filters.check:
        checks = [row[0] for row in con.execute('SELECT "check" FROM "check" ORDER BY number').fetchall()]
        if filters.check not in checks:
            meant = did_you_mean(filters.check, checks)
            raise AuditorError(f"--check {filters.check}: there is no such check.{meant} `auditor explain` lists them.")
    for system in filters.systems:
        _check_system(con, what, system)


def _check_system(con: Connection, what: str, system: str) -> None:
    """Refuse a system that the run does not hold; one that only refused or disagreeing rows name is known by them."""
    told = {"rejects": "reject", "conflicts": "conflict"}.get(what)
    for table in ("system_result", *([told] if told else ())):
        if con.execute(f"SELECT 1 FROM {table} WHERE system_id = ? LIMIT 1", [system]).fetchall():
            return
    merged = con.execute("SELECT kept_id FROM merged WHERE dropped_id = ?", [system]).fetchall()
    if merged:
        raise AuditorError(f"--system {system}: is merged into {merged[0][0]}, and not audited by itself.")
    raise AuditorError(f"--system {system}: this run holds no such system.")

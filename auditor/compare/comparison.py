"""Two runs compared: what changed, by how much and why, as a small file of its own beside the runs.

Runs never change, so neither does a comparison; it is made once and read from then on. Its tables:

- `compared`: one row, the runs and what each judged by
- `factor`: the inputs in which the runs differ
- `tally`: how many verdicts went from what to what, by check
- `changed` (a view): the rows in which anything differs, each changed verdict with its cause
- `notice` (a view): the systems with a verdict that became worse, one row each, and whom they concern
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl

from auditor.compare import changes
from auditor.compare.causes import KEYS, Trial, Versions, find_causes
from auditor.compare.factors import EVIDENCE, RECORDS, Factor, rule_factors
from auditor.compare.notices import NOTICE
from auditor.compare.rules import rules_of
from auditor.compare.trials import Trials
from auditor.compare.uses import OF_TRIPS, evidence_differs, uses
from auditor.errors import AuditorError
from auditor.held import columns_of
from auditor.publish import code_hash
from auditor.store import Store
from auditor.store.folder import sync
from auditor.store.records_db import CONFIG, Connection, quoted
from auditor.store.snapshot import about, comparison_path, open_closed_off, run_path, unfinished

#: Facts of a system that its changes are filtered and grouped by.
FACTS = ("site_label", "region", "utility", "office", "designer", "crew", "contact", "design_date")

Progress = Callable[[int, int | None], None]


def compare(
    store: Store,
    before: int,
    after: int,
    progress: Progress | None = None,
    made: Callable[[int], None] | None = None,
) -> Connection:
    """Compare two runs, or read what was made of them already; the open comparison, read-only.

    `progress` is told how many circuits were tried again for the causes. AuditorError where a run is not there, or both
    are the same one.
    """
    store.require()
    for number in (before, after):
        run_path(store, number)
    if before == after:
        raise AuditorError(f"Run {before} is the same as run {after}; name two runs. `auditor runs` lists them.")
    target = comparison_path(store, before, after)
    if not _is_good(target):
        with unfinished(store) as folder:
            part = folder / target.name
            try:
                _make(store, part, before, after, progress, made)
            except (duckdb.BinderException, duckdb.CatalogException) as error:
                raise AuditorError(
                    f"Runs {before} and {after} cannot be compared: one was made by another version, which kept other"
                    " tables. Make it anew: auditor audit"
                ) from error
            sync(part)
            part.replace(target)
            sync(target.parent)
    return open_closed_off(target)


def held(store: Store, before: int, after: int) -> Connection | None:
    """The open comparison of two runs where it was made already, read-only; None where it was not."""
    path = comparison_path(store, before, after)
    return open_closed_off(path) if _is_good(path) else None


def _is_good(path: Path) -> bool:
    """Whether a comparison is there, made by this version of the program."""
    if not path.exists():
        return False
    try:
        with open_closed_off(path) as con:
            return bool(con.execute("SELECT 1 FROM compared WHERE code_hash = ?", [code_hash()]).fetchall())
    except (AuditorError, duckdb.Error):
        return False


def _make(
    store: Store,
    part: Path,
    before: int,
    after: int,
    progress: Progress | None,
    made: Callable[[int], None] | None,
) -> None:
    with duckdb.connect(str(part), config=CONFIG | {"temp_directory": str(part.parent)}) as con:
        con.execute("SET enable_progress_bar = false")
        for schema, number in (("a", before), ("b", after)):
            place = str(run_path(store, number)).replace("'", "''")
            con.execute(f"ATTACH '{place}' AS {schema} (READ_ONLY)")
        changes.build(con)
        causes = _causes(con, store, progress, made)
        con.register("incoming", causes.to_arrow())
        con.execute("CREATE TABLE cause AS SELECT row, cause FROM incoming ORDER BY row")
        con.unregister("incoming")
        _add_systems(con)
        parts = [about(con, schema).get("part") or "" for schema in "ab"]
        con.execute(_COMPARED, [*parts, code_hash()])
        con.execute(_CHANGED)
        con.execute(NOTICE)
        con.execute("DETACH a")
        con.execute("DETACH b")
        con.execute("CHECKPOINT")


def _causes(
    con: Connection, store: Store, progress: Progress | None, made: Callable[[int], None] | None
) -> pl.DataFrame:
    """The cause of every changed verdict and band, and of every row that came or went: row and cause."""
    from auditor.trips import Tables  # It is slow to load, and few commands need it.

    before, after = rules_of(con, "a"), rules_of(con, "b")
    beside = [*([_RECORDS] if _records_differ(con) else []), *([_EVIDENCE] if evidence_differs(con) else [])]
    factors = [*rule_factors(before, after), *beside]
    frame = pl.DataFrame([vars(factor) for factor in factors], schema=dict.fromkeys(vars(_RECORDS), pl.String))
    con.register("incoming", frame.with_row_index("number").to_arrow())
    con.execute("CREATE TABLE factor AS SELECT number::INTEGER AS number, kind, key, name, detail FROM incoming")
    con.unregister("incoming")
    tried = 0

    def told(circuits: int) -> None:
        nonlocal tried
        tried += circuits
        if progress:
            progress(tried, None)

    trials = Trials(con, before, after, factors, Tables(store.root / "tables", made), told)
    parts = [_came_and_went(con)]
    for kinds, trial in (("'check', 'system'", trials.verdicts), ("'trips'", trials.bands)):
        parts.append(_of_kinds(con, kinds, trials, trial))
    return pl.concat(parts)


_RECORDS = Factor("records", "", RECORDS, "imports or decisions between the runs")
_EVIDENCE = Factor("evidence", "", EVIDENCE, "imports between the runs")


def _records_differ(con: Connection) -> bool:
    """Whether the runs rest on other imports or mergers; a re-check never does."""
    queries = ("SELECT import_id, sha256 FROM {}.import", "SELECT dropped_id, kept_id FROM {}.merged")
    return any(
        con.execute(
            f"({q.format('a')} EXCEPT {q.format('b')}) UNION ALL ({q.format('b')} EXCEPT {q.format('a')})"
        ).fetchall()
        for q in queries
    )


def _of_kinds(con: Connection, kinds: str, trials: Trials, trial: Trial) -> pl.DataFrame:
    """The causes of the changed rows of some kinds."""
    keys = ", ".join(map(quoted, KEYS))
    query = (
        f"SELECT row, {keys}, before, after FROM change WHERE kind IN ({kinds})"
        " AND change NOT IN ('came in', 'went') AND before IS DISTINCT FROM after ORDER BY row"
    )
    rows = pl.DataFrame(con.sql(query).to_arrow_table())
    con.register("rows", rows.to_arrow())
    con.execute("CREATE OR REPLACE TEMP TABLE wanted AS SELECT DISTINCT system_id FROM rows")
    con.unregister("rows")
    found = uses(con, trials.factors, trials.before, trials.after)
    if "'trips'" not in kinds:
        idle = [n for n, f in enumerate(trials.factors) if f.key.startswith(OF_TRIPS) or f.kind == "evidence"]
        found = found.filter(pl.col("factor").is_in(idle).not_())
    names = [factor.name for factor in trials.factors]
    return find_causes(rows, found, names, trial, _versions(con))


def _versions(con: Connection) -> Versions:
    ours = code_hash()
    first, second = (con.execute(f"SELECT code_hash FROM {schema}.audit").fetchall()[0][0] for schema in "ab")
    return Versions(first == second, first == ours, second == ours)


def _came_and_went(con: Connection) -> pl.DataFrame:
    """Why rows came or went: a decision on the system, else its records."""
    query = f"""SELECT c.row, CASE
          WHEN c.change = 'went' AND b.dropped_id IS NOT NULL
            THEN 'decision ' || b.decision_id || ': merged into ' || b.kept_id
          WHEN c.change = 'came in' AND a.dropped_id IS NOT NULL
            THEN 'decision ' || a.decision_id || ' was undone: it had been merged into ' || a.kept_id
          ELSE '{RECORDS}' END AS cause
        FROM change c LEFT JOIN a.merged a ON a.dropped_id = c.system_id
        LEFT JOIN b.merged b ON b.dropped_id = c.system_id
        WHERE c.change IN ('came in', 'went') ORDER BY c.row"""
    return pl.DataFrame(con.sql(query).to_arrow_table())


def _add_systems(con: Connection) -> None:
    """Tables of what is known of the systems with a change: their facts, the dates of their specs, their waivers."""
    facts = ", ".join(FACTS)
    dates = ", ".join(
        f"CASE WHEN {schema}_rule = 'design date' THEN design_date ELSE {schema}_as_of END AS specs_{word}"
        for schema, word in (("a", "before"), ("b", "after"))
    )
    rules = ", ".join(
        f"(SELECT coalesce(policy->>'$.specs_of', 'as-of date') FROM {schema}.audit) AS {schema}_rule,"
        f" (SELECT as_of::DATE FROM {schema}.audit) AS {schema}_as_of"
        for schema in "ab"
    )
    con.execute(
        f"""CREATE TABLE concerned AS
            WITH touched AS (SELECT DISTINCT system_id FROM change),
            known AS (SELECT system_id, {facts} FROM b.system SEMI JOIN touched USING (system_id)
              UNION ALL SELECT system_id, {facts} FROM a.system SEMI JOIN touched USING (system_id)
              ANTI JOIN b.system USING (system_id))
            SELECT system_id, {facts}, {dates}, x.verdict::VARCHAR AS verdict_before,
              y.verdict::VARCHAR AS verdict_after
            FROM known CROSS JOIN (SELECT {rules}) LEFT JOIN a.system_result x USING (system_id)
            LEFT JOIN b.system_result y USING (system_id) ORDER BY system_id"""
    )
    held = columns_of(con, "b", "waiver")
    source = "FROM b.waived SEMI JOIN concerned USING (system_id)" if held else "FROM concerned WHERE false"
    columns = (
        'system_id, "check", until, who, text'
        if held
        else ("system_id, '' AS \"check\", NULL::DATE AS until, '' AS who, '' AS text")
    )
    con.execute(f"CREATE TABLE waived AS SELECT {columns} {source}")


_COMPARED = """CREATE TABLE compared AS SELECT x.run AS before, y.run AS after, x.as_of AS as_of_before,
    y.as_of AS as_of_after, x.policy_name AS policy_before, y.policy_name AS policy_after,
    x.other_rules AS other_rules_before, y.other_rules AS other_rules_after, x.systems AS systems_before,
    y.systems AS systems_after, x.circuits AS circuits_before, y.circuits AS circuits_after,
    ? AS part_before, ? AS part_after, x.content_hash = y.content_hash AS alike, ? AS code_hash
    FROM a.audit x CROSS JOIN b.audit y"""
_CHANGED = """CREATE VIEW changed AS
    SELECT c.kind, c."check", c.system_id, c.circuit_id, c.change, c.before, c.after, k.cause, c.value_before,
      c.value_after, c.unit, c.limit_before, c.limit_after, c.margin_before_pct, c.margin_after_pct, s.specs_before,
      s.specs_after, w.until AS waived_until, w.who AS waived_by, w.text AS waived_why, s.site_label, s.region,
      s.utility, s.office, s.designer, s.crew, s.contact, c.row
    FROM change c LEFT JOIN cause k USING (row) LEFT JOIN concerned s USING (system_id)
    LEFT JOIN waived w ON w.system_id = c.system_id AND w."check" = c."check" AND c.after IN ('fail', 'unknown')"""

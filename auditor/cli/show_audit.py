"""What an audit found: the answer by check, what is worst, what is unknown and why, and what to do next."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rich.table import Table

from auditor.cautions import CAUTION
from auditor.checks.base import VERDICTS
from auditor.checks.facts import BIT
from auditor.cli.options import at_store
from auditor.cli.show import counted, listed, plain, row, safe, tabular
from auditor.records.schema import CIRCUIT
from auditor.store.records_db import Connection, quoted

SHOWN_WORST = 5
SHOWN_MODELS = 5

#: Facts that are read from the catalog, and the column of the records that names the spec.
SPECS = (
    ("inverter_spec", "inverter", "c.inverter_model"),
    ("trunk_spec", "trunk", "c.trunk_model"),
    ("module_spec", "module", "s.module_model"),
)


def audited(con: Connection, root: Path) -> None:
    """Print a snapshot's answer: verdicts by check, what would settle most unknowns, and what to do next."""
    run, as_of, systems, circuits, content_hash = con.execute(
        "SELECT run, as_of, systems, circuits, content_hash FROM audit"
    ).fetchall()[0]
    verdicts = dict(con.execute("SELECT verdict, count(*) FROM system_result GROUP BY verdict").fetchall())
    held = f"{counted(systems, 'system')}, {counted(circuits, 'circuit')}"
    plain(f"\nRun {run}, as of {as_of}: {held} (content {content_hash[:12]}).")
    plain("Systems: " + ", ".join(f"{verdicts.get(v, 0):,} {v}" for v in VERDICTS[:3]) + ".")
    unsafe = con.execute(
        'SELECT count(DISTINCT system_id) FROM judged JOIN "check" USING ("check")'
        " WHERE verdict = 'fail' AND severity = 'safety'"
    ).fetchall()[0][0]
    plain(f"A safety check fails on {counted(unsafe, 'system')}.")
    over, unsure, branch, unsure_branch = con.execute(
        "SELECT count(*) FILTER (voltage_rise_verdict = 'fail'), count(*) FILTER (voltage_rise_verdict = 'unknown'),"
        " count(*) FILTER (branch_unit_limit_verdict = 'fail'), count(*) FILTER (branch_unit_limit_verdict = 'unknown')"
        " FROM system_result"
    ).fetchall()[0]
    plain(
        f"Over the voltage-rise target: {counted(over, 'system')} ({unsure:,} unknown);"
        f" over the branch limit: {branch:,} ({unsure_branch:,} unknown).\n"
    )
    _by_check(con)
    _worst(con)
    _waived(con)
    _trips(con, root)
    _missing_facts(con)
    _places(con, root)
    plain(
        f"\nNext: auditor export findings -o findings.xlsx{at_store(root)}   (every verdict with its reason)\n"
        "      auditor explain voltage-rise   (what a check asks, and what mends it)"
    )
    plain(f"\n{CAUTION}")
    about = row(con, "audit")
    others, base = about["other_rules"], about.get("recheck_of")
    if base:
        plain(
            f"\nThis is a re-check of {_part_of(about)}run {base} ({others or 'under its own rules'}). It is shown"
            " on the page of changes alone.\n"
            f"What changed and why: auditor compare {base} {run}{at_store(root)}"
            f"   (to remove it: auditor runs --discard {run}{at_store(root)})"
        )
    elif others:
        plain(
            f"\nAttention: this run used other rules than the store's own: {others}\nReaders see it from now on,"
            f" on the pages and in exports. The store's own rules come back with: auditor audit{at_store(root)}"
        )


def _part_of(about: dict[str, Any]) -> str:
    return f"a part ({safe(about['part'])}) of " if about.get("part") else ""


def _places(con: Connection, root: Path) -> None:
    """What stands in for refused rows: circuits without a single fact, whose row is among the rejects."""
    facts = [column.name for column in CIRCUIT.columns if column.name not in CIRCUIT.key]
    bare = " AND ".join(f"{quoted(name)} IS NULL" for name in facts)
    circuits, systems = con.execute(
        "SELECT count(*), count(DISTINCT system_id) FROM circuit c SEMI JOIN reject r"
        f" ON c.import_id = r.import_id AND c.source_row = r.row_number WHERE {bare}"
    ).fetchall()[0]
    if circuits:
        verb = "stands" if circuits == 1 else "stand"
        plain(
            f"\n{counted(circuits, 'circuit')} in {counted(systems, 'system')} {verb} in for refused rows: nothing is"
            " known of them, and what they share with others is unknown too.\n"
            f"  To mend the rows: auditor export rejects -o rejects.xlsx{at_store(root)}"
        )


def _by_check(con: Connection) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, justify in (("check", "left"), ("per", "left"), *((v, "right") for v in VERDICTS), ("assumed", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    counts = ", ".join(f"count(*) FILTER (f.verdict = '{v}')" for v in VERDICTS)
    rows = con.execute(
        f"SELECT c.\"check\", c.level, {counts}, count(*) FILTER (f.verdict IN ('pass', 'fail') AND f.assumed <> 0)"
        ' FROM judged f JOIN "check" c USING ("check") GROUP BY ALL ORDER BY any_value(c.number)'
    ).fetchall()
    idle = [check for check, _, *numbers in rows if not any(numbers[:3])]
    for check, level, *numbers in rows:
        if check not in idle:
            table.add_row(check, "circuit" if level == "circuit" else "system", *(f"{n:,}" for n in numbers))
    if table.row_count:
        tabular(table)
    if idle:
        plain(f"Not applicable anywhere: {', '.join(idle)}.")
    plain("(assumed: passes and fails that rest on a default of the policy.)")


def _worst(con: Connection) -> None:
    rows = con.execute(
        'SELECT system_id, circuit_id, value, "limit" FROM judged'
        " WHERE verdict = 'fail' AND \"check\" = 'voltage-rise' AND value IS NOT NULL"
        " ORDER BY value DESC, system_id, circuit_id LIMIT ?",
        [SHOWN_WORST],
    ).fetchall()
    if not rows:
        return
    plain("\nLargest voltage rises:")
    names = [safe(f"{system} / {circuit}").replace("\n", " ") for system, circuit, *_ in rows]
    for name, (_, _, value, limit) in zip(names, rows, strict=True):
        plain(f"  {name:{max(map(len, names))}}  {value:6.2f} %  (target {limit:g} %)")


def _waived(con: Connection) -> None:
    """Failing checks that people accepted until a day, and those whose day has passed."""
    failing = "WITH failing AS (SELECT DISTINCT system_id, \"check\" FROM judged WHERE verdict = 'fail')"
    held = 'SELECT count(*) FROM waived SEMI JOIN failing USING (system_id, "check")'
    over = "SELECT count(*) FROM waiver ANTI JOIN waived USING (decision_id)"
    past = f'{over} SEMI JOIN failing USING (system_id, "check")'
    waived, expired = con.execute(f"{failing} SELECT ({held}), ({past})").fetchall()[0]
    if waived or expired:
        plain(f"\nWaived: {waived:,} of these failing checks of a system; {counted(expired, 'waiver')} expired.")


def _trips(con: Connection, root: Path) -> None:
    """How often systems are expected to trip on grid overvoltage, by band, the most frequent first."""
    counts = dict(con.execute("SELECT trip_band, count(*) FROM system_result GROUP BY trip_band").fetchall())
    bands = json.loads(con.execute("SELECT policy FROM audit").fetchall()[0][0])["trips"]["band"]
    known = [(band["name"], counts[band["name"]]) for band in reversed(bands) if band["name"] in counts]
    told = ", ".join(f"{name} {number:,}" for name, number in known) or "of no system"
    plain(f"\nOvervoltage trips expected (on an assumed supply): {told}; unknown {counts.get(None, 0):,}.")
    logged, read = con.execute(
        "SELECT count(log_multiplier), count(*) FILTER (supply_from <> 'policy') FROM system_result"
    ).fetchall()[0]
    if logged or read:
        plain(f"  Logs changed the figures of {counted(logged, 'system')}; readings give the supply of {read:,}.")
    plain(f"  Most first, with causes: auditor export trips -o trips.xlsx{at_store(root)}")


def _missing_facts(con: Connection) -> None:
    """What unknown verdicts wait for: facts of the records, and specs of the catalog by model."""
    rows = con.execute(
        "SELECT fact, count(*) AS verdicts FROM (SELECT unnest(string_split(fact_names(missing), ', ')) AS fact"
        " FROM judged WHERE verdict = 'unknown' AND missing <> 0) GROUP BY fact ORDER BY verdicts DESC, fact LIMIT 5"
    ).fetchall()
    if rows:
        plain("\nUnknown verdicts wait mostly for: " + ", ".join(f"{fact} ({n:,})" for fact, n in rows) + ".")
    for fact, table, column in SPECS:
        models = con.execute(
            f"SELECT {column}, count(*) AS circuits FROM circuit_result r JOIN circuit c USING (system_id, circuit_id)"
            f" JOIN system s USING (system_id) WHERE r.missing_bits & ?::HUGEINT <> 0 AND {column} IS NOT NULL"
            " GROUP BY ALL ORDER BY circuits DESC, 1",
            [BIT[fact]],
        ).fetchall()
        if models:
            named = listed([f"{model} ({counted(n, 'circuit')})" for model, n in models], SHOWN_MODELS)
            plain(f"  The catalog has no such {table}: {named}. To add it: auditor catalog FILE.toml")

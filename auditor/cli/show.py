"""What the commands print: consoles, progress, and the summaries a person can act on."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Any

import polars as pl
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from auditor import jobs
from auditor.checks.base import VERDICTS
from auditor.checks.facts import BIT
from auditor.cli.options import at_store
from auditor.cli.told import lacking
from auditor.records.schema import CIRCUIT
from auditor.records.totals import TOTALS_ROW, totals_rows
from auditor.store.importing import Imported
from auditor.store.records_db import Connection, Outcome, quoted

console = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
errors = Console(stderr=True, highlight=False)

#: Where no one watches, progress is a line after so long, and then every so often [s].
FIRST_LINE_S, LINE_S = 2.0, 10.0
SHOWN_REJECTS = 5
SHOWN_KINDS = 4
SHOWN_COLUMNS = 12
SHOWN_WORST = 5
SHOWN_MODELS = 5

#: Facts that are read from the catalog, and the column of the records that names the spec.
SPECS = (
    ("inverter_spec", "inverter", "c.inverter_model"),
    ("trunk_spec", "trunk", "c.trunk_model"),
    ("module_spec", "module", "s.module_model"),
)

CAUTION = (
    "A pass is a recomputed record, not a safe or compliant installation. Local codes and the authority having"
    " jurisdiction decide; a licensed person does the work."
)

#: Imported text must not steer the terminal that shows it: control characters but the line feed are shown as such.
_CONTROLS = {code: "�" for code in (*range(32), *range(127, 160)) if code != ord("\n")}


@contextmanager
def progress(label: str) -> Iterator[Advance]:
    """Show progress on the error stream: a bar where someone watches it, else a line now and then."""
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as bar:
        yield Advance(bar, bar.add_task(label, total=None), label)


class Advance:
    """Takes how far a command is, for whoever watches it here or as a job; `phase` names what it is at."""

    def __init__(self, bar: Progress, task: TaskID, phase: str) -> None:
        self._bar = bar
        self._task = task
        self.phase = phase
        self._last: tuple[int, int | None] = (0, None)
        self._next_line = monotonic() + FIRST_LINE_S

    def table_made(self, count: int) -> None:
        """So many tables of the likelihood were worked out; they are kept, and later audits are quick."""
        self.phase = f"Auditing circuits; tables of the likelihood made: {count}"
        self(*self._last)

    def __call__(self, done: int, total: int | None) -> None:
        """So much of the phase is done."""
        self._last = done, total
        self._bar.update(self._task, description=safe(self.phase), completed=done, total=total)
        if self._bar.disable and monotonic() >= self._next_line:
            self._next_line = monotonic() + LINE_S
            note(f"{self.phase}: {done:,}{f' of {total:,}' if total else ''}")
        jobs.advance(self.phase, done, total)


def safe(text: str) -> str:
    """A text without the control characters that a terminal would obey."""
    return text.translate(_CONTROLS)


def cell(text: str) -> str:
    """A text as one line of a table, in which nothing is markup."""
    return safe(text).replace("\n", " ").replace("[", r"\[")


def plain(text: str) -> None:
    """Print a line as it is: nothing in it is markup."""
    console.print(safe(text), markup=False, soft_wrap=True)


def tabular(table: Table) -> None:
    """Print a table with its cells whole: where the terminal is narrower, the terminal breaks the lines."""
    whole = console.measure(table, options=console.options.update(max_width=10_000)).maximum
    Console(highlight=False, width=max(whole, 1)).print(table)


def note(text: str) -> None:
    """Say something beside the output, on the error stream."""
    errors.print(safe(text), markup=False, soft_wrap=True)


def complain(text: str) -> None:
    """Say what went wrong, on the error stream."""
    note(f"auditor: {text}")


def counted(number: int, thing: str) -> str:
    """A count with its noun: "1 system", "1,433 circuits"."""
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def _listed(names: list[str], shown: int = SHOWN_COLUMNS) -> str:
    more = f" and {len(names) - shown} more" if len(names) > shown else ""
    return ", ".join(names[:shown]) + more


def imported(done: Imported, dry_run: bool, root: Path) -> None:
    """Say what an import did, or would do."""
    outcome, reading = done.outcome, done.reading
    plain(
        f"{done.file_name}: rows in {outcome.rows_in:,} = accepted {outcome.accepted:,} + rejected {outcome.rejected:,}"
        f" + duplicate {outcome.duplicate:,}"
    )
    export = f"auditor export rejects -o rejects.csv{at_store(root)}"
    if done.import_id == 0 and not dry_run:
        plain(f"  Already imported as import {done.seen_in}, and nothing has changed since: nothing to do.")
        _still_open(done, export)
        return
    held = f"{counted(outcome.systems, 'system')} and {counted(outcome.circuits, 'circuit')}"
    revised = f"{counted(outcome.replaced, 'circuit')} {'would be ' if dry_run else ''}revised"
    plain(f"  {held} in the file; {revised}.")
    if done.seen_in and done.import_id:
        plain(
            f"  The same file as import {done.seen_in}: what later imports changed in its rows"
            " is as in this file again."
        )
    if reading.refused is not None and reading.refused.height:
        verb = "stands" if reading.refused.height == 1 else "stand"
        plain(
            f"  {counted(reading.refused.height, 'circuit')} {verb} in for refused rows: unknown, and what is shared"
            " with others too, until mended."
        )
    if reading.unmapped:
        plain(f"  Columns not mapped, and so not used: {_listed(list(reading.unmapped))}.")
    for told in reading.notes:
        plain(f"  {told}")
    lacks = lacking(reading)
    if lacks:
        plain(f"  The file does not state: {_listed(lacks)}. Verdicts that need them are unknown or assumed.")
    rejects(reading.rejects, "" if dry_run else f" After the audit, all of them: {export}")
    _settled(outcome, dry_run, root)
    _unread(reading.warnings)
    _conflicts(reading.tables.conflicts)
    if done.taken_back:
        plain(f"  Warning: {'would return' if dry_run else 'returned'} {done.taken_back}.")
    _revised(outcome, dry_run)


def _still_open(done: Imported, export: str) -> None:
    """Of a file that was imported before: its rows that wait to be mended still."""
    mendable = done.outcome.rejected - totals_rows(done.reading.rejects).height
    if not mendable:
        return
    rows = counted(mendable, "rejected row")
    if not done.open_of_it:
        plain(f"  Its {rows} {'is' if mendable == 1 else 'are'} closed since.")
        return
    waiting = f"Its {rows}" if done.open_of_it == mendable else f"{done.open_of_it:,} of its {rows}"
    plain(f"  {waiting} {'waits' if done.open_of_it == 1 else 'wait'} to be mended: {export}")


def _unread(warnings: pl.DataFrame) -> None:
    """Say how many cells of which column count as missing since they could not be read."""
    if warnings.height:
        kinds = warnings.group_by("column").len().sort("len", "column", descending=[True, False])
        named = _listed([f"{n:,} {name}" for name, n in kinds.iter_rows()], SHOWN_KINDS)
        cells = counted(warnings.height, "cell")
        plain(f"  Warning: {cells} could not be read and count as missing, as the mapping says ({named}).")


def _settled(outcome: Outcome, dry_run: bool, root: Path) -> None:
    """Say how many rejected rows this import settles, and how many are left in the store."""
    if outcome.closed:
        close = "would close" if dry_run else "closed"
        plain(f"  {counted(outcome.closed, 'row')} rejected earlier {close}: came in with it, or told anew here.")
    if outcome.still_open and not dry_run:
        plain(
            f"  {counted(outcome.still_open, 'rejected row')} of all imports open. To mend them after the audit:"
            f" auditor export rejects -o rejects.xlsx{at_store(root)}"
        )


def rejects(told: pl.DataFrame, where: str) -> None:
    """Print the first rejects, how many more there are of which column, and rows of totals, which are no record."""
    sums = totals_rows(told)
    told = told.filter(pl.col("code") != TOTALS_ROW)
    for row in told.head(SHOWN_REJECTS).iter_rows(named=True):
        sheet = f" of sheet {row['sheet']!r}" if row["sheet"] else ""
        plain(f"  Row {row['row_number']}{sheet}, {row['column'] or 'whole row'}: {row['sentence']} [{row['code']}]")
    rest = told.slice(SHOWN_REJECTS)
    if rest.height:
        column = pl.col("column").fill_null("whole row")
        kinds = rest.group_by(column).len().sort("len", "column", descending=[True, False])
        named = _listed([f"{n:,} {name}" for name, n in kinds.iter_rows()], SHOWN_KINDS)
        plain(f"  ... and {rest.height:,} more ({named}).{where}")
    if sums.height:
        places = [f"{row}" if sheet is None else f"{row} of sheet {sheet!r}" for sheet, row in sums.iter_rows()]
        one = sums.height == 1
        which = "row" if one else "rows"
        are = "sums up other rows and is no record" if one else "sum up other rows and are no records"
        plain(f"  {counted(sums.height, 'rejected row')} {are} ({which} {_listed(places)}): nothing to mend there.")


def place_of(row: int, sheet: str | None, file: str | None) -> str:
    """Where a row stands; without a file it is the one that is spoken of."""
    return f"row {row}" + (f" of sheet {sheet!r}" if sheet else "") + (f" of {file}" if file else "")


def _conflicts(conflicts: pl.DataFrame) -> None:
    for row in conflicts.head(SHOWN_REJECTS).iter_rows(named=True):
        places = zip(row["values"], row["rows"], row["sheets"], row["files"], strict=True)
        pairs = ", ".join(f"{value!r} in {place_of(*place)}" for value, *place in places)
        circuit = f" circuit {row['circuit_id']}" if row["circuit_id"] else ""
        plain(f"  Warning: system {row['system_id']}{circuit}: {row['column']} disagrees ({pairs}); it is missing.")
    if conflicts.height > SHOWN_REJECTS:
        plain(f"  ... and {conflicts.height - SHOWN_REJECTS:,} more such warnings.")


def _revised(outcome: Outcome, dry_run: bool) -> None:
    """Say what earlier imports stated otherwise: the newer value counts."""
    for one in outcome.revisions[:SHOWN_REJECTS]:
        circuit = f" circuit {one.circuit_id}" if one.circuit_id else ""
        was = place_of(one.was_row, None, f"{one.was_file} (import {one.was_import})")
        plain(
            f"  {'Would be revised' if dry_run else 'Revised'}: system {one.system_id}{circuit}: {one.column} was"
            f" {one.was!r} in {was}; it is {one.now!r} in row {one.now_row} of this file, which counts."
        )
    rest = outcome.facts_revised - SHOWN_REJECTS
    if rest > 0:
        plain(f"  ... and {counted(rest, 'more fact')} that earlier imports stated otherwise.")


def row(con: Connection, table: str) -> dict[str, Any]:
    """The one row of a table, by column."""
    found = con.execute(f"SELECT * FROM {quoted(table)}")
    return dict(zip([column[0] for column in found.description or ()], found.fetchall()[0], strict=True))


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
            f"\nThis is a re-check of run {base} ({others or 'under its own rules'}). It is not shown on the pages.\n"
            f"What changed and why: auditor compare {base} {run}{at_store(root)}"
            f"   (to remove it: auditor runs --discard {run}{at_store(root)})"
        )
    elif others:
        plain(
            f"\nAttention: this run used other rules than the store's own: {others}\nReaders see it from now on,"
            f" on the pages and in exports. The store's own rules come back with: auditor audit{at_store(root)}"
        )


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
            named = _listed([f"{model} ({counted(n, 'circuit')})" for model, n in models], SHOWN_MODELS)
            plain(f"  The catalog has no such {table}: {named}. To add it: auditor catalog FILE.toml")

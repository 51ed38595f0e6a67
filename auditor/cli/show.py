"""What the commands print: consoles, progress, and the summaries a person can act on."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from auditor.checks.base import VERDICTS
from auditor.store.importing import Imported
from auditor.store.records_db import Connection

console = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
errors = Console(stderr=True, highlight=False)

SHOWN_REJECTS = 5
SHOWN_COLUMNS = 12

CAUTION = (
    "A pass is a recomputed record, not a safe or compliant installation. Local codes and the authority having"
    " jurisdiction decide; a licensed person does the work."
)


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int | None], None]]:
    """Show progress on the error stream where someone watches it."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as bar:
        task = bar.add_task(label, total=None)

        def advance(done: int, total: int | None) -> None:
            bar.update(task, completed=done, total=total)

        yield advance


def plain(text: str) -> None:
    """Print a line as it is: nothing in it is markup."""
    console.print(text, markup=False, soft_wrap=True)


def _listed(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - SHOWN_COLUMNS} more" if len(names) > SHOWN_COLUMNS else ""
    return ", ".join(names[:SHOWN_COLUMNS]) + more


def imported(done: Imported, dry_run: bool) -> None:
    """Say what an import did, or would do."""
    outcome, reading = done.outcome, done.reading
    would = "would be " if dry_run else ""
    plain(
        f"{done.file_name}: rows in {outcome.rows_in:,} = accepted {outcome.accepted:,} + rejected {outcome.rejected:,}"
        f" + duplicate {outcome.duplicate:,}"
    )
    if done.import_id == 0 and not dry_run:
        plain(f"  Already imported as import {done.seen_in}, and nothing has changed since: nothing to do.")
    else:
        read = f"{outcome.systems:,} systems and {outcome.circuits:,} circuits"
        plain(f"  {read} {would}read; {outcome.replaced:,} circuits {would}revised.")
    if reading.unmapped:
        plain(f"  Columns not mapped, and so not used: {_listed(reading.unmapped)}.")
    if reading.absent:
        plain(f"  Columns the file lacks: {_listed(reading.absent)}. Verdicts that need them are unknown or assumed.")
    _rejects(done)
    conflicts = reading.tables.conflicts
    for row in conflicts.head(SHOWN_REJECTS).iter_rows(named=True):
        pairs = ", ".join(
            f"{value!r} in row {number}" for value, number in zip(row["values"], row["rows"], strict=True)
        )
        plain(f"  Warning: system {row['system_id']}: {row['column']} disagrees ({pairs}); it is taken as missing.")
    if conflicts.height > SHOWN_REJECTS:
        plain(f"  ... and {conflicts.height - SHOWN_REJECTS:,} more such warnings.")


def _rejects(done: Imported) -> None:
    rejects = done.reading.rejects
    for row in rejects.head(SHOWN_REJECTS).iter_rows(named=True):
        plain(f"  Row {row['row_number']}, {row['column'] or 'whole row'}: {row['sentence']} [{row['code']}]")
    if rejects.height > SHOWN_REJECTS:
        plain(f"  ... and {rejects.height - SHOWN_REJECTS:,} more. All of them: auditor export rejects -o rejects.csv")


def audited(con: Connection) -> None:
    """Print a snapshot's answer: verdicts by check, and the missing facts that would settle most."""
    run, as_of, systems, circuits, content_hash = con.execute(
        "SELECT run, as_of, systems, circuits, content_hash FROM audit"
    ).fetchall()[0]
    verdicts = dict(con.execute("SELECT verdict, count(*) FROM system_result GROUP BY verdict").fetchall())
    plain(f"\nRun {run}, as of {as_of}: {systems:,} systems, {circuits:,} circuits (content {content_hash[:12]}).")
    plain("Systems: " + ", ".join(f"{verdicts.get(v, 0):,} {v}" for v in VERDICTS[:3]) + ".")
    over, branch = con.execute(
        "SELECT count(*) FILTER (voltage_rise_verdict = 'fail'), count(*) FILTER (branch_unit_limit_verdict = 'fail')"
        " FROM system_result"
    ).fetchall()[0]
    plain(f"{over:,} systems exceed the voltage-rise target; {branch:,} exceed the branch limit.\n")
    console.print(_by_check(con))
    _missing_facts(con)
    _worst(con)
    plain(f"\n{CAUTION}")


def _by_check(con: Connection) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, justify in (("check", "left"), ("of", "left"), *((v, "right") for v in VERDICTS), ("assumed", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    counts = ", ".join(f"count(*) FILTER (f.verdict = '{v}')" for v in VERDICTS)
    rows = con.execute(
        f"SELECT c.\"check\", c.level, {counts}, count(*) FILTER (f.verdict IN ('pass', 'fail') AND f.assumed <> 0)"
        ' FROM judged f JOIN "check" c USING ("check") GROUP BY ALL ORDER BY any_value(c.number)'
    ).fetchall()
    for check, level, *numbers in rows:
        table.add_row(check, "circuits" if level == "circuit" else "systems", *(f"{n:,}" for n in numbers))
    return table


def _missing_facts(con: Connection) -> None:
    rows = con.execute(
        "SELECT fact, count(*) AS verdicts FROM (SELECT unnest(string_split(fact_names(missing), ', ')) AS fact"
        " FROM judged WHERE verdict = 'unknown' AND missing <> 0) GROUP BY fact ORDER BY verdicts DESC, fact LIMIT 5"
    ).fetchall()
    if rows:
        plain("\nUnknown verdicts wait mostly for: " + ", ".join(f"{fact} ({n:,})" for fact, n in rows) + ".")


def _worst(con: Connection) -> None:
    rows = con.execute(
        "SELECT system_id, circuit_id, sentence FROM finding WHERE verdict = 'fail' AND \"check\" = 'voltage-rise'"
        " ORDER BY value DESC, system_id, circuit_id LIMIT 5"
    ).fetchall()
    if rows:
        plain("\nLargest voltage rises:")
    for system, circuit, sentence in rows:
        plain(f"  {system} / {circuit}: {sentence}")

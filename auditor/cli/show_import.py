"""What an import did, or would do: rows in and out, what was refused, what disagrees, what was revised."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from auditor.cli.options import at_store
from auditor.cli.show import SHOWN_KINDS, SHOWN_REJECTS, counted, listed, plain
from auditor.cli.told import lacking
from auditor.records.totals import TOTALS_ROW, totals_rows
from auditor.store.importing import Imported
from auditor.store.records_db import Outcome


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
        plain(f"  Columns not mapped, and so not used: {listed(list(reading.unmapped))}.")
    for told in reading.notes:
        plain(f"  {told}")
    lacks = lacking(reading)
    if lacks:
        plain(f"  The file does not state: {listed(lacks)}. Verdicts that need them are unknown or assumed.")
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
        named = listed([f"{n:,} {name}" for name, n in kinds.iter_rows()], SHOWN_KINDS)
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
        named = listed([f"{n:,} {name}" for name, n in kinds.iter_rows()], SHOWN_KINDS)
        plain(f"  ... and {rest.height:,} more ({named}).{where}")
    if sums.height:
        places = [f"{row}" if sheet is None else f"{row} of sheet {sheet!r}" for sheet, row in sums.iter_rows()]
        one = sums.height == 1
        which = "row" if one else "rows"
        are = "sums up other rows and is no record" if one else "sum up other rows and are no records"
        plain(f"  {counted(sums.height, 'rejected row')} {are} ({which} {listed(places)}): nothing to mend there.")


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

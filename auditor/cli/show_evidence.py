"""What an import of readings or events prints."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from auditor.cli.options import at_store
from auditor.cli.show import SHOWN_COLUMNS, SHOWN_KINDS, SHOWN_REJECTS, counted, listed, plain
from auditor.store.evidence import EvidenceImported


def evidence_imported(done: EvidenceImported, dry_run: bool, root: Path) -> None:
    """Say what an import did, or would do."""
    outcome = done.outcome
    plain(
        f"{done.file_name}: rows in {outcome.rows_in:,} = accepted {outcome.accepted:,} + rejected {outcome.rejected:,}"
        f" + duplicate {outcome.duplicate:,}"
    )
    if done.import_id == 0 and not dry_run:
        plain(f"  Already imported as import {done.seen_in}, and nothing has changed since: nothing to do.")
        return
    if outcome.first is not None and outcome.last is not None:
        span = f"from {outcome.first:%Y-%m-%d %H:%M} to {outcome.last:%Y-%m-%d %H:%M} UTC"
        plain(f"  {done.imported_as.capitalize()} of {counted(outcome.systems, 'system')}, {span}.")
    if outcome.replaced:
        verb = "would be replaced" if dry_run else "replaced"
        plain(f"  {counted(outcome.replaced, 'row')} held before {verb} by what this file says of the same time.")
    if outcome.told_again:
        plain(f"  {counted(outcome.told_again, 'row')} of the file told anew further down: the last one counts.")
    if outcome.unknown:
        named = ", ".join(outcome.unknown_named[:SHOWN_COLUMNS])
        more = f" and {outcome.unknown - SHOWN_COLUMNS:,} more" if outcome.unknown > SHOWN_COLUMNS else ""
        plain(f"  No record yet of {counted(outcome.unknown, 'system')}: {named}{more}. What was reported is kept.")
    if outcome.unused:
        plain(f"  Columns not used: {listed(list(outcome.unused))}.")
    _rejects(done, dry_run, root)


def _rejects(done: EvidenceImported, dry_run: bool, root: Path) -> None:
    told, kinds = done.outcome.rejects, done.outcome.reject_kinds
    for row in told.head(SHOWN_REJECTS).iter_rows(named=True):
        plain(f"  Row {row['row_number']}, {row['column'] or 'whole row'}: {row['sentence']} [{row['code']}]")
    rest = int(kinds["count"].sum()) - SHOWN_REJECTS
    if rest > 0:
        named = ", ".join(f"{n:,} {column} {code}" for column, code, n in kinds.head(SHOWN_KINDS).iter_rows())
        plain(f"  ... and {rest:,} more (of all: {named}).")
    if done.outcome.rejected and not dry_run:
        plain(
            f"  After the audit, all rejects: auditor export rejects -o rejects.csv{at_store(root)}\n"
            "  Mend them in the file and import it again: what it said already changes nothing."
        )
    if done.outcome.closed:
        close = "would close" if dry_run else "closed"
        plain(f"  {counted(done.outcome.closed, 'row')} rejected earlier {close}: the file came again.")


def told_of_evidence(done: EvidenceImported) -> dict[str, Any]:
    """What an import did, as JSON tells it; times are in UTC."""
    outcome = done.outcome
    plain_figures = ("rows_in", "accepted", "rejected", "duplicate", "systems", "replaced", "told_again", "unknown")
    return {
        "import_id": done.import_id,
        "imported_as": done.imported_as,
        "seen_in": done.seen_in,
        **{name: getattr(outcome, name) for name in (*plain_figures, "closed", "still_open", "first", "last")},
        "unknown_named": list(outcome.unknown_named),
        "unmapped": list(outcome.unused),
        "rejects": outcome.rejects.to_dicts(),
        "reject_count": int(outcome.reject_kinds["count"].sum()),
        "reject_kinds": outcome.reject_kinds.to_dicts(),
    }

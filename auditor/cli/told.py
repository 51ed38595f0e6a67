"""What `import` and `map` found, as JSON for whoever shows it in another way: the figures that are printed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from auditor.checks.facts import FACTS
from auditor.records import Reading
from auditor.records.bindings import KEYS
from auditor.records.proposing.proposal import Proposal, Table
from auditor.records.proposing.propose import UNSAID_LENGTHS
from auditor.records.schema import simple_columns
from auditor.records.totals import totals_rows
from auditor.store.folder import replace_text
from auditor.store.importing import Imported

#: Rejects, disagreements and rows of the file that are told one by one.
MOST_TOLD = 100
SHOWN_ROWS = 5


def write(path: Path, told: dict[str, Any]) -> None:
    """Write a report at once; dates and the like as text."""
    replace_text(path, json.dumps(told, default=str))


def lacking(reading: Reading) -> list[str]:
    """The columns that a check reads and the file lacks; a list of units states their model and count."""
    stated = {"inverter_model", "inverter_count"} if "units" in reading.present else set()
    return [name for name in reading.absent if name in FACTS and name not in stated]


def _kinds(rejects: pl.DataFrame) -> list[dict[str, Any]]:
    """Rejects counted by reason and column, the most frequent first."""
    column = pl.col("column").fill_null("whole row")
    return (
        rejects.group_by(column, "code")
        .len("count")
        .sort("count", "column", "code", descending=[True, False, False])
        .to_dicts()
    )


def of_import(done: Imported, mapping: Path | None) -> dict[str, Any]:
    """What an import did, or would do."""
    reading, outcome = done.reading, done.outcome
    rejects, conflicts = reading.rejects, reading.tables.conflicts
    return {
        "import_id": done.import_id,
        "seen_in": done.seen_in,
        "taken_back": done.taken_back,
        "mapping": mapping.name if mapping else "",
        **{name: getattr(outcome, name) for name in ("rows_in", "accepted", "rejected", "duplicate")},
        **{name: getattr(outcome, name) for name in ("systems", "circuits", "replaced", "closed", "still_open")},
        "places": 0 if reading.refused is None else reading.refused.height,
        "unmapped": list(reading.unmapped),
        "lacking": lacking(reading),
        "notes": list(reading.notes),
        "rejects": rejects.head(MOST_TOLD).to_dicts(),
        "reject_count": rejects.height,
        "totals": totals_rows(rejects).height,
        "reject_kinds": _kinds(rejects),
        "conflicts": conflicts.head(MOST_TOLD).to_dicts(),
        "conflict_count": conflicts.height,
        "revisions": [asdict(one) for one in outcome.revisions],
        "revision_count": outcome.facts_revised,
    }


def of_sheets(tables: Sequence[Table]) -> dict[str, Any]:
    """The sheets of which one must be named, where there are several."""
    return {"sheets": [table.sheet for table in tables if table.sheet is not None]}


def of_proposal(table: Table, proposal: Proposal) -> dict[str, Any]:
    """What is proposed for each column, how sure it is and why; what no column gives; what a person must say."""
    given = {column.canonical for column in proposal.mapped()}
    known = simple_columns()
    return {
        "sheet": table.sheet,
        "header_row": table.header_row,
        "columns": [
            {
                "header": column.header,
                "canonical": column.canonical,
                "sureness": column.sureness,
                "reasons": list(column.reasons),
                "unit": column.unit,
                "lengths": column.lengths,
                "values": column.values,
                "cells": list(dict.fromkeys(row[at] for row in table.rows if at < len(row) and row[at].strip()))[
                    :SHOWN_ROWS
                ],
            }
            for at, column in enumerate(proposal.columns)
        ],
        "keys_lacking": [name for name in KEYS if name not in given],
        "facts_lacking": [name for name in FACTS if name in known and name not in given],
        "constants": proposal.constants,
        "date_order": proposal.date_order,
        "date_reason": proposal.date_reason,
        "lengths_unsaid": any(UNSAID_LENGTHS in column.reasons for column in proposal.mapped()),
    }

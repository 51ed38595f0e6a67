"""`auditor map`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from auditor.checks.facts import FACTS
from auditor.cli import show, show_import, told
from auditor.cli.options import DEFAULT_STORE, StoreOption, at_store, write_text
from auditor.errors import AuditorError
from auditor.records import Mapping, read_records
from auditor.records.bindings import KEYS, bind, unique_names
from auditor.records.casting import cast_rows
from auditor.records.frames import ROW_NUMBER
from auditor.records.proposing.proposal import SURENESS, ColumnProposal, Proposal, Table
from auditor.records.proposing.propose import UNSAID_LENGTHS, propose
from auditor.records.proposing.tables import choose_table, read_tables
from auditor.records.proposing.writing import mapping_of, mapping_text
from auditor.records.schema import simple_columns
from auditor.store import Store
from auditor.store.mappings import save_mapping

SHOWN_ROWS = 3
_CELL = 22


def map_file(
    file: Annotated[Path, typer.Argument(help="A CSV or XLSX file whose columns have names of their own.")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write the mapping here instead of into the store.")
    ] = None,
    store: StoreOption = DEFAULT_STORE,
    sheet: Annotated[str | None, typer.Option("--sheet", help="The sheet of a workbook that has several.")] = None,
    lengths: Annotated[
        str | None, typer.Option("--lengths", help="one-way or round-trip, where the file does not say.")
    ] = None,
    name: Annotated[str, typer.Option("--name", help="The file's name, where it lies under another.")] = "",
    report: Annotated[Path | None, typer.Option("--report", help="Write what is proposed as JSON, too.")] = None,
) -> None:
    """Propose how a file's columns map, show what would be read, and write the mapping for you to check."""
    if lengths not in (None, "one-way", "round-trip"):
        raise AuditorError(f"--lengths {lengths}: write one-way or round-trip.")
    if output is not None and output.exists():
        raise AuditorError(f"{output}: exists already, and may have been mended; remove it or name another file.")
    tables = read_tables(file)
    if report is not None:
        told.write(report, told.of_sheets(tables))
    table = choose_table(file, tables, sheet)
    proposal = propose(table, lengths)
    if report is not None:
        told.write(report, told.of_sheets(tables) | told.of_proposal(table, proposal))
    text = mapping_text(table, proposal, name or file.name)
    mapping = mapping_of(text)
    _tell_columns(file, table, proposal)
    _tell_missing(proposal)
    _tell_questions(proposal)
    _tell_rows(table, mapping)
    _tell_rejects(file, mapping)
    if output is None:
        written = save_mapping(Store(store), table, text)
        command = f"auditor import {file}{at_store(store)}"
    else:
        write_text(output, text)
        written, command = output, f"auditor import {file} --mapping {output}{at_store(store)}"
    show.plain(f"\nWritten: {written}. Check it, mend what is unsure, then: {command}")


def _tell_columns(file: Path, table: Table, proposal: Proposal) -> None:
    place = f", sheet {table.sheet!r}" if table.sheet else ""
    show.plain(f"{file.name}{place}: the header stands in row {table.header_row}; proposed from the first rows:")
    for level in reversed(SURENESS):
        for column in proposal.mapped():
            if column.sureness == level:
                show.plain(f"  {level:6}  {_short(column.header):{_CELL}}  {column.canonical}{_how(column)}")
                show.plain(f"          {'':{_CELL}}  {_one_line('; '.join(column.reasons))}")
    left = [column for column in proposal.columns if column.canonical is None]
    if left:
        show.plain("Left unmapped:")
    for column in left:
        show.plain(f"  {_short(column.header) or '(no header)':{_CELL + 8}}  {column.reasons[0]}")


def _how(column: ColumnProposal) -> str:
    said = [column.unit, column.lengths if column.lengths == "round-trip" else None]
    said += [f"{code} = {value}" for code, value in list(column.values.items())[:4]]
    told = ", ".join(_one_line(text) for text in said if text)
    return f" ({told})" if told else ""


def _tell_missing(proposal: Proposal) -> None:
    given = {column.canonical for column in proposal.mapped()}
    keys = [name for name in KEYS if name not in given]
    if keys:
        show.plain(f"No column gives {' or '.join(keys)}, which every row needs: name it in the mapping.")
    known = simple_columns()
    lacking = [name for name in FACTS if name in known and name not in given]
    if lacking:
        show.plain(f"Nor does any give: {', '.join(lacking[:12])}. Verdicts that need them are unknown or assumed.")
    for name, value in proposal.constants.items():
        show.plain(f'A title or header may state {name} = "{_one_line(value)}" for every row: see [constants].')


def _tell_questions(proposal: Proposal) -> None:
    if any(UNSAID_LENGTHS in column.reasons for column in proposal.mapped()):
        show.plain("Are lengths one-way or there and back? Say it, and map again: --lengths one-way")
    if proposal.date_order is not None:
        show.plain(f"Dates: {proposal.date_order}; {_one_line(proposal.date_reason)}.")
    elif proposal.date_reason:
        show.plain(f"Dates: {_one_line(proposal.date_reason)}; write date_order in the mapping.")


def _tell_rows(table: Table, mapping: Mapping) -> None:
    """Show the first rows as the mapping reads them, what is unsure left out."""
    names = unique_names(table.headers)
    frame = pl.DataFrame(
        {name: [row[at] for row in table.rows] for at, name in enumerate(names)},
        schema=dict.fromkeys(names, pl.String()),
    )
    frame.insert_column(0, pl.Series(ROW_NUMBER, range(1, frame.height + 1), dtype=pl.Int64))
    bound = [b for b in bind(mapping, simple_columns()) if b.canonical in mapping.columns]
    if not bound or not frame.height:
        return
    rows = cast_rows(frame, bound, required=()).rows.head(SHOWN_ROWS)
    show.plain(f"\nThe first {show.counted(rows.height, 'row')} as they would be read (what is unsure left out):")
    for name in rows.columns[1:]:
        cells = ["" if value is None else _short(str(value)) for value in rows[name]]
        show.plain(f"  {name:28}" + "".join(f"{cell:{_CELL + 2}}" for cell in cells).rstrip())


def _tell_rejects(file: Path, mapping: Mapping) -> None:
    if not set(KEYS) <= mapping.columns.keys():
        show.plain("\nRejects cannot be foreseen before system_id and circuit_id are mapped.")
        return
    try:
        with show.progress("Reading") as advance:
            reading = read_records(file, mapping, advance)
    except AuditorError as error:
        show.plain(f"\nSo read, the file would be refused: {error}")
        return
    show.plain(
        f"\nSo read: rows in {reading.rows_in:,} = accepted {reading.accepted:,} + rejected {reading.rejected:,}"
        f" + duplicate {reading.duplicate:,}"
    )
    show_import.rejects(reading.rejects, "")


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _short(text: str) -> str:
    line = _one_line(text)
    return line if len(line) <= _CELL else line[: _CELL - 1] + "…"

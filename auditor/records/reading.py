"""From a file to canonical tables, with every row accounted for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import Binding, Plan, plan_columns
from auditor.records.broken import ALIGNED, KEYS_SCHEMA, keys_of_broken, owners
from auditor.records.casting import cast_rows, keys_of_refused
from auditor.records.csv_reader import csv_chunks, open_csv
from auditor.records.frames import (
    REFUSED_SCHEMA,
    REJECT_SCHEMA,
    ROW_NUMBER,
    WARNING_SCHEMA,
    Chunk,
    Reading,
    on_sheet,
    whose,
)
from auditor.records.joined import read_joined
from auditor.records.json_reader import Json, json_systems, jsonl_systems
from auditor.records.mapping import Mapping, identity_mapping
from auditor.records.merging import tell_places
from auditor.records.nested_reader import NestedReader
from auditor.records.parquet_reader import open_parquet, parquet_chunks, refuse_untextable
from auditor.records.parts import Parts, part_rows
from auditor.records.schema import simple_columns
from auditor.records.sheet_table import SheetTable, choose_sheet, open_sheet
from auditor.records.split import split
from auditor.records.totals import drop_totals
from auditor.records.workbook import open_workbook

#: Called with the rows read so far and the rows in all, where that is known.
Progress = Callable[[int, int | None], None]

CSV_SUFFIXES = (".csv", ".tsv", ".txt")
JSON_SUFFIXES = (".json",)
JSON_LINES_SUFFIXES = (".jsonl", ".ndjson")
PARQUET_SUFFIXES = (".parquet",)
WORKBOOK_SUFFIXES = (".xlsx", ".xlsm")
OTHER_WORKBOOKS = (".xls", ".xlsb", ".ods", ".numbers")


def read_records(path: Path, mapping: Mapping | None = None, progress: Progress | None = None) -> Reading:
    """Read a CSV, workbook, JSON, JSON Lines or Parquet file into canonical tables.

    Without a mapping the file's columns must be canonical. AuditorError when the file as a whole cannot be relied on:
    its bytes, its quotes, its header, or two readers disagreeing on its rows.
    """
    rules = mapping or identity_mapping()
    suffix = path.suffix.lower()
    if not path.is_file():
        raise AuditorError(f"{path}: there is no such file")
    if suffix in WORKBOOK_SUFFIXES and rules.sheets is not None:
        with open_workbook(path) as book:
            return read_joined(book, rules, progress)
    if rules.sheets is not None:
        raise AuditorError(f"{path}: the mapping names sheets that belong together, and this file is no workbook")
    if suffix in JSON_SUFFIXES or suffix in JSON_LINES_SUFFIXES:
        reader = NestedReader(rules, str(path))
        mark = rules.file.decimal_mark
        lines = suffix in JSON_LINES_SUFFIXES
        systems = jsonl_systems(path, mark) if lines else json_systems(path, mark, reader.beside_systems)
        return _read_nested(reader, systems, progress)
    if suffix in CSV_SUFFIXES:
        source = _csv_source(path, rules)
    elif suffix in PARQUET_SUFFIXES:
        source = _parquet_source(path, rules)
    elif suffix in WORKBOOK_SUFFIXES:
        source = sheet_source(path, rules)
    else:
        again = "; open this workbook and save it as .xlsx" if suffix in OTHER_WORKBOOKS else ""
        raise AuditorError(f"{path}: a record file is .csv, .xlsx, .json, .jsonl or .parquet{again}")
    with source as flat:
        return read_flat(flat, progress)


@dataclass
class Flat:
    """A flat file opened: its plan, its chunks, its rows (blank ones counted) by an independent count.

    `table` is set where the file is a sheet of a workbook.
    """

    name: str
    plan: Plan
    chunks: Iterator[Chunk]
    rows: int
    table: SheetTable | None = None


@contextmanager
def _csv_source(path: Path, mapping: Mapping) -> Iterator[Flat]:
    with open_csv(path, mapping.file) as file:
        plan = plan_columns(file.headers, mapping, str(path))
        yield Flat(str(path), plan, csv_chunks(file), file.rows - file.header_row)


@contextmanager
def _parquet_source(path: Path, mapping: Mapping) -> Iterator[Flat]:
    file = open_parquet(path)
    plan = plan_columns(file.headers, mapping, str(path))
    refuse_untextable(file, {b.header: b.canonical for b in plan.bindings if b.header is not None}, mapping.file)
    yield Flat(str(path), plan, parquet_chunks(file, mapping.file), file.rows)


@contextmanager
def sheet_source(path: Path, mapping: Mapping) -> Iterator[Flat]:
    """Open the sheet that a mapping means."""
    with open_workbook(path) as book:
        sheet, survey = choose_sheet(book, mapping.file.sheet, mapping.file.header_row)
        table = open_sheet(book, sheet, survey, mapping, plan_columns)
        yield Flat(book.where(sheet.name), table.plan, table.chunks(), table.rows, table)


@dataclass
class _Tally:
    parts: list[Parts] = field(default_factory=list)
    rejects: list[pl.DataFrame] = field(default_factory=lambda: [pl.DataFrame(schema=REJECT_SCHEMA)])
    refused: list[pl.DataFrame] = field(default_factory=lambda: [pl.DataFrame(schema=REFUSED_SCHEMA)])
    broken: list[pl.DataFrame] = field(default_factory=lambda: [pl.DataFrame(schema=KEYS_SCHEMA)])
    warnings: list[pl.DataFrame] = field(default_factory=lambda: [pl.DataFrame(schema=WARNING_SCHEMA)])
    present: set[str] = field(default_factory=set)
    blank: int = 0
    rejected: int = 0
    done: int = 0
    sheet: str | None = None


def read_flat(flat: Flat, progress: Progress | None) -> Reading:
    """Read a flat file to its end."""
    table = flat.table
    tally = _Tally(present={b.canonical for b in flat.plan.bindings}, sheet=table.sheet.name if table else None)
    for read in flat.chunks:
        chunk = _with_totals(read, flat.plan.bindings)
        if chunk.broken is not None:
            tally.broken.append(keys_of_broken(chunk.broken, flat.plan.bindings))
        cast = cast_rows(chunk.frame, flat.plan.bindings, chunk.faults)
        tally.parts.append(part_rows(cast.rows))
        tally.rejects += [on_sheet(chunk.rejects, tally.sheet), on_sheet(cast.rejects, tally.sheet)]
        tally.warnings.append(whose(on_sheet(cast.warnings, tally.sheet), cast.rows))
        tally.refused.append(keys_of_refused(chunk.frame, cast.rejects, flat.plan.bindings))
        tally.present |= set(cast.rows.columns) - {ROW_NUMBER}
        tally.blank += chunk.blank + cast.blank
        tally.rejected += chunk.rejects[ROW_NUMBER].n_unique() + cast.rejects[ROW_NUMBER].n_unique()
        tally.done += chunk.frame.height + chunk.rejects.height + chunk.blank
        if progress is not None:
            progress(tally.done, flat.rows)
    reading = _finish(tally, flat.rows - tally.blank, flat.name)
    unmapped, notes = (table.unmapped(), table.notes()) if table else (flat.plan.unmapped, ())
    return replace(reading, unmapped=unmapped, absent=flat.plan.absent, ignored=flat.plan.ignored, notes=notes)


def _with_totals(chunk: Chunk, bindings: Sequence[Binding]) -> Chunk:
    """Return a chunk whose ragged rows of totals are refused as such: they are nobody's."""
    if chunk.broken is None or not chunk.broken.height:
        return chunk
    ragged = chunk.broken.filter(~pl.col(ALIGNED)).drop(ALIGNED)
    totals = drop_totals(ragged, bindings)[1]
    if not totals.height:
        return chunk
    others = chunk.rejects.join(totals, on=ROW_NUMBER, how="anti")
    broken = chunk.broken.join(totals, on=ROW_NUMBER, how="anti", maintain_order="left")
    return replace(chunk, rejects=pl.concat([others, totals]).sort(ROW_NUMBER), broken=broken)


def _read_nested(reader: NestedReader, systems: Iterator[list[tuple[int, Json]]], progress: Progress | None) -> Reading:
    tally = _Tally()
    for batch in systems:
        result = reader.read(batch)
        tally.parts.append(result.parts)
        tally.rejects.append(on_sheet(result.rejects, None))
        tally.warnings.append(whose(on_sheet(result.warnings, None), result.parts.rows))
        tally.refused.append(result.refused)
        tally.rejected += result.rejected
        tally.done += result.rows
        if progress is not None:
            progress(tally.done, None)
    reader.refuse_unseen()
    tally.present = reader.present()
    reading = _finish(tally, tally.done, reader.name)
    absent = tuple(name for name in simple_columns() if name not in tally.present)
    return replace(reading, unmapped=reader.unmapped(), absent=absent, ignored=reader.ignored())


def _refused(tally: _Tally, systems: pl.DataFrame) -> pl.DataFrame:
    """Return whose the refused rows are, those whose cells do not stand one to a column among them."""
    whole = pl.concat(tally.refused)
    known = pl.concat([systems.select("system_id"), whole.select("system_id")])
    return pl.concat([whole, owners(pl.concat(tally.broken), known)])


def _finish(tally: _Tally, rows_in: int, name: str) -> Reading:
    parts = tally.parts or [part_rows(pl.DataFrame(schema={ROW_NUMBER: pl.Int64()}))]
    tally.parts = []
    kept = sum(part.rows.height for part in parts)
    result = split(parts)
    duplicate = result.duplicates.height
    reading = Reading(
        tables=replace(result.tables, conflicts=tell_places(result.tables.conflicts, {0: (None, tally.sheet)})),
        rejects=pl.concat(tally.rejects).sort(ROW_NUMBER, maintain_order=True),
        duplicates=result.duplicates,
        unmapped=(),
        absent=(),
        ignored=(),
        present=frozenset(tally.present),
        rows_in=rows_in,
        accepted=kept - duplicate,
        rejected=tally.rejected,
        duplicate=duplicate,
        row_keys=result.row_keys,
        refused=_refused(tally, result.tables.system),
        warnings=pl.concat(tally.warnings).sort(ROW_NUMBER, maintain_order=True),
    )
    if rows_in != reading.accepted + reading.rejected + reading.duplicate:
        raise AuditorError(
            f"{name}: row-count: of {rows_in} rows {reading.accepted} were accepted, {reading.rejected} rejected and "
            f"{reading.duplicate} repeated, which do not add up; nothing was taken from this file"
        )
    return reading

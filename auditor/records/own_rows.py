"""A user's own rows, cell for cell as they stand in the file, for some of its row numbers."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import polars as pl

from auditor.records.bindings import plan_columns, unique_names
from auditor.records.csv_reader import CsvFile, csv_chunks, open_csv
from auditor.records.fault import clean
from auditor.records.frames import ROW_NUMBER, Chunk
from auditor.records.joined import open_role
from auditor.records.mapping import Mapping
from auditor.records.parquet_reader import open_parquet, parquet_chunks
from auditor.records.reading import CSV_SUFFIXES, PARQUET_SUFFIXES, WORKBOOK_SUFFIXES
from auditor.records.sheet_table import SheetTable, choose_sheet, open_sheet
from auditor.records.workbook import Workbook, open_workbook

SCHEMA: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64(), "cells": pl.List(pl.String())}


@dataclass(frozen=True)
class OwnRows:
    """The header as it is written, the distinct names that rejects call its columns by, and rows: `SCHEMA`."""

    headers: tuple[str, ...]
    names: tuple[str, ...]
    rows: pl.DataFrame


def own_rows(path: Path, mapping: Mapping, sheet: str | None, numbers: pl.Series) -> OwnRows | None:
    """Return the rows of these numbers; None where the file has no rows of cells.

    A row of a CSV file with more or fewer cells than the header has them as they come. Errors: those of the reading.
    """
    suffix = path.suffix.lower()
    if suffix in CSV_SUFFIXES:
        with open_csv(path, mapping.file) as file:
            whole = _picked(csv_chunks(file), numbers)
            rest = numbers.filter(~numbers.is_in(whole[ROW_NUMBER].implode()))
            rows = pl.concat([whole, _ragged(file, set(rest))]) if len(rest) else whole
            return _own(file.headers, rows)
    if suffix in PARQUET_SUFFIXES:
        parquet = open_parquet(path)
        return _own(parquet.headers, _picked(parquet_chunks(parquet, mapping.file), numbers))
    if suffix in WORKBOOK_SUFFIXES:
        with open_workbook(path) as book:
            table = _table(book, mapping, sheet)
            return _own(table.headers, _picked(table.chunks(), numbers))
    return None


def _own(headers: tuple[str, ...], rows: pl.DataFrame) -> OwnRows:
    return OwnRows(headers, tuple(unique_names(headers)), rows.sort(ROW_NUMBER))


def _table(book: Workbook, mapping: Mapping, sheet: str | None) -> SheetTable:
    given = mapping.sheets.given() if mapping.sheets else {}
    for role, rules in given.items():
        if sheet is not None and clean(rules.sheet) == clean(sheet):
            return open_role(book, mapping.of_sheet(role), role)
    part, survey = choose_sheet(book, mapping.file.sheet, mapping.file.header_row)
    return open_sheet(book, part, survey, mapping, plan_columns)


def _picked(chunks: Iterator[Chunk], numbers: pl.Series) -> pl.DataFrame:
    wanted = pl.DataFrame({ROW_NUMBER: numbers.cast(pl.Int64)})
    found = [pl.DataFrame(schema=SCHEMA)]
    for chunk in chunks:
        names = [name for name in chunk.frame.columns if name != ROW_NUMBER]
        rows = chunk.frame.join(wanted, on=ROW_NUMBER, how="semi")
        found.append(rows.select(ROW_NUMBER, pl.concat_list(names).alias("cells")))
    return pl.concat(found)


def _ragged(file: CsvFile, numbers: set[int]) -> pl.DataFrame:
    """Return rows that the fast reader hands over as one text; read again, for that text may have been cut."""
    with file.path.open(encoding="utf-8-sig", newline="") as text:
        every = enumerate(csv.reader(text, delimiter=file.delimiter, strict=True), 1)
        rows = [(number, cells) for number, cells in islice(every, max(numbers)) if number in numbers]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")

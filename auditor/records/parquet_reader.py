"""Parquet files as chunks of text, in the same shape as a CSV file's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pyarrow as pa
from pyarrow import parquet

from auditor.errors import AuditorError
from auditor.records.bindings import unique_names
from auditor.records.frames import ROW_NUMBER, Chunk, rejects_frame
from auditor.records.mapping import FileRules
from auditor.records.schema import simple_columns

BATCH_ROWS = 65_536


@dataclass(frozen=True)
class ParquetFile:
    """An open Parquet file: its columns, and how many rows its own footer states."""

    name: str
    file: parquet.ParquetFile
    headers: tuple[str, ...]
    rows: int


def open_parquet(path: Path) -> ParquetFile:
    """Open a Parquet file; AuditorError when it is none."""
    try:
        file = parquet.ParquetFile(path)
    except (pa.ArrowInvalid, OSError) as error:
        raise AuditorError(f"{path}: cannot be read as Parquet: {error}") from error
    return ParquetFile(str(path), file, tuple(file.schema_arrow.names), file.metadata.num_rows)


def refuse_untextable(file: ParquetFile, used: dict[str, str], rules: FileRules) -> None:
    """Refuse a used column (header -> canonical) whose type has no text of its own.

    An id stored as a floating-point number has lost what was written; nested values have no place in a flat file.
    """
    for header, canonical in used.items():
        kind = file.file.schema_arrow.field(header).type
        if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
            raise AuditorError(f"{file.name}: column {header!r} holds {kind} and not single cells; store it as text")
        if pa.types.is_floating(kind) and simple_columns()[canonical].kind == "id":
            raise AuditorError(
                f"{file.name}: column {header!r} stores the ids {canonical} as {kind}; store ids as text"
            )


def parquet_chunks(file: ParquetFile, rules: FileRules) -> Iterator[Chunk]:
    """Yield the rows as text, numbered from 1; a null is an empty cell."""
    names = unique_names(file.headers)
    first = 1
    try:
        for batch in file.file.iter_batches(batch_size=BATCH_ROWS):
            frame = pl.DataFrame(batch)
            frame.columns = names
            text = frame.select(_as_text(frame.schema[name], name, rules.decimal_mark) for name in names)
            numbers = pl.int_range(first, first + frame.height, dtype=pl.Int64, eager=True).alias(ROW_NUMBER)
            first += frame.height
            yield Chunk(text.insert_column(0, numbers), rejects_frame())
    except (pa.ArrowInvalid, OSError) as error:
        raise AuditorError(f"{file.name}: is damaged after row {first - 1}: {error}") from error
    if first - 1 != file.rows:
        raise AuditorError(f"{file.name}: row-count: the footer states {file.rows} rows and {first - 1} were read")


def _as_text(dtype: pl.DataType, name: str, decimal_mark: str | None) -> pl.Expr:
    column = pl.col(name)
    if dtype.is_nested() or dtype in (pl.Binary, pl.Object):
        return pl.when(column.is_not_null()).then(pl.lit("(nested)")).otherwise(pl.lit("")).alias(name)
    text = column.cast(pl.String)
    if decimal_mark == "," and (dtype.is_float() or dtype.is_decimal()):
        text = text.str.replace(".", ",", literal=True)
    return text.fill_null("")

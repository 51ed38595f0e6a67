"""Files of readings and of events, read in pieces: CSV and Parquet with the canonical header."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pyarrow as pa

from auditor.errors import AuditorError
from auditor.records.bindings import Binding, unique_names
from auditor.records.casting import drop_blank
from auditor.records.csv_reader import csv_chunks, open_csv
from auditor.records.espi_reader import COLUMNS, POINT, espi_intervals
from auditor.records.evidence_casting import OWNED_SCHEMA, cast_evidence
from auditor.records.evidence_mapping import EvidenceColumn, EvidenceMapping, bound, prepared
from auditor.records.evidence_schema import READING
from auditor.records.fault import clean
from auditor.records.frames import ROW_NUMBER, Chunk
from auditor.records.parquet_reader import BATCH_ROWS, ParquetFile, open_parquet
from auditor.records.schema import Table
from auditor.records.vocabularies import vocabulary

#: A mean below is no supply in a Green Button file, whose multipliers are often wrong [V].
LEAST_V = 10.0


@dataclass(frozen=True)
class EvidenceChunk:
    """Some rows of a file: typed, refused (`OWNED_SCHEMA`), and how many were blank or read in all."""

    rows: pl.DataFrame
    rejects: pl.DataFrame
    blank: int
    read: int


@dataclass(frozen=True)
class EvidenceFile:
    """An open file: its pieces, the rows that an independent count found, and the columns that are not used."""

    name: str
    chunks: Iterator[EvidenceChunk]
    rows: int
    unused: tuple[str, ...]


@contextmanager
def open_evidence(
    path: Path, table: Table, zone: str = "", mapping: EvidenceMapping | None = None
) -> Iterator[EvidenceFile]:
    """Open a CSV or Parquet file of readings, events or complaints, whose times without an offset are in `zone`.

    AuditorError where the file as a whole cannot be relied on: its bytes, its quotes, its header, times without a zone,
    or two readers disagreeing on its rows.
    """
    if not path.is_file():
        raise AuditorError(f"{path}: there is no such file")
    rules = mapping or EvidenceMapping()
    zone = zone or rules.file.zone
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        file = open_parquet(path)
        headers = [clean(header) for header in file.headers]
        how = _How(table, rules, bound(headers, table, rules, str(path)), zone, str(path))
        _refuse_untyped(file, how)
        yield EvidenceFile(str(path), _parquet_chunks(file, how), file.rows, how.unused(file.headers))
    elif suffix == ".csv":
        with open_csv(path, rules.file.csv()) as csv:
            headers = [clean(header) for header in csv.headers]
            how = _How(table, rules, bound(headers, table, rules, str(path)), zone, str(path))
            chunks = _csv_chunks(csv_chunks(csv), how)
            yield EvidenceFile(str(path), chunks, csv.rows - csv.header_row, how.unused(csv.headers))
    elif suffix == ".xml" and table is READING:
        yield _green_button(path, rules)
    else:
        also = ", or a Green Button .xml" if table is READING else ""
        raise AuditorError(f"{path}: a file of {table.name}s is .csv or .parquet{also}")


@dataclass(frozen=True)
class _How:
    """How the rows of a file are read."""

    table: Table
    mapping: EvidenceMapping
    bindings: tuple[Binding, ...]
    zone: str
    where: str

    def cast(self, frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Typed rows and rejects, as `cast_evidence` gives them."""
        rows, rejects = cast_evidence(
            prepared(frame, self.bindings, self.mapping), self.table, self.bindings, self.zone, self.where
        )
        kind = self.mapping.columns.get("kind")
        if kind is None or kind.vocabulary is None:
            return rows, rejects
        given = (pl.col("canonical") == "kind") & (pl.col("raw").str.strip_chars() != "")
        told = pl.format(f"'{{}}' is no word of {kind.vocabulary}: {vocabulary(kind.vocabulary).reads}", "raw")
        return rows, rejects.with_columns(pl.when(given).then(told).otherwise("sentence").alias("sentence"))

    def unused(self, headers: Sequence[str]) -> tuple[str, ...]:
        """The file's columns that feed nothing."""
        used = {str(b.header) for b in self.bindings}
        return tuple(name for name in unique_names(headers) if name not in used)


def _green_button(path: Path, mapping: EvidenceMapping) -> EvidenceFile:
    """A Green Button file; its usage points are systems unless the mapping says otherwise."""
    found = espi_intervals(path)
    if "system_id" not in mapping.columns and "system_id" not in mapping.constants:
        columns = {**mapping.columns, "system_id": EvidenceColumn(column=POINT)}
        mapping = mapping.model_copy(update={"columns": columns})
    if not found.rows.height:
        raise AuditorError(
            f"{path}: of its {found.others:,} intervals none is a voltage in volts (unit 29), so there is nothing to"
            " take. Ask for interval voltages; energy and power tell nothing of the supply."
        )
    how = _How(READING, mapping, bound(COLUMNS, READING, mapping, str(path)), "", str(path))
    estimated = pl.col("quality") != ""
    tiny = ~estimated & (pl.col("mean_v").cast(pl.Float64, strict=False) < LEAST_V).fill_null(False)
    rows, refused = how.cast(found.rows.filter(~estimated, ~tiny))
    guessed = "the meter's own word for this interval is '{}'; only what was measured counts"
    scaled = "'{}' V is no supply: the file's powerOfTenMultiplier may be wrong, or there was an outage"
    rejects = [
        _refused(found.rows.filter(estimated), "quality", "not-measured", guessed),
        _refused(found.rows.filter(tiny), "mean_v", "constraint-error", scaled),
    ]
    chunk = EvidenceChunk(
        rows, pl.concat([*rejects, refused]).sort(ROW_NUMBER, maintain_order=True), 0, found.rows.height
    )
    unused = (f"intervals that are no voltage ({found.others:,})",) if found.others else ()
    return EvidenceFile(str(path), iter([chunk]), found.rows.height, unused)


def _refused(rows: pl.DataFrame, column: str, code: str, sentence: str) -> pl.DataFrame:
    """Rejects of intervals for what stands in one of their columns."""
    return rows.select(
        ROW_NUMBER,
        pl.lit(column).alias("column"),
        pl.lit(None, pl.String).alias("canonical"),
        pl.col(column).alias("raw"),
        pl.lit(code).alias("code"),
        pl.format(sentence, column).alias("sentence"),
        pl.col(POINT).alias("system_id"),
        pl.lit(None, pl.String).alias("circuit_id"),
    )


def _csv_chunks(chunks: Iterator[Chunk], how: _How) -> Iterator[EvidenceChunk]:
    for chunk in chunks:
        full = drop_blank(chunk.frame, [b for b in how.bindings if str(b.header) in chunk.frame.columns])
        rows, refused = how.cast(full)
        ragged = chunk.rejects.with_columns(
            pl.lit(None, kind).alias(name) for name, kind in OWNED_SCHEMA.items() if name not in chunk.rejects.columns
        )
        rejects = pl.concat([ragged.select(list(OWNED_SCHEMA)), refused]).sort(ROW_NUMBER, maintain_order=True)
        blank = chunk.frame.height - full.height + chunk.blank
        read = chunk.frame.height + chunk.rejects[ROW_NUMBER].n_unique() + chunk.blank
        yield EvidenceChunk(rows, rejects, blank, read)


def _refuse_untyped(file: ParquetFile, how: _How) -> None:
    """Refuse columns whose type cannot hold what they are: ids as floats, days as times, nested values."""
    for binding in how.bindings:
        if str(binding.header) not in file.file.schema_arrow.names:
            continue  # What the mapping adds is text.
        kind = file.file.schema_arrow.field(str(binding.header)).type
        number = pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
        text = pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind)
        allowed = {
            "number": number or text,
            "instant": pa.types.is_timestamp(kind) or text,
        }.get(binding.column.kind, text or pa.types.is_integer(kind))
        if not (allowed or pa.types.is_null(kind)):
            wanted = {"number": "numbers", "instant": "timestamps"}.get(binding.column.kind, "text")
            raise AuditorError(f"{file.name}: column {binding.header!r} is stored as {kind}; store it as {wanted}")


def _parquet_chunks(file: ParquetFile, how: _How) -> Iterator[EvidenceChunk]:
    first = 1
    names = unique_names(file.headers)
    used = [str(b.header) for b in how.bindings if str(b.header) in names]
    try:
        for batch in file.file.iter_batches(batch_size=BATCH_ROWS):
            frame = pl.DataFrame(batch)
            frame.columns = names
            frame = frame.select(used)
            numbers = pl.int_range(first, first + frame.height, dtype=pl.Int64, eager=True).alias(ROW_NUMBER)
            first += frame.height
            rows, rejects = how.cast(frame.insert_column(0, numbers))
            yield EvidenceChunk(rows, rejects, 0, frame.height)
    except (pa.ArrowInvalid, OSError) as error:
        raise AuditorError(f"{file.name}: is damaged after row {first - 1}: {error}") from error
    if first - 1 != file.rows:
        raise AuditorError(f"{file.name}: row-count: the footer states {file.rows} rows and {first - 1} were read")

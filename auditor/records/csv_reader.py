"""CSV files as chunks of text with the row numbers a spreadsheet shows."""

from __future__ import annotations

import codecs
import csv
import io
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
import pyarrow as pa
from pyarrow import csv as arrow_csv

from auditor.errors import AuditorError
from auditor.records.bindings import unique_names
from auditor.records.broken import broken_frame, ragged_rows, swallowed_rows
from auditor.records.counting import BLOCK_BYTES, Survey, count_rows, refusal, survey
from auditor.records.frames import ROW_NUMBER, Chunk, rejects_frame
from auditor.records.mapping import FileRules

_SHOWN_RAW = 2_000
#: With fewer columns, a note of several lines with a few separators in it could be taken for rows.
_LEAST_COLUMNS = 4


@dataclass(frozen=True)
class CsvFile:
    """A CSV file made ready: UTF-8 text, its header, where the rows begin and how many rows there are in all."""

    path: Path
    name: str
    delimiter: str
    headers: tuple[str, ...]
    header_row: int
    first_byte: int
    rows: int
    seen: Survey


@contextmanager
def open_csv(path: Path, rules: FileRules) -> Iterator[CsvFile]:
    """Survey a CSV file; a file in another encoding is first rewritten in UTF-8 to a temporary file.

    AuditorError when the bytes, the quotes or the header cannot be relied on.
    """
    encoding = codecs.lookup(_known(rules.encoding or "utf-8", path)).name
    if encoding in ("utf-8", "utf-8-sig"):
        yield _prepare(path, str(path), rules)
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "rewritten.csv"
        _rewrite(path, copy, encoding)
        yield _prepare(copy, str(path), rules)


def _known(encoding: str, path: Path) -> str:
    try:
        codecs.lookup(encoding)
    except LookupError as error:
        raise AuditorError(f"{path}: the mapping declares an unknown encoding {encoding!r}") from error
    return encoding


def _rewrite(path: Path, copy: Path, encoding: str) -> None:
    lines = 1
    with path.open("rb") as source, copy.open("w", encoding="utf-8", newline="") as target:
        decoder = codecs.getincrementaldecoder(encoding)("strict")
        try:
            while block := source.read(BLOCK_BYTES):
                text = decoder.decode(block)
                lines += text.count("\n")
                target.write(text)
            target.write(decoder.decode(b"", True))
        except UnicodeDecodeError as error:
            lines += error.object[: error.start].decode(encoding, "replace").count("\n")
            raise AuditorError(f"{path}: encoding-error: line {lines} is not valid {encoding}") from error


def _prepare(path: Path, name: str, rules: FileRules) -> CsvFile:
    with path.open("rb") as file:
        if file.read(4) in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
            raise AuditorError(f"{name}: is a spreadsheet or archive, not text; save the sheet as CSV in UTF-8")
    try:
        seen = survey(path)
        delimiter = rules.delimiter or ("\t" if Path(name).suffix.lower() == ".tsv" else ",")
        headers, first_byte = _read_header(path, rules.header_row, delimiter)
        rows = count_rows(path, seen, delimiter)
    except AuditorError as error:
        raise AuditorError(str(error).replace(str(path), name)) from error
    return CsvFile(path, name, delimiter, tuple(headers), rules.header_row, first_byte, rows, seen)


def _read_header(path: Path, header_row: int, delimiter: str) -> tuple[list[str], int]:
    """Return the header's cells and the byte at which the rows after it begin."""
    with path.open("rb") as file:
        used = 0

        def lines() -> Iterator[str]:
            nonlocal used
            for line in file:
                used += len(line)
                yield line.decode("utf-8-sig" if used == len(line) else "utf-8")

        reader = csv.reader(lines(), delimiter=delimiter, strict=True)
        first, header = 1, None
        try:
            for _ in range(header_row):
                first = reader.line_num + 1
                header = next(reader, None)
        except csv.Error as error:
            raise refusal(path, first, delimiter, error) from error
    if not header or not any(cell.strip() for cell in header):
        raise AuditorError(f"{path}: row {header_row} should hold the header and is empty")
    return header, used


def csv_chunks(file: CsvFile, block_bytes: int = BLOCK_BYTES) -> Iterator[Chunk]:
    """Yield the rows after the header, block by block; AuditorError when their number is not what was counted.

    A row with too few or too many cells becomes a reject (missing-cell, extra-cell) with its raw text, and so does a
    row of which a cell holds what look like whole rows (open-quote).
    """
    numbers = _RowNumbers(file.header_row + 1)
    names = unique_names(file.headers)
    for batch in _batches(file, names, numbers, block_bytes):
        row_number = pl.Series(ROW_NUMBER, numbers.take(batch.num_rows), dtype=pl.Int64)
        frame = pl.DataFrame(batch).insert_column(0, row_number)
        yield _chunk(frame, numbers.drain(), file, names)
    empty = pl.DataFrame(schema={ROW_NUMBER: pl.Int64()} | dict.fromkeys(names, pl.String()))
    yield _chunk(empty, numbers.drain(), file, names)
    found = numbers.next_number - 1
    if found != file.rows:
        raise AuditorError(
            f"{file.name}: row-count: two readers disagree on the rows, {found} and {file.rows}; "
            "look for a quote that opens and does not close, or for mixed line ends"
        )


class _RowNumbers:
    """Gives each whole row its number, stepping over the ragged rows that the parser hands over apart."""

    def __init__(self, first_number: int) -> None:
        self.next_number = first_number
        self._offset = first_number - 1
        self._ragged: list[tuple[int, int, str]] = []
        self._pending: list[int] = []

    def add_ragged(self, row: arrow_csv.InvalidRow) -> str:
        number = self._offset + row.number
        self._ragged.append((number, row.actual_columns, row.text))
        self._pending.append(number)
        return "skip"

    def take(self, count: int) -> npt.NDArray[np.int64]:
        """Return the numbers of the next `count` whole rows."""
        ragged = np.asarray(self._pending, dtype=np.int64)
        whole_before = ragged - self.next_number - np.arange(len(ragged))
        order = np.arange(count, dtype=np.int64)
        numbers = self.next_number + order + np.searchsorted(whole_before, order, side="right")
        if count:
            self.next_number = int(numbers[-1]) + 1
            self._pending = [number for number in self._pending if number >= self.next_number]
        return numbers

    def drain(self) -> list[tuple[int, int, str]]:
        """Return the ragged rows not yet handed on, and step over those that stand next."""
        while self._pending and self._pending[0] == self.next_number:
            self._pending.pop(0)
            self.next_number += 1
        ragged, self._ragged = self._ragged, []
        return ragged


def _batches(file: CsvFile, names: list[str], numbers: _RowNumbers, block_bytes: int) -> Iterator[pa.RecordBatch]:
    read = arrow_csv.ReadOptions(use_threads=False, block_size=block_bytes, column_names=names)
    parse = arrow_csv.ParseOptions(
        delimiter=file.delimiter,
        quote_char='"' if file.seen.has_quote else False,
        newlines_in_values=file.seen.has_quote,
        ignore_empty_lines=False,
        invalid_row_handler=numbers.add_ragged,
    )
    convert = arrow_csv.ConvertOptions(
        check_utf8=False, column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
    )
    with file.path.open("rb") as source:
        if source.seek(0, 2) == file.first_byte:
            return
        source.seek(file.first_byte)
        try:
            yield from arrow_csv.open_csv(source, read_options=read, parse_options=parse, convert_options=convert)
        except pa.ArrowInvalid as error:
            raise AuditorError(
                f"{file.name}: cannot be read as CSV after row {numbers.next_number - 1}: {error}"
            ) from error


def _chunk(frame: pl.DataFrame, ragged: list[tuple[int, int, str]], file: CsvFile, names: list[str]) -> Chunk:
    told = [row for row in ragged if _holds_something(row[2], file.delimiter)]
    rejects = rejects_frame(_ragged_reject(number, cells, text, names) for number, cells, text in told)
    broken = ragged_rows(told, file.delimiter)
    swallowing = _swallowing(frame, file, names)
    if swallowing.height:
        broken += _swallowed(frame, swallowing, names, file.delimiter)
        frame = frame.filter(~pl.col(ROW_NUMBER).is_in(swallowing[ROW_NUMBER].implode()))
        rejects = pl.concat([rejects, swallowing]).sort(ROW_NUMBER)
    return Chunk(frame, rejects, blank=len(ragged) - len(told), broken=broken_frame(names, broken))


def _swallowed(
    frame: pl.DataFrame, swallowing: pl.DataFrame, names: list[str], delimiter: str
) -> list[tuple[int, bool, Sequence[str]]]:
    """Return the rows that lie in those with an open quote, whole again."""
    at = {number: names.index(column) for number, column in swallowing.select(ROW_NUMBER, "column").iter_rows()}
    rows = frame.filter(pl.col(ROW_NUMBER).is_in(list(at))).select(ROW_NUMBER, *names)
    return [row for number, *cells in rows.iter_rows() for row in swallowed_rows(number, cells, at[number], delimiter)]


def _swallowing(frame: pl.DataFrame, file: CsvFile, names: list[str]) -> pl.DataFrame:
    """Return rejects of rows with a cell that holds whole rows: a quote opens on one row and closes on a later one.

    From the middle of one row to the middle of another there are as many separators as line ends times those of a row.
    """
    one_line_a_row = file.rows == file.seen.line_ends + (not file.seen.ends_with_line_end)
    if one_line_a_row or len(names) < _LEAST_COLUMNS:
        return rejects_frame()
    found = [rejects_frame()]
    for name in names:
        cell = pl.col(name)
        ends = cell.str.count_matches("\n", literal=True)
        rows = frame.filter(cell.str.contains("\n", literal=True)).filter(
            cell.str.count_matches(file.delimiter, literal=True) == ends * (len(names) - 1)
        )
        sentence = pl.format(
            "the cell runs over {} lines that look like rows of their own: a quote opens here and closes on a later"
            " row",
            ends + 1,
        )
        none = pl.lit(None, pl.String).alias("canonical")
        code = pl.lit("open-quote").alias("code")
        raw = cell.str.slice(0, _SHOWN_RAW).alias("raw")
        column = pl.lit(name).alias("column")
        found.append(rows.select(ROW_NUMBER, column, none, raw, code, sentence.alias("sentence")))
    return pl.concat(found).unique(ROW_NUMBER, keep="first", maintain_order=True)


def _holds_something(text: str, delimiter: str) -> bool:
    return any(cell.strip() for row in csv.reader(io.StringIO(text), delimiter=delimiter) for cell in row)


def _ragged_reject(number: int, cells: int, text: str, names: list[str]) -> tuple[int, str, None, str, str, str]:
    expected = len(names)
    lines = text.strip().count("\n") + 1
    spans = f"; its quoted cells run over {lines} lines" if lines > 1 else ""
    raw = text if len(text) <= _SHOWN_RAW else text[:_SHOWN_RAW] + "…"
    sentence = f"the row has {cells} cells where the header has {expected}{spans}"
    if cells < expected:
        return (number, names[cells], None, raw, "missing-cell", sentence)
    return (number, "", None, raw, "extra-cell", sentence)

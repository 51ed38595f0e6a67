"""Results as they are written: fixed columns, fixed row groups, and a content hash over exactly those bytes."""

from __future__ import annotations

import hashlib
from pathlib import Path
from types import TracebackType
from typing import IO, cast

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

#: Rows of a row group: those of DuckDB, which takes such a file over without parting and joining it.
ROW_GROUP = 122_880


class _HashingFile:
    """A file that takes the hash of what is written to it."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb")
        self._hash = hashlib.sha256()
        self.closed = False

    def write(self, data: bytes) -> int:
        self._hash.update(data)
        return self._file.write(data)

    def flush(self) -> None:
        self._file.flush()

    def tell(self) -> int:
        return self._file.tell()

    def close(self) -> None:
        self._file.close()
        self.closed = True

    def hexdigest(self) -> str:
        return self._hash.hexdigest()


class ResultWriter:
    """Writes one result table as Parquet, whatever the batches it comes in, in row groups of one size.

    Rows must come sorted by key over all batches. Verdicts are written as their place in `VERDICTS`, masks of
    128 bits as decimals. The bytes depend on the rows alone: no compression, no dictionary, no statistics.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows = 0
        self._sink = _HashingFile(path)
        self._writer: pq.ParquetWriter | None = None
        self._held: pa.Table | None = None

    def __enter__(self) -> ResultWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self._write(0)
        if self._writer is not None:
            self._writer.close()
        if not self._sink.closed:
            self._sink.close()

    def add(self, frame: pl.DataFrame) -> None:
        """Take a batch's rows."""
        plain = frame.with_columns(
            pl.col(pl.Enum).to_physical().cast(pl.Int8), pl.col(pl.UInt128).cast(pl.Decimal(38, 0))
        )
        table = plain.to_arrow(compat_level=pl.CompatLevel.oldest())
        self._held = table if self._held is None else pa.concat_tables([self._held, table])
        self.rows += frame.height
        self._write(ROW_GROUP)

    def _write(self, at_least: int) -> None:
        held = self._held
        if held is None:
            return
        if self._writer is None:
            sink = pa.PythonFile(cast(IO[bytes], self._sink), mode="w")
            self._writer = pq.ParquetWriter(
                sink, held.schema, compression="none", use_dictionary=False, write_statistics=False
            )
        while held.num_rows and held.num_rows >= at_least:
            self._writer.write_table(held.slice(0, ROW_GROUP).combine_chunks(), row_group_size=ROW_GROUP)
            held = held.slice(ROW_GROUP)
        self._held = held

    def hexdigest(self) -> str:
        """SHA-256 of the finished file."""
        return self._sink.hexdigest()

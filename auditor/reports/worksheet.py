"""A worksheet written row by row: texts as text, never as formulas; numbers and dates as such."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import date
from decimal import Decimal
from types import TracebackType

import pyarrow as pa
import xlsxwriter
from xlsxwriter.exceptions import FileCreateError

from auditor.reports.sink import Sink

#: Characters (UTF-16 code units) that a worksheet's cell holds.
XLSX_CHARACTERS = 32_767
CUT_MARK = " … [cut]"

#: The first day that a worksheet's dates count from; earlier ones are written as text.
FIRST_DAY = date(1900, 3, 1)


def _units(text: str) -> int:
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def fitted(text: str) -> str:
    """The text, or as much of it as a cell holds with a mark that it was cut."""
    if len(text) * 2 <= XLSX_CHARACTERS or _units(text) <= XLSX_CHARACTERS:
        return text
    room = 2 * (XLSX_CHARACTERS - len(CUT_MARK))
    return text.encode("utf-16-le", "surrogatepass")[:room].decode("utf-16-le", "ignore") + CUT_MARK


@contextmanager
def open_book(file: Sink) -> Iterator[xlsxwriter.Workbook]:
    """Make a workbook that takes memory for one row at a time; it is whole once the block ends. OSError where not."""
    with tempfile.TemporaryDirectory(prefix="auditor-") as folder:
        options = {"constant_memory": True, "tmpdir": folder, "strings_to_formulas": False}
        book = xlsxwriter.Workbook(file, options)
        book.use_zip64()
        yield book
        try:
            book.close()
        except FileCreateError as failed:
            cause = failed.args[0]
            raise cause if isinstance(cause, OSError) else OSError(str(failed)) from failed


class Worksheet:
    """An XLSX file with one sheet; it takes memory for one row at a time.

    `rows` counts the rows below the header, `cut` the texts of each column that were too long for a cell. `guard` is
    applied to every text. OSError where the file cannot be written.
    """

    def __init__(self, file: Sink, guard: Callable[[str], str]) -> None:
        self.rows = 0
        self.cut: dict[str, int] = {}
        self._guard = guard
        self._stack = ExitStack()
        self._book = self._stack.enter_context(open_book(file))
        self._sheet = self._book.add_worksheet("export")
        self._day = self._book.add_format({"num_format": "yyyy-mm-dd"})

    def __enter__(self) -> Worksheet:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.__exit__(kind, error, trace)

    def add(self, table: pa.Table) -> None:
        """Write a batch's rows; the first batch brings the header."""
        names = table.column_names
        if self.rows == 0:
            self._sheet.freeze_panes(1, 0)
            for column, name in enumerate(names):
                self._sheet.write_string(0, column, self._guard(name))
        for values in zip(*(table.column(name).to_pylist() for name in names), strict=True):
            self.rows += 1
            for column, value in enumerate(values):
                if value is not None:
                    self._cell(column, names[column], value)

    def _cell(self, column: int, name: str, value: object) -> None:
        if isinstance(value, bool):
            self._sheet.write_boolean(self.rows, column, value)
        elif isinstance(value, (int, float, Decimal)) and math.isfinite(value):
            self._sheet.write_number(self.rows, column, value)
        elif isinstance(value, date) and value >= FIRST_DAY:
            self._sheet.write_datetime(self.rows, column, value, self._day)
        else:
            text = self._guard(value if isinstance(value, str) else str(value))
            shown = fitted(text)
            if shown != text:
                self.cut[name] = self.cut.get(name, 0) + 1
            self._sheet.write_string(self.rows, column, shown)

"""The rows of a sheet as text, streamed: each cell by its column's number, each faulty cell with its fault."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from auditor.errors import AuditorError
from auditor.records.archive import blocks, feed, local, xml_parser
from auditor.records.cell_formats import DIGITS, NUMBER, has_lost_digits, number_text
from auditor.records.fault import Fault
from auditor.records.sheet_count import MAX_COLUMNS, MAX_ROWS, column_number
from auditor.records.workbook import MAX_CELL_CHARACTERS, SheetPart, Workbook, unescaped

MAX_CELLS = 80_000_000
_DIGITS = "0123456789"
_SHOWN_FORMULA = 200


@dataclass(slots=True)
class Row:
    """A row that holds anything: texts by column number, in order; `faults` holds those cells that are none.

    A faulty cell has a text too: what a person would see of it.
    """

    number: int
    hidden: bool
    cells: dict[int, str] = field(default_factory=dict)
    faults: dict[int, Fault] = field(default_factory=dict)


def sheet_rows(book: Workbook, sheet: SheetPart, decimal_mark: str | None = None) -> Iterator[Row]:
    """Yield the rows that hold a value or a formula, in order; AuditorError where the sheet breaks its own rules.

    Stored numbers are written with the decimal mark under which the cells will be read.
    """
    where = book.where(sheet.name)
    reader = _Reader(book, where, decimal_mark == ",")
    for _ in feed(reader.parser, blocks(book.archive, sheet.part, where), where):
        if sum(map(len, (*reader.pieces, *reader.formula))) > MAX_CELL_CHARACTERS:
            raise AuditorError(f"{where}: a cell in row {reader.row.number} is longer than a sheet allows; refused")
        if reader.cells > MAX_CELLS:
            raise AuditorError(f"{where}: holds more than {MAX_CELLS:,} cells; split the sheet")
        if reader.done:
            yield from reader.done
            reader.done = []


class _Reader:
    """Gathers rows from the parser's events. Names carry the prefix that the root gives them, mostly none."""

    def __init__(self, book: Workbook, where: str, with_comma: bool) -> None:
        self.book, self.where, self.with_comma = book, where, with_comma
        self.formats, self.strings = book.formats, book.strings
        self.done: list[Row] = []
        self.row = Row(0, False)
        self.row_text = ""
        self.cells = self.column = 0
        self.style = self.kind = ""
        self.pieces: list[str] = []
        self.formula: list[str] = []
        self.has_formula = self.has_inline = self.phonetic = False
        self.columns: dict[str, int] = {}
        self.letters: dict[int, str] = {}
        self.parser = xml_parser(where)
        self.parser.StartElementHandler, self.parser.EndElementHandler = self._root, None

    def _root(self, name: str, _: dict[str, str]) -> None:
        if local(name) != "worksheet":
            raise AuditorError(f"{self.where}: the part is {local(name)!r} and no sheet of cells")
        prefix = name.removesuffix("worksheet")
        starts = {"row": self._start_row, "c": self._start_cell, "v": self._start_text, "t": self._start_text}
        starts |= {"f": self._start_formula, "is": self._start_inline, "rPh": self._start_phonetic}
        ends = {"row": self._end_row, "c": self._end_cell, "v": self._end_text, "t": self._end_text}
        ends |= {"f": self._end_text, "rPh": self._end_phonetic}
        known_starts = {prefix + key: value for key, value in starts.items()}
        known_ends = {prefix + key: value for key, value in ends.items()}

        def start(name: str, attributes: dict[str, str]) -> None:
            if (action := known_starts.get(name)) is not None:
                action(attributes)

        def end(name: str) -> None:
            if (action := known_ends.get(name)) is not None:
                action()

        self.parser.StartElementHandler, self.parser.EndElementHandler = start, end

    def _start_row(self, attributes: dict[str, str]) -> None:
        stated = attributes.get("r")
        number = int(stated) if stated is not None and stated.isdecimal() else self.row.number + 1
        if not self.row.number < number <= MAX_ROWS:
            raise AuditorError(f"{self.where}: the workbook is damaged: row {number} follows row {self.row.number}")
        self.row = Row(number, attributes.get("hidden") in ("1", "true"))
        self.row_text, self.column = str(number), 0

    def _end_row(self) -> None:
        if self.row.cells:
            self.done.append(self.row)

    def _start_cell(self, attributes: dict[str, str]) -> None:
        reference = attributes.get("r")
        column = self.column + 1
        # Most cells stand next to the one before, which is cheaper to see than to take the reference apart.
        if reference is not None and reference != self.letters.get(column, "") + self.row_text:
            letters = reference.rstrip(_DIGITS)
            column = self.columns.get(letters) or self._column(letters, reference)
            if reference[len(letters) :] != self.row_text:
                raise AuditorError(f"{self.where}: the workbook is damaged: {reference} stands in row {self.row_text}")
        if column <= self.column:
            raise AuditorError(f"{self.where}: the workbook is damaged: row {self.row_text} gives a cell twice")
        self.column = column
        self.style, self.kind = attributes.get("s", ""), attributes.get("t", "n")
        self.has_formula = self.has_inline = False
        self.pieces.clear()
        self.cells += 1

    def _column(self, letters: str, reference: str) -> int:
        column = column_number(letters) if letters.isalpha() and letters.isupper() and letters.isascii() else 0
        if not 1 <= column <= MAX_COLUMNS or len(letters) > 3:
            raise AuditorError(f"{self.where}: the cell {reference[:20]!r} lies beyond the largest sheet; refused")
        self.letters[column] = letters
        return self.columns.setdefault(letters, column)

    def _start_text(self, _: dict[str, str]) -> None:
        if not self.phonetic:
            self.parser.CharacterDataHandler = self.pieces.append

    def _end_text(self) -> None:
        self.parser.CharacterDataHandler = None

    def _start_formula(self, _: dict[str, str]) -> None:
        self.has_formula = True
        self.formula.clear()
        self.parser.CharacterDataHandler = self.formula.append

    def _start_inline(self, _: dict[str, str]) -> None:
        self.has_inline = True

    def _start_phonetic(self, _: dict[str, str]) -> None:
        self.phonetic = True

    def _end_phonetic(self) -> None:
        self.phonetic = False

    def _end_cell(self) -> None:
        pieces = self.pieces
        stored = pieces[0] if len(pieces) == 1 else "".join(pieces)
        if self.has_formula:
            self._formula_cell(stored)
        elif stored or self.has_inline:
            self.row.cells[self.column] = self._text(stored)

    def _text(self, stored: str) -> str:
        """Return a cell's text; what its kind makes no text of becomes a fault beside it."""
        kind = self.kind
        if kind == "s":
            try:
                return self.strings[int(stored)]
            except (ValueError, IndexError) as error:
                raise AuditorError(
                    f"{self.where}: the workbook is damaged: row {self.row.number} refers to a text it does not hold"
                ) from error
        if kind == "n":
            style = self.style
            cell_format = self.formats[int(style)] if style.isdecimal() and int(style) < len(self.formats) else NUMBER
            text = number_text(stored, cell_format, self.book.from_1904)
            if has_lost_digits(text):
                sentence = f"{text} has more digits than the {DIGITS} a sheet keeps; type it again in a cell made text"
                self.row.faults[self.column] = Fault("type-error", sentence)
            return text.replace(".", ",") if self.with_comma else text
        if kind == "b":
            return "TRUE" if stored.strip() == "1" else "FALSE"
        if kind == "e":
            sentence = f"the cell shows {stored}; mend the formula, or write the value"
            self.row.faults[self.column] = Fault("error-cell", sentence)
            return stored
        return unescaped(stored)

    def _formula_cell(self, stored: str) -> None:
        column, formula = self.column, "=" + "".join(self.formula)[:_SHOWN_FORMULA]
        if not stored and self.kind != "str":
            sentence = "the formula has no computed value; open the workbook, save it, and import it again"
        elif stored == "0" and self.kind == "n" and self.book.computes_on_load:
            sentence = (
                "the formula's 0 is a stand-in, for the workbook asks to be computed when it is opened; open it, "
                "save it, and import it again"
            )
        else:
            self.row.cells[column] = self._text(stored)
            return
        self.row.cells[column] = formula
        self.row.faults[column] = Fault("formula-without-value", sentence)

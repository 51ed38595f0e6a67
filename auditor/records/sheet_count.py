"""A second, independent look at a sheet before it is read: which rows hold anything, and which cells are merged.

The part's bytes are searched for row ends and values; no XML is parsed. The reader proper must find as many rows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from auditor.errors import AuditorError
from auditor.records.archive import blocks
from auditor.records.workbook import SheetPart, Workbook

MAX_ROW_BYTES = 64 << 20
MAX_ROWS, MAX_COLUMNS = 1_048_576, 16_384
#: A header may stand this far down; the numbers of rows up to here are kept.
HEADER_WITHIN = 10_000
_PREFIX = re.compile(rb"<(\w+:)?worksheet[\s>]")
_REFERENCE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")


@dataclass(frozen=True)
class Merged:
    """A merged range; rows and columns count from 1, ends included."""

    text: str
    first_row: int
    last_row: int
    first_column: int
    last_column: int


@dataclass(frozen=True)
class SheetSurvey:
    """How many rows hold a value or a formula, the numbers of those within reach of a header, and the merged ranges."""

    rows: int
    early: tuple[int, ...]
    merged: tuple[Merged, ...]

    def after(self, header_row: int) -> int:
        """Return how many rows after the header hold anything."""
        return self.rows - sum(number <= header_row for number in self.early)


def survey_sheet(book: Workbook, sheet: SheetPart) -> SheetSurvey:
    """Search a sheet's bytes; AuditorError where they are not UTF-8 or one row has no end."""
    where = book.where(sheet.name)
    count, number, early = 0, 0, list[int]()
    rest, search = b"", None
    for block in blocks(book.archive, sheet.part, where):
        if search is None:
            search = _Search(block, where)
        pieces = (rest + block).split(search.row_end)
        rest = pieces.pop()
        if len(rest) > MAX_ROW_BYTES:
            raise AuditorError(f"{where}: a single row takes more than {MAX_ROW_BYTES >> 20} MiB; refused")
        for piece in pieces:
            # Empty rows close themselves, so a piece may hold several starts; its values are the last one's.
            for attributes in search.row_start.findall(piece):
                stated = search.number.search(attributes)
                number = int(stated[1]) if stated else number + 1
            if search.value.search(piece):
                count += 1
                if number <= HEADER_WITHIN:
                    early.append(number)
    merged = search.merged.findall(rest) if search else []
    return SheetSurvey(count, tuple(early), tuple(read_range(text.decode(), where) for text in merged))


class _Search:
    """What to search for, under the prefix the part gives its names."""

    def __init__(self, start: bytes, where: str) -> None:
        if start[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in start[:64]:
            raise AuditorError(f"{where}: is not written in UTF-8; open the workbook and save it again")
        found = _PREFIX.search(start)
        prefix = re.escape((found[1] if found else None) or b"")
        self.row_end = b"</" + ((found[1] if found else None) or b"") + b"row>"
        self.row_start = re.compile(rb"<" + prefix + rb"row\b([^>]*)>")
        self.number = re.compile(rb"\br=[\"']([0-9]+)[\"']")
        self.value = re.compile(rb"<" + prefix + rb"(?:v(?:\s[^>]*)?>(?!</)|is\b|f\b)")
        self.merged = re.compile(rb"<" + prefix + rb"mergeCell\s[^>]*?\bref=[\"']([^\"']*)[\"']")


def column_number(letters: str) -> int:
    """Return the number of a column: A is 1, XFD is 16384."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def column_letters(number: int) -> str:
    """Return the letters of a column: 1 is A."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def read_range(text: str, where: str) -> Merged:
    """Return a range such as A2:B7; AuditorError where it is none or lies beyond the largest sheet."""
    ends = [_REFERENCE.fullmatch(end) for end in text.split(":")]
    first, last = ends[0], ends[-1]
    if len(ends) > 2 or first is None or last is None:
        raise AuditorError(f"{where}: the workbook is damaged: {text[:40]!r} is no range of cells")
    found = Merged(text, int(first[2]), int(last[2]), column_number(first[1]), column_number(last[1]))
    if found.last_row > MAX_ROWS or found.last_column > MAX_COLUMNS:
        raise AuditorError(f"{where}: the range {text} lies beyond the largest sheet; refused")
    return found

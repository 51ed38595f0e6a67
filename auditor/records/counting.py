"""A second, independent look at a CSV file before it is read: its bytes, its rows and its quotes.

The rows are counted by the standard library's csv module in strict mode, or by line ends alone where the file holds
no quote. The reader proper must find as many.
"""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from auditor.errors import AuditorError

#: Longest cell read [characters]; the standard library's own limit of 131,072 refuses whole files for a long note.
LONGEST_CELL = 100_000_000
csv.field_size_limit(LONGEST_CELL)

BLOCK_BYTES = 1 << 24
FALLBACK = "cp1252"
_SHOWN_BYTES = 80


@dataclass(frozen=True)
class Survey:
    """What the bytes of a UTF-8 file say: line ends, whether it holds quotes or lone carriage returns."""

    line_ends: int
    ends_with_line_end: bool
    has_quote: bool
    has_lone_return: bool
    is_empty: bool


def survey(path: Path) -> Survey:
    """Read the file once as bytes; AuditorError names the line of the first byte that is not UTF-8, or a NUL."""
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    line_ends = returns = return_line_ends = 0
    has_quote = False
    last = b""
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            _refuse_bad_bytes(block, decoder, path, line_ends)
            if b"\r" in block or last == b"\r":
                return_line_ends += block.count(b"\r\n") + (last == b"\r" and block[:1] == b"\n")
                returns += block.count(b"\r")
            line_ends += block.count(b"\n")
            has_quote = has_quote or b'"' in block
            last = block[-1:]
    _refuse_bad_bytes(b"", decoder, path, line_ends, final=True)
    return Survey(line_ends, last == b"\n", has_quote, returns > return_line_ends, last == b"")


def _refuse_bad_bytes(
    block: bytes, decoder: codecs.IncrementalDecoder, path: Path, lines_before: int, final: bool = False
) -> None:
    try:
        if not block.isascii() or final or decoder.getstate()[0]:
            decoder.decode(block, final)
    except UnicodeDecodeError as error:
        # The error counts from what the decoder held back of the last block, which holds no line end.
        line = lines_before + error.object[: error.start].count(b"\n") + 1
        utf_16 = lines_before == 0 and error.object[:2] in (b"\xff\xfe", b"\xfe\xff")
        hint = " (it looks like UTF-16); declare" if utf_16 else _in_fallback(error)
        raise AuditorError(
            f"{path}: encoding-error: line {line} is not valid UTF-8{hint} encoding under [file] in a mapping, "
            "or save the file as UTF-8"
        ) from error
    if b"\0" in block:
        line = lines_before + block[: block.index(b"\0")].count(b"\n") + 1
        raise AuditorError(f"{path}: line {line} holds a NUL byte, so this is not a text file")


def _in_fallback(error: UnicodeDecodeError) -> str:
    """Return how the line reads in the encoding that spreadsheets on Windows wrote before UTF-8, if it has a reading.

    It is proposed and never taken unasked: nearly every byte would pass, in the wrong letters too.
    """
    start = error.object.rfind(b"\n", 0, error.start) + 1
    end = error.object.find(b"\n", error.start)
    begun = max(start, error.start - _SHOWN_BYTES // 2)
    line = error.object[begun : end if end >= 0 else None][:_SHOWN_BYTES].rstrip(b"\r")
    try:
        text = line.decode(FALLBACK)
    except UnicodeDecodeError:
        return "; declare"
    return f'; as {FALLBACK} it reads {text!r}. If that is right, write encoding = "{FALLBACK}"; else declare another'


def count_rows(path: Path, seen: Survey, delimiter: str) -> int:
    """Return the rows of the file, blank ones and the header counted; a quoted line end adds none.

    AuditorError, with the line where the quote opens, when a quote never closes or closes inside a cell.
    """
    if not seen.has_quote and not seen.has_lone_return:
        return seen.line_ends + (0 if seen.ends_with_line_end or seen.is_empty else 1)
    # newline="\n": lines end at \n only and are handed over as they stand, as the byte positions of the header assume.
    with path.open(encoding="utf-8-sig", newline="\n") as file:
        reader = csv.reader(file, delimiter=delimiter, strict=True)
        first = 1
        rows = 0
        try:
            for _ in reader:
                rows += 1
                first = reader.line_num + 1
        except csv.Error as error:
            raise refusal(path, first, delimiter, error) from error
    return rows


def refusal(path: Path, first_line: int, delimiter: str, error: csv.Error) -> AuditorError:
    """Return the refusal of a file whose row starting at a line the strict reader could not finish."""
    with path.open(encoding="utf-8-sig", newline="\n") as file:
        for _ in range(first_line - 1):
            next(file, None)
        line = opening_line(file, first_line, delimiter)
    if line is None:
        return AuditorError(f"{path}: line {first_line}: {error}")
    return AuditorError(
        f"{path}: the quote that opens on line {line} never closes, or closes inside a cell ({error}). "
        "A quote within a quoted cell is written twice"
    )


def opening_line(lines: Iterable[str], first_line: int, delimiter: str) -> int | None:
    """Return the line on which the first faulty quote opens, None when every quote is sound."""
    opened: int | None = None
    closed = at_start = True
    for number, line in enumerate(lines, first_line):
        position = 0
        while position < len(line):
            mark = line[position]
            if opened is not None and not closed:
                if mark == '"' and line[position + 1 : position + 2] == '"':
                    position += 1
                elif mark == '"':
                    closed = True
            elif opened is not None:
                if mark not in (delimiter, "\n", "\r"):
                    return opened
                opened, at_start = None, True
            elif mark == '"' and at_start:
                opened, closed, at_start = number, False, False
            else:
                at_start = mark in (delimiter, "\n", "\r")
            position += 1
    return opened if not closed else None

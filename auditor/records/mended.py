"""Workbooks of rows to mend: a user's refused rows, each with a mark that tells where it comes from.

Three columns stand before the user's own. Their names are such that no mapping reads them. The mark lies in a hidden
one, as text, which a spreadsheet program keeps when it saves the workbook.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from auditor.errors import AuditorError
from auditor.records.archive import blocks, open_archive
from auditor.records.bindings import Plan
from auditor.records.fault import clean
from auditor.records.frames import CELL_FAULT_SCHEMA, ROW_NUMBER, Chunk, Reading
from auditor.records.joined import read_joined
from auditor.records.mapping import Columns, Mapping, SheetRules, Sheets
from auditor.records.reading import WORKBOOK_SUFFIXES, read_flat, sheet_source
from auditor.records.sheet_rows import Row, sheet_rows
from auditor.records.workbook import SheetPart, Workbook, open_workbook

Progress = Callable[[int, int | None], None]

#: Headers of the columns in front: the row in the user's file, why it was refused, and the mark.
FRONT = ("row in the file (auditor)", "reason (auditor)", "origin (auditor)")
_, _REASON, _ORIGIN = FRONT
#: What all of them hold.
_OURS = "(auditor)"
#: Reasons for which the cells of a row may stand in other columns than their own.
SHIFTED = ("missing-cell", "extra-cell")
_MARK = re.compile(r"(\d{1,9}):([0-9a-f]{12}):(\d{1,12}):([a-z-]*):(.*)", re.DOTALL)


@dataclass(frozen=True)
class Mark:
    """Where a row comes from: the import, the first 12 figures of its file's SHA-256, the row and the sheet in it.

    `row` is 0 for a whole sheet. `shifted` is the reason where the row has more or fewer cells than the header, else
    empty.
    """

    import_id: int
    sha256: str
    row: int
    shifted: str
    sheet: str | None

    def text(self) -> str:
        """The mark as a cell holds it."""
        return f"{self.import_id}:{self.sha256}:{self.row}:{self.shifted}:{self.sheet or ''}"

    def header(self) -> str:
        """The header of the marks' column, which says where the whole sheet comes from."""
        return f"{_ORIGIN} {self.text()}"


@dataclass(frozen=True)
class MendedSheet:
    """A sheet of mended rows of one sheet of one import.

    `origin` is the mark of the header, for the sheet as a whole; `rows` are the rows' own. `shifted` are the rows, as
    the sheet counts them, that still give the reason for which their cells may stand in wrong columns.
    """

    name: str
    origin: Mark
    rows: tuple[int, ...]
    shifted: dict[int, str]


def is_front(header: str) -> bool:
    """Whether a column is one of those in front of the user's own."""
    return header in FRONT[:2] or header.startswith(_ORIGIN)


def read_mark(text: str) -> Mark | None:
    """Return the mark that a cell holds, or None."""
    found = _MARK.fullmatch(text)
    if found is None:
        return None
    return Mark(int(found[1]), found[2], int(found[3]), found[4], found[5] or None)


def mended_sheets(path: Path) -> list[MendedSheet]:
    """Return the sheets of mended rows that a file holds; none where it is no such workbook.

    AuditorError where a sheet has the columns in front and not the marks.
    """
    if path.suffix.lower() not in WORKBOOK_SUFFIXES or not _may_hold_marks(path):
        return []
    with open_workbook(path) as book:
        found = [_marked(book, sheet) for sheet in book.sheets]
    return [sheet for sheet in found if sheet is not None]


def _may_hold_marks(path: Path) -> bool:
    """Look for the headers in front where texts lie, before the workbook is opened for nothing."""
    word = _OURS.encode()
    with open_archive(path) as archive:
        for part in archive.namelist():
            if "sharedStrings" not in part and "worksheets/" not in part:
                continue
            tail = b""
            for block in blocks(archive, part, str(path)):
                if word in tail + block:
                    return True
                tail = block[-len(word) :]
                if "worksheets/" in part:
                    break  # The header comes first.
    return False


def _marked(book: Workbook, sheet: SheetPart) -> MendedSheet | None:
    rows = sheet_rows(book, sheet)
    header = next(rows, None)
    names = header.cells if header and header.number == 1 else {}
    at = next((column for column, name in names.items() if name.startswith(_ORIGIN)), 0)
    origin = read_mark(names[at].removeprefix(_ORIGIN + " ")) if at else None
    if origin is None:
        if at or set(names.values()) & set(FRONT[:2]):
            raise AuditorError(
                f"{book.where(sheet.name)}: holds rows to mend, and its hidden column C, headed {_ORIGIN!r}, is gone or"
                " changed: nothing else says whose rows they are. Export the rejects again, and bring the mended cells"
                " into that workbook: auditor export rejects -o FILE.xlsx"
            )
        return None
    reason = next((column for column, name in names.items() if name == _REASON), None)
    marks, shifted = list[Mark](), dict[int, str]()
    for row in rows:
        mark = read_mark(row.cells.get(at, ""))
        if mark is None:
            continue
        marks.append(mark)
        if mark.shifted and _told(row, reason):
            shifted[row.number] = mark.shifted
    if any(replace(mark, row=0, shifted="") != origin for mark in marks):
        raise AuditorError(
            f"{book.where(sheet.name)}: holds rows of several files or sheets. Export the rejects again, and mend the"
            " rows on the sheets where they stand."
        )
    return MendedSheet(sheet.name, origin, tuple(mark.row for mark in marks), shifted)


def _told(row: Row, at: int | None) -> bool:
    return at is None or bool(row.cells.get(at, "").strip())


def mapping_of_mended(mapping: Mapping, sheets: Sequence[MendedSheet]) -> Mapping:
    """Return the mapping by which mended rows are read, from the one that their file was read by.

    The header stands in row 1 as a sheet shows it, nothing is merged, and the sheets have other names. Of sheets that
    belong together, those without a row to mend are left out.
    """
    names = {clean(sheet.origin.sheet or ""): sheet.name for sheet in sheets}
    alone = sheets[0].name if mapping.sheets is None else None
    rules = {"sheet": alone, "header_row": 1, "merged": "refuse", "delimiter": None, "encoding": None}
    changed: dict[str, object] = {
        "file": mapping.file.model_copy(update=rules),
        "columns": _on_one_line(mapping.columns),
        "ignore": mapping.ignore.model_copy(update={"columns": tuple(map(_one_line, mapping.ignore.columns))}),
    }
    if mapping.sheets is not None:
        given = {role: _renamed(rules, names) for role, rules in mapping.sheets.given().items()}
        if given["circuits"] is None:
            raise AuditorError("The sheet of circuits is missing; export the rejects again, and leave its sheets in.")
        changed["sheets"] = Sheets.model_construct(
            systems=given.get("systems"), circuits=given["circuits"], runs=given.get("runs")
        )
    return mapping.model_copy(update=changed)


def _renamed(rules: SheetRules, names: dict[str, str]) -> SheetRules | None:
    name = names.get(clean(rules.sheet))
    changed = {"sheet": name, "header_row": 1, "merged": "refuse", "columns": _on_one_line(rules.columns)}
    return rules.model_copy(update=changed) if name else None


def _on_one_line(columns: Columns) -> Columns:
    return {name: rule.model_copy(update={"column": _one_line(rule.column)}) for name, rule in columns.items()}


def _one_line(header: str) -> str:
    return " ".join(clean(header).split())


def read_mended(
    path: Path,
    mapping: Mapping,
    sheets: Sequence[MendedSheet],
    held: pl.DataFrame,
    progress: Progress | None = None,
) -> Reading:
    """Read the mended rows of one import by `mapping_of_mended`.

    `held` are the system_id and circuit_id of all circuits that the store holds: rows that belong with one of them need
    not bring it along. A row whose cells may stand in wrong columns is refused until its reason is emptied.
    """
    if mapping.sheets is not None:
        with open_workbook(path) as book:
            reading = read_joined(book, mapping, progress, held)
    else:
        with sheet_source(path, mapping) as flat:
            flat.chunks = _with_shifted(flat.chunks, flat.plan, sheets[0].shifted)
            reading = read_flat(flat, progress)
    front = {name for name in reading.unmapped for sheet in sheets if is_front(name.removeprefix(f"{sheet.name}!"))}
    return replace(reading, unmapped=tuple(name for name in reading.unmapped if name not in front))


def _with_shifted(chunks: Iterator[Chunk], plan: Plan, shifted: dict[int, str]) -> Iterator[Chunk]:
    """Add a fault to the rows whose cells nobody has put in their columns."""
    header = next(binding.header for binding in plan.bindings if binding.header is not None)
    sentence = "see that each cell of the row stands in its column, then empty the reason beside it"
    for chunk in chunks:
        here = chunk.frame.filter(pl.col(ROW_NUMBER).is_in(list(shifted)))
        cells = here.select(ROW_NUMBER, header).iter_rows()
        told = [(row, header, text, shifted[row], sentence) for row, text in cells]
        faults = pl.DataFrame(told, schema=CELL_FAULT_SCHEMA, orient="row")
        known = faults if chunk.faults is None else pl.concat([chunk.faults, faults])
        yield replace(chunk, faults=known)

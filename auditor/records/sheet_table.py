"""A sheet as a table: which sheet, where its header stands, what its merged cells mean, and its rows in chunks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import KEYS, Plan, unique_names
from auditor.records.fault import Fault, clean
from auditor.records.frames import CELL_FAULT_SCHEMA, ROW_NUMBER, Chunk, rejects_frame
from auditor.records.mapping import Mapping
from auditor.records.sheet_count import Merged, SheetSurvey, column_letters, survey_sheet
from auditor.records.sheet_rows import Row, sheet_rows
from auditor.records.workbook import SheetPart, Workbook

CHUNK_CELLS = 400_000
#: A header that is not where it should be is looked for in so many rows.
LOOKED_AT = 30
_SHOWN = 12
#: The frame's column for cells that stand beside the table, under no header.
_BESIDE = "(beside the table)"

#: Makes the plan of a sheet: (headers, mapping, where) -> Plan.
Planner = Callable[[Sequence[str], Mapping, str], Plan]


@dataclass
class SheetTable:
    """A sheet opened as a table. `rows` are those after the header that hold anything, by the independent count.

    `hidden` (numbers of hidden rows), `used` and `beside` (columns) are filled while the chunks are read.
    """

    book: Workbook
    sheet: SheetPart
    headers: tuple[str, ...]
    header_row: int
    plan: Plan
    rows: int
    fills: dict[int, list[Merged]]
    decimal_mark: str | None
    hidden: list[int] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    beside: set[int] = field(default_factory=set)

    def chunks(self, most_cells: int = CHUNK_CELLS) -> Iterator[Chunk]:
        """Yield the rows after the header; AuditorError when their number is not what was counted."""
        names = unique_names(self.headers)
        filler = _Filler(self.fills)
        found, rows, cells = 0, list[Row](), 0
        for row in sheet_rows(self.book, self.sheet, self.decimal_mark):
            filler.fill(row)
            if row.number <= self.header_row:
                continue
            if row.hidden:
                self.hidden.append(row.number)
            rows.append(row)
            cells += len(names)
            if cells >= most_cells:
                found += len(rows)
                yield self._chunk(rows, names)
                rows, cells = [], 0
        yield self._chunk(rows, names)
        found += len(rows)
        if found != self.rows:
            raise AuditorError(
                f"{self.book.where(self.sheet.name)}: row-count: two readers disagree on the rows, {found} and "
                f"{self.rows}; open the workbook, save it, and import it again"
            )

    def _chunk(self, rows: list[Row], names: list[str]) -> Chunk:
        columns = {name: [row.cells.get(at, "") for row in rows] for at, name in enumerate(names, 1)}
        frame = pl.DataFrame(columns, schema=dict.fromkeys(names, pl.String()))
        frame.insert_column(0, pl.Series(ROW_NUMBER, [row.number for row in rows], dtype=pl.Int64))
        nameless = [name for name, header in zip(names, self.headers, strict=True) if not header]
        self.used |= {name for name in nameless if (frame[name] != "").any()}
        # Cells are in the order of their columns, so the last one tells whether any stands beside the table.
        beside = [
            " ".join(text for at, text in row.cells.items() if at > len(names))
            if next(reversed(row.cells)) > len(names)
            else ""
            for row in rows
        ]
        if any(beside):
            self.beside |= {at for row in rows for at, text in row.cells.items() if at > len(names) and text}
            frame = frame.with_columns(pl.Series(_BESIDE, beside, dtype=pl.String))
        faults = [
            (row.number, names[at - 1], row.cells[at], fault.code, fault.sentence)
            for row in rows
            for at, fault in row.faults.items()
            if at <= len(names)
        ]
        told = pl.DataFrame(faults, schema=CELL_FAULT_SCHEMA, orient="row") if faults else None
        return Chunk(frame, rejects_frame(), faults=told)

    def unmapped(self) -> tuple[str, ...]:
        """Return the columns that hold something and feed nothing, once the chunks are read."""
        empty = {name for name, header in zip(unique_names(self.headers), self.headers, strict=True) if not header}
        idle = [name for name in self.plan.unmapped if name not in empty - self.used]
        return (*idle, *(f"(column {column_letters(at)} has no header)" for at in sorted(self.beside)))

    def notes(self) -> tuple[str, ...]:
        """Return what a person should know of the sheet, once the chunks are read."""
        name, told = self.sheet.name, []
        if self.sheet.hidden:
            told.append(f"Sheet {name!r} is hidden; it was read like any other.")
        if self.hidden:
            some = ", ".join(map(str, self.hidden[:_SHOWN])) + (" ..." if len(self.hidden) > _SHOWN else "")
            rows = "1 hidden row was" if len(self.hidden) == 1 else f"{len(self.hidden):,} hidden rows were"
            told.append(f"Sheet {name!r}: {rows} read like any other (row {some}).")
        if self.fills:
            ranges = [merged.text for merges in self.fills.values() for merged in merges]
            told.append(f"Sheet {name!r}: merged cells were filled down: {listed(ranges)}.")
        return tuple(told)


def open_sheet(
    book: Workbook,
    sheet: SheetPart,
    survey: SheetSurvey,
    mapping: Mapping,
    plan: Planner,
    keys: Sequence[str] = KEYS,
) -> SheetTable:
    """Find the header of a sheet and make its plan; AuditorError, with what to write in the mapping, where it fails."""
    where, header_row, mark = book.where(sheet.name), mapping.file.header_row, mapping.file.decimal_mark
    fills = _vertical(survey.merged, header_row) if mapping.file.merged == "fill down" else {}
    first = _first_rows(book, sheet, max(LOOKED_AT, header_row), fills)
    headers = _headers(first.get(header_row))
    wanted = {mapping.header_of(name) for name in keys if name not in mapping.constants}
    if not wanted <= set(headers):
        _point_to_header(first, header_row, wanted, where)
    if not headers:
        raise AuditorError(f"{where}: row {header_row} should hold the header, and is empty")
    planned = plan(headers, mapping, where)
    used = {b.header for b in planned.bindings}
    columns = {at for at, header in enumerate(headers, 1) if header in used}
    _refuse_merged(survey.merged, header_row, columns, fills, where)
    kept = {at: merges for at, merges in fills.items() if at in columns}
    return SheetTable(book, sheet, headers, header_row, planned, survey.after(header_row), kept, mark)


def choose_sheet(book: Workbook, name: str | None, header_row: int) -> tuple[SheetPart, SheetSurvey]:
    """Return the sheet that is named, else the only one that holds anything; AuditorError lists what there is."""
    if name is not None:
        found = [sheet for sheet in book.sheets if clean(sheet.name) == clean(name)]
        if not found:
            have = ", ".join(repr(sheet.name) for sheet in book.sheets)
            raise AuditorError(f"{book.path}: the mapping names a sheet {name!r}; there is none, but {have}")
        return found[0], survey_sheet(book, found[0])
    surveyed = [(sheet, survey_sheet(book, sheet)) for sheet in book.sheets]
    full = [(sheet, survey) for sheet, survey in surveyed if survey.rows]
    if not full:
        raise AuditorError(f"{book.path}: no sheet holds anything")
    if len(full) > 1:
        lines = [f"  {sheet.name!r}: {_shown_header(book, sheet, header_row)}" for sheet, _ in full]
        raise AuditorError(
            f"{book.path}: {len(full)} sheets hold something. Name the one to read in a mapping, as sheet under "
            "[file], or those that belong together under [sheets.systems], [sheets.circuits] and [sheets.runs]:\n"
            + "\n".join(lines)
        )
    return full[0]


def listed(texts: Sequence[str]) -> str:
    """Return texts in a line, the first of them where there are many."""
    return ", ".join(texts[:_SHOWN]) + (f" and {len(texts) - _SHOWN:,} more" if len(texts) > _SHOWN else "")


def _shown_header(book: Workbook, sheet: SheetPart, header_row: int) -> str:
    first = _first_rows(book, sheet, header_row + LOOKED_AT, {})
    row = first.get(header_row) or next(iter(first.values()), None)
    return f"row {row.number}: {listed([header for header in _headers(row) if header])}" if row else "(empty so far)"


def _first_rows(book: Workbook, sheet: SheetPart, last: int, fills: dict[int, list[Merged]]) -> dict[int, Row]:
    filler, found = _Filler(fills), {}
    for row in islice(sheet_rows(book, sheet), last):
        if row.number > last:
            break
        filler.fill(row)
        found[row.number] = row
    return found


def _headers(row: Row | None) -> tuple[str, ...]:
    """Return the header cells up to the last that says something; a line break within one is a space."""
    if row is None:
        return ()
    texts = {at: " ".join(clean(text).split()) for at, text in row.cells.items() if at not in row.faults}
    last = max((at for at, text in texts.items() if text), default=0)
    return tuple(texts.get(at, "") for at in range(1, last + 1))


def _point_to_header(first: dict[int, Row], header_row: int, keys: set[str], where: str) -> None:
    for number, row in first.items():
        if number != header_row and number <= LOOKED_AT and keys <= set(_headers(row)):
            raise AuditorError(
                f"{where}: row {header_row} is not the header; row {number} holds {' and '.join(sorted(keys))}. "
                f"Write header_row = {number} in the mapping"
            )


def _vertical(merged: tuple[Merged, ...], header_row: int) -> dict[int, list[Merged]]:
    """Return by column the ranges of one column that reach the header or the rows, from the top."""
    fills: dict[int, list[Merged]] = {}
    for one in sorted(merged, key=lambda m: m.first_row):
        if one.first_column == one.last_column and one.last_row >= header_row:
            fills.setdefault(one.first_column, []).append(one)
    return fills


def _refuse_merged(
    merged: tuple[Merged, ...], header_row: int, columns: set[int], fills: dict[int, list[Merged]], where: str
) -> None:
    """Refuse merged cells in the header and the rows of columns that are read, unless they are filled down."""
    told = [
        one
        for one in merged
        if one.last_row >= header_row
        and any(one.first_column <= at <= one.last_column for at in columns)
        and one not in fills.get(one.first_column, ())
    ]
    if not told:
        return
    wide = [one.text for one in told if one.first_column != one.last_column]
    if wide:
        raise AuditorError(
            f"{where}: cells are merged across columns, so that nobody can tell which column they mean: "
            f"{listed(wide)}. Unmerge them in the workbook"
        )
    raise AuditorError(
        f"{where}: cells are merged: {listed([one.text for one in told])}. Unmerge them in the workbook; or, if each "
        'stands for all its rows, write merged = "fill down" in the mapping'
    )


class _Filler:
    """Gives rows within a merged range the cell at its top. A row that holds nothing of its own stays away."""

    def __init__(self, fills: dict[int, list[Merged]]) -> None:
        self._left = {at: list(reversed(merges)) for at, merges in fills.items()}
        self._top: dict[int, tuple[Merged, str, Fault | None]] = {}

    def fill(self, row: Row) -> None:
        """Fill a row's cells; rows must come in order."""
        if not self._left:
            return
        added = False
        for at, merges in self._left.items():
            while merges and merges[-1].last_row < row.number:
                merges.pop()
            if not merges or merges[-1].first_row > row.number:
                continue
            one = merges[-1]
            if one.first_row == row.number:
                self._top[at] = one, row.cells.get(at, ""), row.faults.get(at)
            elif at in self._top and self._top[at][0] is one:
                _, row.cells[at], fault = self._top[at]
                added = True
                if fault is not None:
                    row.faults[at] = fault
        if added:
            row.cells = dict(sorted(row.cells.items()))

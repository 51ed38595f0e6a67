"""From a table's first rows to the proposal: pure, and the same for the same rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from auditor.records.cells import CellRules, read_cell
from auditor.records.dates import DateOrder
from auditor.records.fault import Fault, clean
from auditor.records.proposing.candidates import Chosen, candidates_of, choose, names_of, with_versions
from auditor.records.proposing.cells import Cells, date_order, decimal_mark, is_date, needs_order
from auditor.records.proposing.codes import is_guessed, translations
from auditor.records.proposing.fits import AGREES
from auditor.records.proposing.headers import title_constants, title_lengths, title_unit
from auditor.records.proposing.names import Name
from auditor.records.proposing.proposal import ColumnProposal, Proposal, Sureness, Table, least
from auditor.records.proposing.units import FileUnits, file_units, unit_of
from auditor.records.proposing.vocabulary import vocabulary
from auditor.records.schema import Column, simple_columns

_CLEAR_MARGIN, _SOME_MARGIN = 12.0, 6.0
_ENOUGH_CELLS = 3
_STRONG = 84.0
_MOST_CODES = 60
_MOST_DATES = 0.6
UNSAID_LENGTHS = "nothing says whether one-way or round-trip"


@dataclass(frozen=True)
class _File:
    """What is known of the whole file when its columns are looked at."""

    mark: str | None
    date_order: DateOrder | None
    date_column: str
    title_lengths: str | None
    given_lengths: str | None
    units: FileUnits


def propose(table: Table, lengths: str | None = None) -> Proposal:
    """Return what a table's columns are proposed to be; any headers and cells give a proposal without error.

    `lengths`, one-way or round-trip, is what a person says of those lengths of which the file does not.
    """
    names = names_of(table.headers)
    cells = [Cells(tuple(row[at] if at < len(row) else "" for row in table.rows)) for at in range(len(names))]
    mark = decimal_mark(cells)
    chosen = with_versions(choose(candidates_of(names, cells, mark)), names, cells, mark)
    known = simple_columns()
    dates = [at for at in range(len(cells)) if cells[at].share(is_date) >= _MOST_DATES]
    order, decided_by, told = _order(table.headers, cells, dates)
    columns_of = {at: known[one.candidate.canonical] for at, one in chosen.items()}
    units = file_units(names, cells, columns_of, title_unit(table.titles), mark)
    file = _File(mark, order, decided_by, title_lengths(table.titles), lengths, units)
    columns = tuple(
        _mapped(name, cells[at], chosen[at], known, file) if at in chosen else _unmapped(name, table.headers, cells[at])
        for at, name in enumerate(names)
    )
    stated = {column.canonical for column in columns}
    constants = title_constants(table.titles, table.headers)
    missing = dict.fromkeys(text for at in sorted(chosen) for text in cells[at].missing)
    return Proposal(
        columns,
        order,
        told,
        mark,
        tuple(missing),
        {name: value for name, value in constants.items() if name not in stated},
    )


def _order(headers: Sequence[str], cells: Sequence[Cells], dates: Sequence[int]) -> tuple[DateOrder | None, str, str]:
    """Return the order of the file's dates, the column that decides it and why."""
    found: dict[DateOrder, tuple[str, str]] = {}
    for at in sorted(dates):
        order, text = date_order(cells[at].distinct)
        if order is not None and text is not None:
            found.setdefault(order, (clean(headers[at]), text))
    if len(found) == 1:
        ((order, (header, text)),) = found.items()
        return order, header, f"{text!r} in {header!r} can be read in no other order"
    if found:
        return None, "", "its columns write dates in different orders"
    asks = any(needs_order(text) for at in dates for text in cells[at].distinct)
    return None, "", "no date settles the order" if asks else ""


def _mapped(name: Name, cells: Cells, chosen: Chosen, known: dict[str, Column], file: _File) -> ColumnProposal:
    canonical = chosen.candidate.canonical
    column = known[canonical]
    header = clean(name.header)
    level, reasons = _by_name_and_cells(name, chosen, cells)
    levels: list[Sureness] = [level]
    is_canonical = header == canonical
    unit, unit_level, unit_reason = unit_of(canonical, column, name, cells, file.units, is_canonical)
    levels.append(unit_level)
    lengths, length_level, length_reason = _lengths(column, name, file, is_canonical)
    levels.append(length_level)
    date_level, date_reason = _dates(column, header, cells, file)
    levels.append(date_level)
    values, unread = _values(canonical, column, header, cells)
    if unread or any(is_guessed(text, canonical, column) for text in values):
        levels.append("likely")
    told = [*reasons, unit_reason, length_reason, date_reason]
    if unread:
        told.append(f"not understood: {', '.join(map(repr, unread[:4]))}")
    return ColumnProposal(
        header, canonical, least(levels), tuple(text for text in told if text), unit, lengths, values, unread
    )


def _by_name_and_cells(name: Name, chosen: Chosen, cells: Cells) -> tuple[Sureness, list[str]]:
    """Return how sure name and cells are together, and why."""
    one = chosen.candidate
    match, fitted = one.match, one.fit
    named = "the name says so" if match.exact else "the name may say so" if match.vague else "the name is near"
    reasons = ["the name says what, the place among the columns says of which run" if match.bare else named]
    reasons.append(fitted.reason)
    if match.against:
        reasons.append(f"but {', '.join(map(repr, match.against))} speaks against it")
    rivals = [(chosen.rival_column, "may also be {}"), (chosen.rival_header, "another column may be it too")]
    near = [(rival, text) for rival, text in rivals if rival is not None and one.score - rival.score < _CLEAR_MARGIN]
    reasons += [text.format(rival.canonical) for rival, text in near]
    if chosen.version is not None:
        reasons.append(f"{chosen.version!r} is another version of it")
    agrees = fitted.level == AGREES
    clear = match.exact and agrees and not chosen.ambiguous and not near and chosen.version is None
    is_canonical = one.canonical == name.header
    general = set(name.words) <= vocabulary().general and name.unit is None and not is_canonical
    own = is_canonical or any(words <= set(name.words) for words in vocabulary().own[one.canonical])
    if clear and own and not general and len(cells.filled) >= _ENOUGH_CELLS:
        return "sure", reasons
    strong = match.exact or (match.score >= _STRONG and agrees)
    if strong and not match.bare and not match.vague and not match.against and chosen.margin >= _SOME_MARGIN:
        return "likely", reasons
    return "unsure", reasons


def _lengths(column: Column, name: Name, file: _File, is_canonical: bool) -> tuple[str | None, Sureness, str]:
    if column.kind != "length":
        return None, "sure", ""
    if is_canonical:
        return "one-way", "sure", ""
    if name.lengths is not None:
        return name.lengths, "sure", f"the header says {name.lengths}"
    if file.title_lengths is not None:
        return file.title_lengths, "likely", f"a title says {file.title_lengths}"
    if file.given_lengths is not None:
        return file.given_lengths, "sure", f"you say {file.given_lengths}"
    return None, "unsure", UNSAID_LENGTHS


def _dates(column: Column, header: str, cells: Cells, file: _File) -> tuple[Sureness, str]:
    if column.kind != "date" or not any(needs_order(text) for text in cells.distinct):
        return "sure", ""
    if file.date_order is None:
        return "unsure", "no date settles the order of day and month"
    own, _ = date_order(cells.distinct)
    if own == file.date_order:
        return "sure", f"{file.date_order}, as its own dates show"
    return "likely", f"{file.date_order}, as {file.date_column!r} shows"


def _values(canonical: str, column: Column, header: str, cells: Cells) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return the codes that need a translation, and those that have none."""
    coded = column.kind in ("choice", "arms") or canonical == "service"
    texts = cells.distinct[:_MOST_CODES] if column.kind in ("arms", "current", "size") else cells.distinct
    angle = canonical in ("azimuth_deg", "tilt_deg")
    if not coded and not angle and column.kind not in ("current", "size"):
        return {}, ()
    said = translations(texts, canonical, column, header)
    values = {text: value for text, value in said.items() if _needs(text, value, column)}
    unread = [text for text in texts if text not in said and (coded or (angle and said and _needs(text, text, column)))]
    return values, tuple(unread)


def _needs(text: str, value: str, column: Column) -> bool:
    """Whether a cell must be renamed to be read as meant."""
    if column.kind == "size":
        return isinstance(read_cell(text, column, CellRules(unit="AWG")), Fault)
    read = read_cell(text, column, CellRules())
    if column.unit == "deg":
        return read != float(value) if value != text else isinstance(read, Fault)
    return isinstance(read, Fault) or (column.kind in ("choice", "text") and read != value)


def _unmapped(name: Name, headers: Sequence[str], cells: Cells) -> ColumnProposal:
    header = clean(name.header)
    if not header:
        reason = "it has no header"
    elif sum(clean(other) == header for other in headers) > 1:
        reason = "another column has the same header"
    elif not cells.filled:
        reason = "no cell says anything and the name is not known"
    else:
        reason = "neither name nor cells say what it is"
    return ColumnProposal(header, None, "unsure", (reason,))

"""Which of a file's columns feeds which canonical column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from auditor.errors import AuditorError
from auditor.records.cells import CellRules
from auditor.records.fault import clean
from auditor.records.frames import ROW_NUMBER
from auditor.records.mapping import Mapping, nearest
from auditor.records.schema import Column, simple_columns

KEYS = ("system_id", "circuit_id")


@dataclass(frozen=True)
class Binding:
    """A canonical column, the user's column it is read from (None for a constant) and how its cells are read."""

    canonical: str
    column: Column
    header: str | None
    rules: CellRules
    constant: str | None = None

    @property
    def shown_header(self) -> str:
        """What a reject calls the column."""
        return self.header if self.header is not None else self.canonical


@dataclass(frozen=True)
class Plan:
    """The bindings of a file, and the columns that feed nothing. `absent` are canonical names that nothing feeds."""

    bindings: tuple[Binding, ...]
    unmapped: tuple[str, ...]
    absent: tuple[str, ...]
    ignored: tuple[str, ...]


def unique_names(headers: Sequence[str]) -> list[str]:
    """Return a distinct name for each header: the trimmed header where it can be, else one that gives its position.

    Only unmapped columns are ever renamed, since `plan_columns` refuses a repeated header that is mapped.
    """
    names: list[str] = []
    for position, header in enumerate(headers, 1):
        name = clean(header)
        if not name:
            name = f"(column {position} has no header)"
        elif name in names or name == ROW_NUMBER:
            name = f"{name} (column {position})"
        names.append(name)
    return names


def bind(mapping: Mapping, columns: dict[str, Column]) -> list[Binding]:
    """Return every binding a mapping could make for these canonical columns, whether the file has the header or not."""
    return [
        Binding(
            name,
            column,
            None if name in mapping.constants else mapping.header_of(name),
            mapping.rules_for(name),
            mapping.constants.get(name),
        )
        for name, column in columns.items()
    ]


def plan_columns(
    headers: Sequence[str],
    mapping: Mapping,
    where: str,
    known: dict[str, Column] | None = None,
    keys: Sequence[str] = KEYS,
) -> Plan:
    """Return the plan for a flat file with these headers; it may hold the known columns, those of the simple file.

    AuditorError when a mapped header is missing or repeated, or when nothing feeds one of the keys.
    """
    known = simple_columns() if known is None else known
    cleaned = [clean(header) for header in headers]
    present = set(cleaned)
    bound = [
        b for b in bind(mapping, known) if b.header is None or b.header in present or b.canonical in mapping.columns
    ]
    # A header that the mapping reads into another column, or ignores, feeds nothing of its own.
    ignored = {clean(name) for name in mapping.ignore.columns}
    taken = ignored | {clean(rule.column) for rule in mapping.columns.values()}
    bound = [b for b in bound if b.canonical in mapping.columns or b.header is None or b.header not in taken]
    _refuse_unusable(bound, cleaned, where)
    missing = [key for key in keys if key not in {b.canonical for b in bound}]
    if missing:
        raise AuditorError(_no_key(missing, cleaned, where, known))
    used = {b.header for b in bound}
    names = unique_names(headers)
    idle = [name for name, header in zip(names, cleaned, strict=True) if header not in used]
    # In the file's own order, which is then the order in which a row's faults are told.
    bound.sort(key=lambda b: cleaned.index(b.header) if b.header is not None else len(cleaned))
    return Plan(
        bindings=tuple(bound),
        unmapped=tuple(name for name in idle if name not in ignored),
        absent=tuple(name for name in known if name not in {b.canonical for b in bound}),
        ignored=tuple(name for name in idle if name in ignored),
    )


def _refuse_unusable(bound: list[Binding], headers: list[str], where: str) -> None:
    counts = Counter(headers)
    for binding in bound:
        if binding.header is None:
            continue
        if counts[binding.header] == 0:
            raise AuditorError(
                f"{where}: the mapping reads {binding.canonical} from a column {binding.header!r}, "
                f"which the file does not have. Its columns: {', '.join(headers)}"
            )
        if counts[binding.header] > 1:
            raise AuditorError(
                f"{where}: duplicate-label: {counts[binding.header]} columns are called {binding.header!r}"
            )
        if binding.header == ROW_NUMBER:
            raise AuditorError(f"{where}: rename the column {ROW_NUMBER!r}; the name is taken by the row's own number")


def _no_key(missing: list[str], headers: list[str], where: str, known: dict[str, Column]) -> str:
    lines = [f"  {header or '(no header)'}{nearest(header, known)}" for header in headers]
    hint = ""
    if len(headers) == 1:
        marks = [name for mark, name in ((";", ";"), ("\t", "a tab"), ("|", "|")) if mark in headers[0]]
        hint = (
            f"\nThe header looks as if {marks[0]} separates its columns: declare delimiter under [file]."
            if marks
            else ""
        )
    return (
        f"{where}: no column gives {' or '.join(missing)}. Name it in a mapping under [columns], "
        f"which `auditor map` proposes. The file's columns, with the nearest canonical names:\n"
        + "\n".join(lines)
        + hint
    )

"""The mapping: how a foreign file's columns, units, spellings and dates become the canonical ones."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from auditor.errors import AuditorError
from auditor.records.cells import CellRules, read_cell
from auditor.records.dates import DateOrder
from auditor.records.fault import Fault, clean
from auditor.records.quantities import UNITS
from auditor.records.schema import RUN, RUN_COLUMNS, SYSTEM, TABLES, Column, simple_columns
from auditor.toml_file import Loc, checked, did_you_mean, raise_faults, read_toml
from auditor.toml_file import nearest as nearest_names

Lengths = Literal["one-way", "round-trip"]
Merged = Literal["refuse", "fill down"]
OnError = Literal["reject", "missing"]
#: What a sheet of a workbook may hold, where several belong together.
SheetRole = Literal["systems", "circuits", "runs"]


#: Columns that tell rows apart, whose cells must be readable.
_OF_KEYS = {name for table in TABLES for name in table.key}


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileRules(_Part):
    """What holds for the whole file. `header_row` counts from 1 as a spreadsheet shows it.

    `sheet` and `merged` concern workbooks: which sheet holds the records, and whether a cell merged over several rows
    stands for each of them ("fill down") or refuses the sheet.
    """

    name: str = ""
    header_row: int = Field(default=1, ge=1, le=10_000)
    date_order: DateOrder | None = None
    decimal_mark: Literal[".", ","] | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    encoding: str | None = None
    missing: tuple[str, ...] = ("",)
    lengths: Lengths = "one-way"
    sheet: str | None = Field(default=None, min_length=1)
    merged: Merged = "refuse"


class ColumnRule(_Part):
    """Which of the user's columns a canonical one is read from, and how.

    `on_error` says what a cell that cannot be read does: refuse its row, or count as missing with a warning.
    """

    model_config = ConfigDict(
        json_schema_extra={"said": 'your column\'s name in quotes, or { column = "Run", unit = "ft" }'}
    )

    column: str = Field(min_length=1)
    unit: str | None = None
    lengths: Lengths | None = None
    values: dict[str, str] = Field(default_factory=dict)
    on_error: OnError = "reject"


def _named(value: Any) -> Any:
    return {"column": value} if isinstance(value, str) else value


def _as_text(value: Any) -> Any:
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


Columns = dict[str, Annotated[ColumnRule, BeforeValidator(_named)]]
Constants = dict[str, Annotated[str, BeforeValidator(_as_text)]]


class SheetRules(_Part):
    """One of several sheets that belong together: its name, and what of it differs from [file]."""

    sheet: str = Field(min_length=1)
    header_row: int | None = Field(default=None, ge=1, le=10_000)
    merged: Merged | None = None
    columns: Columns = Field(default_factory=dict)
    constants: Constants = Field(default_factory=dict)


class Sheets(_Part):
    """Sheets that belong together, joined by system_id, and runs by circuit_id too where they are a circuit's.

    `circuits` has one row per branch circuit and may hold any column of the simple file; `systems` one row per system,
    with the system's columns and those of shared runs; `runs` one row per run, with the columns of the run table.
    """

    systems: SheetRules | None = None
    circuits: SheetRules
    runs: SheetRules | None = None

    def given(self) -> dict[SheetRole, SheetRules]:
        """Return the sheets that are named, by what they hold."""
        every: dict[SheetRole, SheetRules | None] = {
            "systems": self.systems,
            "circuits": self.circuits,
            "runs": self.runs,
        }
        return {role: rules for role, rules in every.items() if rules is not None}


def sheet_columns(role: SheetRole) -> dict[str, Column]:
    """Return the canonical columns that a sheet of this role may hold."""
    if role == "runs":
        return {column.name: column for column in RUN.columns}
    known = simple_columns()
    if role == "circuits":
        return known
    shared = [name for name, (run, _) in RUN_COLUMNS.items() if run != "home run"]
    return {name: known[name] for name in (*(column.name for column in SYSTEM.columns), *shared)}


class Ignored(_Part):
    """The user's columns that are known and not wanted, so that they are not reported as unmapped."""

    columns: tuple[str, ...] = ()


class Mapping(_Part):
    """A mapping file. A header that is canonical and not spoken for here is read as it stands."""

    file: FileRules = Field(default_factory=FileRules)
    columns: Columns = Field(default_factory=dict)
    constants: Constants = Field(default_factory=dict)
    ignore: Ignored = Field(default_factory=Ignored)
    sheets: Sheets | None = None

    @model_validator(mode="after")
    def _entries_make_sense(self) -> Mapping:
        faults = _entry_faults(self, simple_columns(), ())
        if self.sheets is not None:
            faults += self._sheet_faults(self.sheets)
        raise_faults("Mapping", faults)
        return self

    def _sheet_faults(self, sheets: Sheets) -> list[tuple[Loc, str]]:
        faults: list[tuple[Loc, str]] = []
        if self.columns:
            told = "with [sheets], write each sheet's columns under its own [sheets.NAME.columns]"
            faults.append((("columns",), told))
        if self.file.sheet is not None:
            faults.append((("file", "sheet"), "with [sheets], name each sheet under its own [sheets.NAME]"))
        named: dict[str, str] = {}
        for role, rules in sheets.given().items():
            first = named.setdefault(clean(rules.sheet), role)
            if first != role:
                faults.append((("sheets", role, "sheet"), f"[sheets.{first}] names the same sheet, {rules.sheet!r}"))
            faults += _entry_faults(self.of_sheet(role), sheet_columns(role), ("sheets", role))
        return faults

    def of_sheet(self, role: SheetRole) -> Mapping:
        """Return the mapping of one of the sheets that belong together; KeyError when it is not named.

        A constant of the whole file goes to the systems' sheet if that may hold it, else to the circuits'.
        """
        given = self.sheets.given() if self.sheets else {}
        rules = given[role]
        of_systems = sheet_columns("systems").keys() - {"system_id"} if "systems" in given else set()
        home = {name: "systems" if name in of_systems else "circuits" for name in self.constants}
        shared = {name: text for name, text in self.constants.items() if home[name] == role}
        differs = {"sheet": rules.sheet, "header_row": rules.header_row, "merged": rules.merged}
        file = self.file.model_copy(update={name: value for name, value in differs.items() if value is not None})
        constants = shared | rules.constants
        return self.model_copy(update={"file": file, "columns": rules.columns, "constants": constants, "sheets": None})

    def rules_for(self, canonical: str) -> CellRules:
        """Return how the cells of a canonical column are to be read."""
        rule = self.columns.get(canonical)
        lengths = (rule.lengths if rule else None) or self.file.lengths
        return CellRules(
            unit=rule.unit if rule else None,
            round_trip=lengths == "round-trip",
            values=rule.values if rule else {},
            missing=frozenset({"", *(clean(text).lower() for text in self.file.missing)}),
            decimal_mark=self.file.decimal_mark,
            date_order=self.file.date_order,
            lenient=rule is not None and rule.on_error == "missing",
        )

    def header_of(self, canonical: str) -> str:
        """Return the user's column that a canonical one is read from."""
        rule = self.columns.get(canonical)
        return clean(rule.column) if rule else canonical


def _entry_faults(mapping: Mapping, known: dict[str, Column], place: Loc) -> list[tuple[Loc, str]]:
    """Every entry under `columns` and `constants` that makes no sense, and why."""
    faults: list[tuple[Loc, str]] = []
    for table, names in (("columns", mapping.columns), ("constants", mapping.constants)):
        for name in names:
            if name not in known:
                faults.append(((*place, table, name), _unknown_column(name, known, place)))
    for name, rule in mapping.columns.items():
        loc = (*place, "columns", name)
        faults += [((*loc, key), told) for key, told in _rule_faults(name, rule, known.get(name))]
        if name in mapping.constants:
            faults.append((loc, "it stands under [constants] too; leave one out"))
    for name, text in mapping.constants.items():
        value = read_cell(text, known[name], mapping.rules_for(name)) if name in known else text
        if value is None or isinstance(value, Fault):
            told = value.sentence if value else "an empty constant says nothing; leave it out"
            faults.append(((*place, "constants", name), told))
    return faults


def _unknown_column(name: str, known: dict[str, Column], place: Loc) -> str:
    if name in FileRules.model_fields:
        return f"is no canonical column; {name} belongs under [{'.'.join(map(str, place)) or 'file'}]"
    where = "" if name not in simple_columns() else f" of the sheet of {place[-1]}"
    return f"is no canonical column{where}.{did_you_mean(name, known)} README.md lists them all"


def _rule_faults(name: str, rule: ColumnRule, column: Column | None) -> list[tuple[str, str]]:
    """What of a column's rule does not suit the column: the key and why."""
    if column is None:
        return []
    faults = []
    if rule.on_error == "missing" and name in _OF_KEYS:
        faults.append(("on_error", f"{name} tells rows apart, so it cannot count as missing; leave this out"))
    if rule.lengths is not None and column.kind != "length":
        faults.append(("lengths", f"{name} is not a length; leave it out"))
    if rule.unit is not None:
        allowed = {"AWG", "mm2"} if column.kind == "size" else set(UNITS[column.unit])
        if column.kind not in ("size", "length", "number", "current") or not allowed:
            faults.append(("unit", f"{name} takes no unit; leave it out"))
        elif (rule.unit if column.kind == "size" else rule.unit.lower()) not in allowed:
            told = f"{rule.unit!r} is not one of: {', '.join(sorted(allowed))}."
            faults.append(("unit", told + did_you_mean(rule.unit, sorted(allowed))))
    return faults


def nearest(name: str, known: dict[str, Column]) -> str:
    """Return "; nearest: ..." with the canonical names closest to a name, or nothing when none is close."""
    close = nearest_names(clean(name), known)
    return f"; nearest: {', '.join(close)}" if close else ""


def identity_mapping() -> Mapping:
    """Return the mapping of a canonical file: only the empty cell is missing, and only ISO dates are read."""
    return Mapping()


def load_mapping(path: Path) -> Mapping:
    """Read a mapping file; an AuditorError names the file and each entry that is wrong."""
    mapping, faults = checked(Mapping, read_toml(path))
    if mapping is None:
        raise AuditorError("\n".join(f"{path}: {fault}" for fault in faults))
    return mapping

"""The mapping: how a foreign file's columns, units, spellings and dates become the canonical ones."""

from __future__ import annotations

import difflib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from auditor.errors import AuditorError
from auditor.records.cells import CellRules, read_cell
from auditor.records.dates import DateOrder
from auditor.records.fault import Fault, clean
from auditor.records.quantities import UNITS
from auditor.records.schema import RUN, RUN_COLUMNS, SYSTEM, Column, simple_columns

Lengths = Literal["one-way", "round-trip"]
Merged = Literal["refuse", "fill down"]
#: What a sheet of a workbook may hold, where several belong together.
SheetRole = Literal["systems", "circuits", "runs"]


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
    """Which of the user's columns a canonical one is read from, and how."""

    column: str = Field(min_length=1)
    unit: str | None = None
    lengths: Lengths | None = None
    values: dict[str, str] = Field(default_factory=dict)


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
        _check_entries(self, simple_columns(), "")
        if self.sheets is None:
            return self
        if self.columns or self.file.sheet is not None:
            raise ValueError("with [sheets], write each sheet's columns under its own [sheets.NAME.columns]")
        names = [clean(rules.sheet) for rules in self.sheets.given().values()]
        if len(set(names)) != len(names):
            raise ValueError("[sheets]: two of them name the same sheet")
        for role in self.sheets.given():
            _check_entries(self.of_sheet(role), sheet_columns(role), f"sheets.{role}.")
        return self

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
        )

    def header_of(self, canonical: str) -> str:
        """Return the user's column that a canonical one is read from."""
        rule = self.columns.get(canonical)
        return clean(rule.column) if rule else canonical


def _check_entries(mapping: Mapping, known: dict[str, Column], place: str) -> None:
    for name in (*mapping.columns, *mapping.constants):
        if name not in known:
            where = f"{place.rstrip('.')}: " if place else ""
            raise ValueError(f"{where}{name!r} is not a canonical column{nearest(name, known)}")
    for name, rule in mapping.columns.items():
        _check_rule(f"{place}columns.{name}", name, rule, known[name])
        if name in mapping.constants:
            raise ValueError(f"{place}{name!r} stands in both [columns] and [constants]")
    for name, text in mapping.constants.items():
        value = read_cell(text, known[name], mapping.rules_for(name))
        if value is None or isinstance(value, Fault):
            told = value.sentence if value else "an empty constant says nothing"
            raise ValueError(f"{place}constants.{name}: {told}")


def _check_rule(entry: str, name: str, rule: ColumnRule, column: Column) -> None:
    if rule.lengths is not None and column.kind != "length":
        raise ValueError(f"{entry}.lengths: {name} is not a length")
    if rule.unit is None:
        return
    allowed = {"AWG", "mm2"} if column.kind == "size" else set(UNITS[column.unit])
    if column.kind not in ("size", "length", "number", "current") or not allowed:
        raise ValueError(f"{entry}.unit: {name} takes no unit")
    unit = rule.unit if column.kind == "size" else rule.unit.lower()
    if unit not in allowed:
        raise ValueError(f"{entry}.unit: {rule.unit!r} is not one of: {', '.join(sorted(allowed))}")


def nearest(name: str, known: dict[str, Column]) -> str:
    """Return "; nearest: ..." with the canonical names closest to a name, or nothing when none is close."""
    folded = clean(name).lower().replace(" ", "_")
    close = difflib.get_close_matches(folded, known, n=3, cutoff=0.5)
    return f"; nearest: {', '.join(close)}" if close else ""


def identity_mapping() -> Mapping:
    """Return the mapping of a canonical file: only the empty cell is missing, and only ISO dates are read."""
    return Mapping()


def load_mapping(path: Path) -> Mapping:
    """Read a mapping file; an AuditorError names the file and each entry that is wrong."""
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except OSError as error:
        raise AuditorError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise AuditorError(f"{path}: is not a TOML file in UTF-8: {error}") from error
    try:
        return Mapping.model_validate(data)
    except ValidationError as error:
        raise AuditorError("\n".join(f"{path}: {_told(problem)}" for problem in error.errors())) from error


def _told(problem: ErrorDetails) -> str:
    entry = ".".join(str(part) for part in problem["loc"]) or "mapping"
    return f"{entry}: {problem['msg'].removeprefix('Value error, ')}"

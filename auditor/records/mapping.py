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
from auditor.records.schema import Column, simple_columns

Lengths = Literal["one-way", "round-trip"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileRules(_Part):
    """What holds for the whole file. `header_row` counts from 1 as a spreadsheet shows it."""

    name: str = ""
    header_row: int = Field(default=1, ge=1, le=10_000)
    date_order: DateOrder | None = None
    decimal_mark: Literal[".", ","] | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    encoding: str | None = None
    missing: tuple[str, ...] = ("",)
    lengths: Lengths = "one-way"


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


class Ignored(_Part):
    """The user's columns that are known and not wanted, so that they are not reported as unmapped."""

    columns: tuple[str, ...] = ()


class Mapping(_Part):
    """A mapping file. A header that is canonical and not spoken for here is read as it stands."""

    file: FileRules = Field(default_factory=FileRules)
    columns: dict[str, Annotated[ColumnRule, BeforeValidator(_named)]] = Field(default_factory=dict)
    constants: dict[str, Annotated[str, BeforeValidator(_as_text)]] = Field(default_factory=dict)
    ignore: Ignored = Field(default_factory=Ignored)

    @model_validator(mode="after")
    def _entries_make_sense(self) -> Mapping:
        known = simple_columns()
        for name in (*self.columns, *self.constants):
            if name not in known:
                raise ValueError(f"{name!r} is not a canonical column{nearest(name, known)}")
        for name, rule in self.columns.items():
            _check_rule(name, rule, known[name])
            if name in self.constants:
                raise ValueError(f"{name!r} stands in both [columns] and [constants]")
        for name, text in self.constants.items():
            value = read_cell(text, known[name], self.rules_for(name))
            if value is None or isinstance(value, Fault):
                raise ValueError(f"constants.{name}: {value.sentence if value else 'an empty constant says nothing'}")
        return self

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


def _check_rule(name: str, rule: ColumnRule, column: Column) -> None:
    if rule.lengths is not None and column.kind != "length":
        raise ValueError(f"columns.{name}.lengths: {name} is not a length")
    if rule.unit is None:
        return
    allowed = {"AWG", "mm2"} if column.kind == "size" else set(UNITS[column.unit])
    if column.kind not in ("size", "length", "number", "current") or not allowed:
        raise ValueError(f"columns.{name}.unit: {name} takes no unit")
    unit = rule.unit if column.kind == "size" else rule.unit.lower()
    if unit not in allowed:
        raise ValueError(f"columns.{name}.unit: {rule.unit!r} is not one of: {', '.join(sorted(allowed))}")


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

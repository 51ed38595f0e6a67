"""Reads one TOML file into entries; every fault is told with file, table, entry number and field."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from auditor.catalog.entries import Entry
from auditor.errors import AuditorError


@dataclass(frozen=True)
class Place:
    """Where an entry stands: file, table and number, counted from 1."""

    path: Path
    table: str
    number: int
    label: str = ""

    def __str__(self) -> str:
        label = f" ({self.label})" if self.label else ""
        return f"{self.path}: [[{self.table}]] entry {self.number}{label}"


@dataclass(frozen=True)
class Placed:
    """An entry and its place."""

    place: Place
    entry: Entry


def read_document(path: Path) -> dict[str, Any]:
    """The file as TOML; AuditorError when it cannot be read or is not TOML."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise AuditorError(f"{path}: cannot read the file: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise AuditorError(f"{path}: not UTF-8 text: {error.reason} at byte {error.start}.") from error
    except tomllib.TOMLDecodeError as error:
        raise AuditorError(f"{path}: not a TOML file: {error}.") from error


def read_entries(path: Path, document: Mapping[str, Any], models: Mapping[str, type[Entry]]) -> list[Placed]:
    """Every entry of the document's tables; AuditorError lists all faults of the file, one a line."""
    placed: list[Placed] = []
    faults: list[str] = []
    for table, raw in document.items():
        if table not in models:
            allowed = ", ".join(f"[[{name}]]" for name in models)
            faults.append(f"{path}: {table!r}: unknown table. Allowed: {allowed}.")
        elif not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
            faults.append(f"{path}: {table!r}: must be a list of entries, each under its own [[{table}]].")
        else:
            for number, item in enumerate(raw, start=1):
                place = Place(path, table, number, str(item.get("model") or item.get("name") or ""))
                try:
                    placed.append(Placed(place, models[table].model_validate(_tuples(item))))
                except ValidationError as error:
                    faults.extend(f"{place}{_fault(fault, models[table])}" for fault in error.errors())
    if faults:
        raise AuditorError("\n".join(faults))
    return placed


def _tuples(value: Any) -> Any:
    """The value with its lists as tuples, the only sequence that frozen entries hold."""
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return value


def _fault(error: ErrorDetails, model: type[BaseModel]) -> str:
    """One fault as text: the field, what is wrong, what is allowed."""
    where = ", ".join(f"item {part + 1}" if isinstance(part, int) else str(part) for part in error["loc"])
    where = f", {where}" if where else ""
    if error["type"] == "missing":
        return f"{where}: is missing."
    if error["type"] == "extra_forbidden":
        allowed = f" Allowed: {', '.join(model.model_fields)}." if len(error["loc"]) == 1 else ""
        return f"{where}: unknown field.{allowed}"
    message = error["msg"].removeprefix("Value error, ").removeprefix("Input ").replace("tuple", "list")
    given = error["input"]
    if error["type"] != "value_error" and not isinstance(given, (dict, tuple, BaseModel)):
        message = f"{message}, got {given!r}"
    return f"{where}: {message}."

"""Reads one TOML file into entries; every fault is told with file, table, entry number and field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from auditor.catalog.entries import Entry
from auditor.errors import AuditorError
from auditor.toml_file import checked, did_you_mean, inner_entry


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


def read_entries(path: Path, document: Mapping[str, Any], models: Mapping[str, type[Entry]]) -> list[Placed]:
    """Every entry of the document's tables; AuditorError lists all faults of the file, one a line."""
    placed: list[Placed] = []
    faults: list[str] = []
    for table, raw in document.items():
        if table not in models:
            allowed = ", ".join(f"[[{name}]]" for name in models)
            faults.append(
                f"{path}: [[{table}]]: there is no such table.{did_you_mean(table, models)} Allowed: {allowed}."
            )
        elif not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
            faults.append(
                f"{path}: {table}: write each entry under a heading of its own in double brackets, [[{table}]]."
            )
        else:
            for number, item in enumerate(raw, start=1):
                place = Place(path, table, number, str(item.get("model") or item.get("name") or ""))
                entry, told = checked(models[table], item, inner_entry)
                placed += [Placed(place, entry)] if entry is not None else []
                faults += [f"{place}: {sentence}" for sentence in told]
    if faults:
        raise AuditorError("\n".join(faults))
    return placed

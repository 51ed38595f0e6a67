"""Reads the built-in tables and the user's equipment files into one catalog."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

from auditor.catalog.catalog import Catalog
from auditor.catalog.entries import Entry, size_mm2
from auditor.catalog.equipment import Equipment, Inverter, Module, Trunk
from auditor.catalog.grid import GridProfile, alias_key
from auditor.catalog.printed import PRINTED, PrintedTable
from auditor.catalog.reading import Placed, read_entries
from auditor.catalog.tables import Row
from auditor.errors import AuditorError
from auditor.toml_file import did_you_mean, read_toml

DATA = Path(__file__).with_name("data")

#: What a user's equipment file may hold.
EQUIPMENT: dict[str, type[Entry]] = {
    "inverter": Inverter,
    "trunk": Trunk,
    "module": Module,
    "grid_profile": GridProfile,
}


def load_catalog(folders: Sequence[Path] = ()) -> Catalog:
    """Read the built-in tables and every *.toml file of the folders (not of folders within them).

    A file may state `invented = true` at its top for all its entries. AuditorError names the file, the table, the
    entry's number and the field, what is wrong and what is allowed: unreadable or unknown content, a wrong type, a
    missing source, a revision or profile given twice, one model spelt in two ways, effective dates that do not
    increase, an unknown grid profile.
    """
    placed = [p for path in _files(DATA) for p in _builtin(path)]
    files = [path for folder in folders for path in _files(folder)]
    faults: list[str] = []
    for path in files:
        try:
            placed += _equipment_file(path)
        except AuditorError as error:
            faults.append(str(error))
    faults += _revision_faults(placed)
    faults += _profile_faults(placed) if not faults else []
    if faults:
        raise AuditorError("\n".join(faults))
    tables: dict[str, list[Entry]] = {}
    for item in placed:
        entries = item.entry.to_rows() if isinstance(item.entry, PrintedTable) else [item.entry]
        tables.setdefault(item.place.table, []).extend(entries)
    return Catalog.model_validate({table: tuple(sorted(rows, key=_order)) for table, rows in tables.items()})


def _files(folder: Path) -> list[Path]:
    if not folder.is_dir():
        raise AuditorError(f"{folder}: no such folder. Name a folder that holds equipment files (*.toml).")
    files = sorted(folder.glob("*.toml"))
    if not files:
        raise AuditorError(f"{folder}: holds no equipment file. Expected at least one *.toml file.")
    return files


@cache
def _builtin(path: Path) -> tuple[Placed, ...]:
    return tuple(read_entries(path, read_toml(path), {**PRINTED, "grid_profile": GridProfile}))


def _equipment_file(path: Path) -> list[Placed]:
    document = read_toml(path)
    invented = document.pop("invented", False)
    if not isinstance(invented, bool):
        raise AuditorError(f"{path}: invented = {invented!r}: must be true or false, without quotes.")
    if invented:
        for table in EQUIPMENT.keys() - {"grid_profile"}:
            for item in _dicts(document.get(table)):
                item.setdefault("invented", True)
    return read_entries(path, document, EQUIPMENT)


def _dicts(raw: object) -> Iterable[dict[str, Any]]:
    return [item for item in raw if isinstance(item, dict)] if isinstance(raw, list) else []


def _revision_faults(placed: Iterable[Placed]) -> list[str]:
    by_model: dict[tuple[str, str], list[tuple[Equipment, Placed]]] = {}
    for item in placed:
        if isinstance(item.entry, Equipment):
            key = " ".join(item.entry.model.lower().split())
            by_model.setdefault((item.place.table, key), []).append((item.entry, item))
    faults = []
    for entries in by_model.values():
        entries.sort(key=lambda pair: pair[0].revision)
        for (before, first), (after, second) in pairwise(entries):
            if before.model != after.model:
                faults.append(
                    f"{second.place}, model: differs from {before.model!r} at {first.place} only in case or spaces. "
                    "Spell one model alike, or give two models names that differ."
                )
            elif before.revision == after.revision:
                faults.append(f"{second.place}, revision: {after.revision} is already given at {first.place}.")
            elif before.effective >= after.effective:
                faults.append(
                    f"{second.place}, effective: revision {after.revision} is effective {after.effective}, which must "
                    f"be later than {before.effective} of revision {before.revision} at {first.place}."
                )
    return faults


def _profile_faults(placed: Sequence[Placed]) -> list[str]:
    owners: dict[str, Placed] = {}
    names: list[str] = []
    faults = []
    for item in placed:
        if isinstance(item.entry, GridProfile):
            names.append(item.entry.name)
            for key in sorted(item.entry.alias_keys):
                if key in owners:
                    faults.append(f"{item.place}: name or alias {key!r} already belongs to {owners[key].place}.")
                owners[key] = item
    for item in placed:
        if isinstance(item.entry, Inverter):
            unknown = [text for text in item.entry.grid_profiles if alias_key(text) not in owners]
            faults.extend(
                f"{item.place}, grid_profiles: unknown grid profile {text!r}.{did_you_mean(text, names)}"
                f" Known: {', '.join(sorted(names))}."
                for text in unknown
            )
    return faults


def _order(entry: Entry) -> tuple[Any, ...]:
    """Canonical order within a table: size by area, then the scalar fields as declared, then where it comes from."""
    fields = {name: value for name, value in dict(entry).items() if isinstance(value, (str, int, float))}
    source = [fields.pop(name) for name in Row.model_fields if isinstance(entry, Row)]
    area = size_mm2(entry.size) if hasattr(entry, "size") else 0.0
    return (area, *(_key(value) for value in (*fields.values(), *source)))


def _key(value: str | int | float) -> tuple[int, float, str]:
    return (1, 0.0, value) if isinstance(value, str) else (0, float(value), "")

"""A commented equipment file for users, made from the descriptions of the models' own fields."""

from __future__ import annotations

import json
import textwrap
from datetime import date
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from auditor.catalog.entries import Entry
from auditor.catalog.equipment import Inverter, Module, Trunk
from auditor.catalog.grid import GridProfile

_HEAD = """\
# Equipment file: copy it, replace the example values, keep it in a folder of *.toml files and name that folder.
# Leave out every line whose fact the spec does not state: a fact left out is kept as missing, never guessed.
# A new issue of a spec is a new entry with the next revision and its own effective date; earlier ones stay.
# Put `invented = true` here, at the top, when everything in the file is made up.
"""
_TABLES: dict[str, type[Entry]] = {
    "inverter": Inverter,
    "trunk": Trunk,
    "module": Module,
    "grid_profile": GridProfile,
}


def equipment_template() -> str:
    """A TOML equipment file with one example entry a table; every field stands under its description.

    The text loads as it is. Fields marked "required" must be present in every entry.
    """
    parts = [_HEAD]
    for table, model in _TABLES.items():
        parts.append(f"\n# {_first_line(model)}\n[[{table}]]\n")
        for name, field in model.model_fields.items():
            example = f"Example {table}" if name == "model" else (field.examples or [""])[0]
            parts += [f"# {line}\n" for line in _about(field, example)]
            parts.append(f"{name} = {_toml(example)}\n")
    return "".join(parts)


def _about(field: FieldInfo, example: Any) -> list[str]:
    """The description, and under it those of the fields within, where the field holds entries of its own."""
    required = "Required. " if field.is_required() else ""
    lines = textwrap.wrap(f"{required}{field.description}.", 116)
    inner = example[0] if isinstance(example, tuple) else example
    if isinstance(inner, BaseModel):
        for name, part in type(inner).model_fields.items():
            must = " (required)" if part.is_required() else ""
            lines += textwrap.wrap(f"  {name}{must}: {part.description}", 116, subsequent_indent="    ")
    return lines


def _first_line(model: type[BaseModel]) -> str:
    return (model.__doc__ or "").strip().splitlines()[0]


def _toml(value: Any) -> str:
    """A value as TOML, on one line but for lists of tables."""
    if isinstance(value, BaseModel):
        value = {key: item for key, item in dict(value).items() if item is not None}
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, tuple):
        if any(isinstance(item, BaseModel) for item in value):
            return "[\n" + "".join(f"    {_toml(item)},\n" for item in value) + "]"
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)  # numbers, true and false, and quoted text read alike in TOML


def _key(key: str) -> str:
    return key if key.isidentifier() else f'"{key}"'

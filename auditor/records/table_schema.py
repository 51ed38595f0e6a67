"""The simple file and the canonical tables as Frictionless Table Schema, so that others can check before sending.

Descriptors follow the Table Schema specification, version 1 (https://specs.frictionlessdata.io/table-schema/). `unit`
is a property of our own, which the specification allows.
"""

from __future__ import annotations

from typing import Any

from auditor.records.evidence_schema import REQUIRED
from auditor.records.schema import CIRCUIT, TABLES, Column, Kind, Table, simple_columns

_TYPES: dict[Kind, str] = {
    "id": "string",
    "text": "string",
    "size": "string",
    "choice": "string",
    "arms": "string",
    "sections": "string",
    "integer": "integer",
    "number": "number",
    "length": "number",
    "current": "number",
    "date": "date",
    "instant": "datetime",
}

#: Canonical spellings; the importer reads more, and writes these.
_PATTERNS: dict[Kind, str] = {
    "size": r"(([1-9][0-9]?|[1-4]/0) AWG|[0-9]{3,4} kcmil|[0-9]+(\.[0-9]+)? mm2)",
    "arms": r"[0-9]+(\+[0-9]+)*",
    "sections": r"[0-9]+@[0-9.]+( \+ [0-9]+@[0-9.]+)*",
}
#: An instant with its offset, which the specification's own form of a datetime has not.
_INSTANT_FORMAT = "any"


def simple_table_schema() -> dict[str, Any]:
    """Return the descriptor of the simple file: one row per branch circuit."""
    fields = [_field(name, column, name in CIRCUIT.key) for name, column in simple_columns().items()]
    return {"fields": fields, "missingValues": [""], "primaryKey": list(CIRCUIT.key)}


def canonical_table_schema(table: Table) -> dict[str, Any]:
    """Return the descriptor of a canonical table, with its foreign key to the table it belongs to.

    The key of `run` holds cells that may be empty (a shared run has no circuit), so it is not declared as one.
    """
    nullable_key = table.name == "run"
    required = ("system_id", "role", "run_order") if nullable_key else table.key
    schema: dict[str, Any] = {
        "fields": [_field(column.name, column, column.name in required) for column in table.columns],
        "missingValues": [""],
    }
    if not nullable_key:
        schema["primaryKey"] = list(table.key)
    parent = {"circuit": ("system", ["system_id"]), "unit": ("circuit", ["system_id", "circuit_id"])}.get(table.name)
    if nullable_key:
        parent = ("system", ["system_id"])
    if parent is not None:
        resource, key = parent
        schema["foreignKeys"] = [{"fields": key, "reference": {"resource": resource, "fields": key}}]
    return schema


def canonical_table_schemas() -> dict[str, dict[str, Any]]:
    """Return the descriptors of all canonical tables by name."""
    return {table.name: canonical_table_schema(table) for table in TABLES}


def evidence_table_schema(table: Table) -> dict[str, Any]:
    """Return the descriptor of a file of readings or events.

    Cells of their keys may be empty (a reading of a whole system has no circuit), so none is declared.
    """
    fields = [_field(column.name, column, column.name in REQUIRED[table.name]) for column in table.columns]
    return {"fields": fields, "missingValues": [""]}


def _field(name: str, column: Column, required: bool) -> dict[str, Any]:
    field: dict[str, Any] = {"name": name, "type": _TYPES[column.kind], "description": column.about}
    if column.kind == "instant":
        field["format"] = _INSTANT_FORMAT
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {"required": True} if required else {}
    if column.minimum is not None:
        constraints["minimum"] = column.minimum
    if column.maximum is not None:
        constraints["maximum"] = column.maximum
    if column.choices:
        constraints["enum"] = list(column.choices)
    if column.kind in _PATTERNS:
        constraints["pattern"] = _PATTERNS[column.kind]
    if constraints:
        field["constraints"] = constraints
    return field

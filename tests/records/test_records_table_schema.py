"""The published descriptors agree with the schema and with what the importer takes."""

from __future__ import annotations

import json
import re
from pathlib import Path

from records_files import read_cells

from auditor.records.evidence_schema import EVIDENCE_TABLES
from auditor.records.schema import TABLES, simple_columns
from auditor.records.table_schema import canonical_table_schemas, evidence_table_schema, simple_table_schema

#: Field types and constraints of Table Schema, version 1 (specs.frictionlessdata.io/table-schema), those used here.
TYPES = {"string", "number", "integer", "date", "datetime"}
CONSTRAINTS = {"required", "minimum", "maximum", "enum", "pattern"}


def test_descriptors_use_only_what_the_specification_has() -> None:
    evidence = [evidence_table_schema(table) for table in EVIDENCE_TABLES]
    for schema in (simple_table_schema(), *canonical_table_schemas().values(), *evidence):
        json.dumps(schema)
        names = [field["name"] for field in schema["fields"]]
        assert len(set(names)) == len(names)
        assert set(schema.get("primaryKey", [])) <= set(names)
        assert all(field["type"] in TYPES for field in schema["fields"])
        assert all(set(field.get("constraints", {})) <= CONSTRAINTS for field in schema["fields"])


def test_every_column_is_described() -> None:
    assert [field["name"] for field in simple_table_schema()["fields"]] == list(simple_columns())
    for table in TABLES:
        fields = canonical_table_schemas()[table.name]["fields"]
        assert [field["name"] for field in fields] == [column.name for column in table.columns]
    for table in EVIDENCE_TABLES:
        fields = evidence_table_schema(table)["fields"]
        assert [field["name"] for field in fields] == [column.name for column in table.columns]


def test_canonical_cells_match_the_published_patterns(tmp_path: Path) -> None:
    patterns = {
        field["name"]: field["constraints"]["pattern"]
        for field in simple_table_schema()["fields"]
        if "pattern" in field.get("constraints", {})
    }
    sizes = ("#10", "0000", "250 MCM", "2.5 mm²", "1/0")
    written = [read_cells(tmp_path, home_run_size=size).tables.run["size"][0] for size in sizes]
    assert all(re.fullmatch(patterns["home_run_size"], size) for size in written)
    circuit = read_cells(tmp_path, arm_counts="8 + 8", extra_trunk="8@3.5+12@2").tables.circuit
    assert re.fullmatch(patterns["arm_counts"], circuit["arm_counts"][0])
    assert re.fullmatch(patterns["extra_trunk"], circuit["extra_trunk"][0])

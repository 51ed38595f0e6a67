"""`auditor schema`: a file's columns as a Table Schema, for whoever writes such files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from auditor.cli import show
from auditor.cli.options import write_text
from auditor.errors import AuditorError
from auditor.records.evidence_schema import IMPORTED_AS
from auditor.records.table_schema import evidence_table_schema, simple_table_schema
from auditor.store.originals import ImportedAs


def schema(
    imported_as: Annotated[
        ImportedAs, typer.Option("--as", help="What the file's rows are, as `auditor import` takes them.")
    ] = "records",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="A .json file; without one, it is printed.")
    ] = None,
) -> None:
    """Write the columns of a file, with their types, units and allowed values, as a Table Schema (JSON)."""
    of_records = imported_as == "records"
    descriptor = simple_table_schema() if of_records else evidence_table_schema(IMPORTED_AS[imported_as])
    text = json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n"
    if output is None:
        typer.echo(text, nl=False)
        return
    if output.suffix != ".json":
        raise AuditorError(f"{output}: a Table Schema is a .json file; name one.")
    write_text(output, text)
    show.plain(f"{output}: {show.counted(len(descriptor['fields']), 'column')}.")

"""What the mappings of imports declare of the lengths in their files: the unit, and whether there and back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import polars as pl

from auditor.errors import AuditorError
from auditor.records import Mapping
from auditor.records.schema import RUN_COLUMNS
from auditor.store.folder import Store
from auditor.store.mending import mapping_of
from auditor.store.originals import read_manifest

#: A row for each import and column of a length: whether its mapping states the unit, and whether it states the way.
SCHEMA: dict[str, pl.DataType] = {
    "import_id": pl.Int32(),
    "column": pl.String(),
    "unit": pl.Boolean(),
    "way": pl.Boolean(),
}
LENGTHS = tuple(name for name, (_, fact) in RUN_COLUMNS.items() if fact == "length_m")


def declared(store: Store, imports: Iterable[int]) -> pl.DataFrame:
    """Return what the mappings of these imports state of lengths: `SCHEMA`. One that is gone states nothing."""
    entries = read_manifest(store)
    rows = list[tuple[int, str, bool, bool]]()
    for number in imports:
        try:
            mapping = mapping_of(store, entries, entries[number - 1])
        except (AuditorError, OSError):
            continue
        rows += [(number, *stated) for stated in _stated(mapping)]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


def _stated(mapping: Mapping) -> Iterator[tuple[str, bool, bool]]:
    parts = [mapping] if mapping.sheets is None else [mapping.of_sheet(role) for role in mapping.sheets.given()]
    whole = "lengths" in mapping.file.model_fields_set
    for column in LENGTHS:
        rules = [part.columns[name] for part in parts for name in (column, "length_m") if name in part.columns]
        unit = any(rule.unit is not None for rule in rules)
        yield column, unit, whole or any(rule.lengths is not None for rule in rules)

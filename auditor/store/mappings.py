"""Mappings kept in a store by the header they are for, so that a file like an earlier one needs none given."""

from __future__ import annotations

from pathlib import Path

from auditor.errors import AuditorError
from auditor.records.bindings import KEYS
from auditor.records.fault import clean
from auditor.records.mapping import FileRules, load_mapping
from auditor.records.proposing.headers import fingerprint
from auditor.records.proposing.proposal import Table
from auditor.records.proposing.tables import CSV_SUFFIXES, WORKBOOK_SUFFIXES, read_tables
from auditor.store.folder import Store, replace_text


def mapping_path(store: Store, table: Table) -> Path:
    """Where the mapping of a table's header lies, or would."""
    return store.mappings / f"{fingerprint(table.headers)}.toml"


def save_mapping(store: Store, table: Table, text: str) -> Path:
    """Keep a mapping for a table's header; AuditorError where another one is kept, which a person may have mended."""
    path = mapping_path(store, table)
    if path.exists():
        if path.read_text("utf-8") == text:
            return path
        raise AuditorError(
            f"{path}: a mapping for this header is kept already and may have been mended; it was left as it is. "
            "Remove it to keep the new one, or write that elsewhere: -o MAPPING.toml"
        )
    store.create()
    replace_text(path, text)
    return path


def saved_mapping(store: Store, path: Path) -> Path | None:
    """Return the kept mapping for a file whose header is not canonical, or None.

    It must say the same of where the header stands, or the file would be read in another way than was confirmed.
    """
    if path.suffix.lower() not in CSV_SUFFIXES + WORKBOOK_SUFFIXES or not any(store.mappings.glob("*.toml")):
        return None
    try:
        tables = read_tables(path)
    except AuditorError:
        return None  # What is wrong with the file is told when it is read.
    for table in tables:
        kept = mapping_path(store, table)
        if set(KEYS) <= {clean(header) for header in table.headers} or not kept.exists():
            continue
        if _reads(load_mapping(kept).file, table):
            return kept
    return None


def keep_mapping(store: Store, path: Path, mapping: Path) -> Path | None:
    """Keep the mapping that a file was read by for its header; None where the file has no one header to know it by.

    AuditorError where another mapping is kept for that header.
    """
    rules = load_mapping(mapping)
    if path.suffix.lower() not in CSV_SUFFIXES + WORKBOOK_SUFFIXES or rules.sheets is not None:
        return None
    fitting = [table for table in read_tables(path) if _reads(rules.file, table)]
    return save_mapping(store, fitting[0], mapping.read_text("utf-8")) if len(fitting) == 1 else None


def _reads(rules: FileRules, table: Table) -> bool:
    """Whether a mapping's rules find a table's header where it stands."""
    found = rules.header_row == table.header_row and rules.delimiter == table.delimiter
    return found and _same_sheet(rules.sheet, table)


def _same_sheet(sheet: str | None, table: Table) -> bool:
    return sheet is None or table.sheet is None or clean(sheet) == clean(table.sheet)

"""Mended rows: which import they belong to, how they are read, and what they say beside what that import said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import polars as pl

from auditor.errors import AuditorError
from auditor.records import Mapping, Reading, identity_mapping, load_mapping, read_records
from auditor.records.frames import SOURCE_ROW, table_schema_of
from auditor.records.mapping import SheetRole
from auditor.records.mended import MendedSheet, Progress, mapping_of_mended, mended_sheets, read_mended
from auditor.records.merging import (
    APART,
    in_order,
    merge_circuits,
    merge_facts,
    name_by_role,
    role_prefix,
    tell_places,
)
from auditor.records.parts import ROW, RUN_FACTS, SYSTEM_FACTS
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Table
from auditor.store.folder import Store
from auditor.store.originals import Import, original_path
from auditor.store.rejects import MENDED_SCHEMA, PLACE

Connection = duckdb.DuckDBPyConnection

#: Whose a fact may be.
_OWNER = ("system_id", "circuit_id", "combiner_id")


@dataclass(frozen=True)
class Read:
    """What came of reading a file for an import; `mended` names the rows of import `mends` that it replaces."""

    reading: Reading
    mended: pl.DataFrame | None = None


def mended_imports(path: Path) -> list[int]:
    """The imports whose rows a workbook gives mended, ascending; none where it is an ordinary file."""
    return sorted({sheet.origin.import_id for sheet in mended_sheets(path)})


def mapping_of(store: Store, entries: Sequence[Import], entry: Import, path: Path | None = None) -> Mapping:
    """The mapping that an import is, or was, read by; of mended rows, the original's as their workbook needs it.

    `path` is the file where it is not among the originals yet.
    """
    if entry.mends:
        file = path or original_path(store, entry.sha256, entry.file_name)
        return mapping_of_mended(mapping_of(store, entries, entries[entry.mends - 1]), _sheets_of(file, entry.mends))
    if entry.mapping_sha256:
        return load_mapping(original_path(store, entry.mapping_sha256, entry.mapping_name))
    return identity_mapping()


def read_entry(
    con: Connection,
    store: Store,
    entries: Sequence[Import],
    entry: Import,
    path: Path,
    progress: Progress | None = None,
) -> Read:
    """Read the file of an import of mended rows, or any other whose mapping is kept."""
    if not entry.mends:
        return Read(read_records(path, mapping_of(store, entries, entry), progress))
    sheets = _sheets_of(path, entry.mends)
    for sheet in sheets:
        _check_origin(path, entries, sheet)
    held = _frame(con, "SELECT system_id, circuit_id FROM circuit WHERE row_hash <> $place", {"place": PLACE})
    reading = read_mended(path, mapping_of(store, entries, entry, path), sheets, held, progress)
    rows = [(row, sheet.origin.sheet) for sheet in sheets for row in sheet.rows]
    beside = _beside(con, reading, entry.mends, _Places(store, entries, entry, path))
    return Read(beside, pl.DataFrame(rows, schema=MENDED_SCHEMA, orient="row"))


def _sheets_of(path: Path, import_id: int) -> list[MendedSheet]:
    return [sheet for sheet in mended_sheets(path) if sheet.origin.import_id == import_id]


def _check_origin(path: Path, entries: Sequence[Import], sheet: MendedSheet) -> None:
    number = sheet.origin.import_id
    if not 0 < number <= len(entries) or not entries[number - 1].sha256.startswith(sheet.origin.sha256):
        raise AuditorError(
            f"{path}, sheet {sheet.name!r}: its rows come from an import that this store does not hold. Import it into"
            " the store that exported it."
        )


def _frame(con: Connection, query: str, values: dict[str, str] | None = None) -> pl.DataFrame:
    found = pl.from_arrow(con.sql(query, params=values).to_arrow_table())
    assert isinstance(found, pl.DataFrame)
    return found


@dataclass(frozen=True)
class _Places:
    """Says where rows stand: those of the file that is read as `entry`, and those that other imports gave."""

    store: Store
    entries: Sequence[Import]
    entry: Import
    path: Path

    def told(self, table: Table, conflicts: pl.DataFrame) -> pl.DataFrame:
        """Conflicts of a table's rows with their files and sheets; rows of other imports stand `APART` times theirs."""
        imports = (conflicts["rows"].explode() // APART).unique().to_list()
        return tell_places(conflicts, {number: self._place(table, number) for number in imports})

    def _place(self, table: Table, number: int) -> tuple[str | None, str | None]:
        if not number:
            return None, _sheet_of(mapping_of(self.store, self.entries, self.entry, self.path), table)
        entry = self.entries[number - 1]
        sheet = _sheet_of(mapping_of(self.store, self.entries, entry), table)
        return f"{entry.file_name} (import {number})", sheet


def _sheet_of(mapping: Mapping, table: Table) -> str | None:
    """The sheet on which a mapping's file has the rows of a table; None where it has none, or may have them on two."""
    if mapping.sheets is None:
        return mapping.file.sheet
    given = mapping.sheets.given()
    if table is RUN and "runs" not in given and "systems" in given:
        return None
    role: SheetRole = "systems" if table is SYSTEM else "runs" if table is RUN else "circuits"
    return given.get(role, given["circuits"]).sheet


def _beside(con: Connection, reading: Reading, mends: int, places: _Places) -> Reading:
    """Merge mended rows with what is held, as if they stood in their file beside its other rows.

    An empty cell says nothing, and a fact on which they disagree is missing and told. That holds for systems and shared
    runs; of circuits, for those that other rows of that import gave: any other circuit's rows stand as they are.
    """
    tables = reading.tables
    shared = pl.col("circuit_id").is_null()
    own = f"import_id = {mends}"
    system, of_systems = merge_facts(_with_held(con, SYSTEM, tables.system, "true"), SYSTEM.key, SYSTEM_FACTS)
    runs = _with_held(con, RUN, tables.run.filter(shared), "circuit_id IS NULL")
    run, of_shared = merge_facts(runs, RUN.key, RUN_FACTS)
    circuit, home, _, of_circuits = merge_circuits(
        _with_held(con, CIRCUIT, tables.circuit, own),
        _with_held(con, RUN, tables.run.filter(~shared), own),
        pl.DataFrame(schema=table_schema_of(UNIT) | {ROW: pl.Int64()}),
    )
    of_home_run = pl.col("column").str.starts_with("home_run_")
    told = (
        places.told(SYSTEM, of_systems),
        places.told(RUN, pl.concat([name_by_role(of_shared), of_circuits.filter(of_home_run)], how="diagonal")),
        places.told(CIRCUIT, of_circuits.filter(~of_home_run)),
    )
    conflicts = pl.concat([tables.conflicts, *told], how="diagonal")
    once = conflicts.unique([*_OWNER, "column"], keep="first", maintain_order=True)
    lost = _named(pl.concat([_frame(con, f"SELECT * FROM conflict WHERE {own}"), tables.conflicts], how="diagonal"))
    changed = replace(
        tables,
        system=_settled(system, tables.system, SYSTEM, lost),
        circuit=_settled(circuit, tables.circuit, CIRCUIT, lost),
        run=_settled(pl.concat([run, home.select(run.columns)]), tables.run, RUN, lost),
        conflicts=in_order(once),
    )
    return replace(reading, tables=changed)


def _with_held(con: Connection, table: Table, new: pl.DataFrame, where: str) -> pl.DataFrame:
    """Return a table's new rows below the held ones of the same owners, with a `row` to tell them apart.

    The source rows of the held ones stand `APART` times their import from those of the new.
    """
    owner = [name for name in _OWNER if name in table.key]
    con.register("incoming", new.select(owner).to_arrow())
    match = " AND ".join(f"h.{key} IS NOT DISTINCT FROM i.{key}" for key in owner)
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    columns += f", source_row + import_id::BIGINT * {APART} AS source_row"
    query = f"SELECT {columns} FROM {table.name} h SEMI JOIN incoming i ON {match} WHERE row_hash <> $place AND {where}"
    held = _frame(con, query, {"place": PLACE})
    con.unregister("incoming")
    first = held.with_columns(pl.lit(0, pl.Int64).alias(ROW))
    return pl.concat([first, new.with_columns(pl.col(SOURCE_ROW).alias(ROW))])


def _named(conflicts: pl.DataFrame) -> pl.Series:
    """Return each disputed fact as one text: whose it is, and what conflicts call it."""
    return conflicts.select(_name(_OWNER, pl.col("column")))["name"].unique()


def _name(owner: Sequence[str], column: pl.Expr) -> pl.Expr:
    keys = [pl.col(key).fill_null("") if key in owner else pl.lit("") for key in _OWNER]
    return pl.concat_str([*keys, column], separator="\x1f").alias("name")


def _settled(merged: pl.DataFrame, new: pl.DataFrame, table: Table, lost: pl.Series) -> pl.DataFrame:
    """Return merged rows in order, at the row of the new file, without facts on which rows of the old one disagreed."""
    facts = [name for name in merged.columns if name not in (*table.key, SOURCE_ROW)]
    prefix = role_prefix() if table is RUN else pl.lit("")
    kept = [
        pl.when(~_name(table.key, prefix + pl.lit(fact)).is_in(lost.implode())).then(fact).alias(fact) for fact in facts
    ]
    own = new.select(*table.key, pl.col(SOURCE_ROW).alias("own"))
    rows = merged.with_columns(kept).join(own, on=table.key, how="left", nulls_equal=True)
    placed = rows.with_columns(pl.coalesce("own", pl.col(SOURCE_ROW) % APART).alias(SOURCE_ROW))
    return placed.select(list(table_schema_of(table))).sort(list(table.key))

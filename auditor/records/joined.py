"""Sheets that belong together: systems on one, their circuits on another, their runs on a third, joined by id.

Every row of every sheet is a row of the file. A row that rests on a refused one is refused too, and names it: a circuit
whose run could not be read would otherwise show too small a rise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import polars as pl

from auditor.errors import AuditorError
from auditor.records.bindings import KEYS, Plan, plan_columns
from auditor.records.casting import cast_frame, cast_rows
from auditor.records.frames import (
    FAULT_SCHEMA,
    KIND_TYPES,
    REJECT_SCHEMA,
    ROW_NUMBER,
    SOURCE_ROW,
    WARNING_SCHEMA,
    Reading,
    Tables,
    on_sheet,
    table_schema_of,
    whose,
)
from auditor.records.joined_rules import ROW_KEYS, Sheet, resolve
from auditor.records.mapping import Mapping, SheetRole, sheet_columns
from auditor.records.merging import APART, in_order, merge_facts, name_by_role, tell_places
from auditor.records.parts import ROW, RUN_FACTS, Parts, part_rows
from auditor.records.schema import RUN, simple_columns
from auditor.records.sheet_table import SheetTable, choose_sheet, open_sheet
from auditor.records.split import Split, split
from auditor.records.totals import TOTALS_ROW
from auditor.records.workbook import Workbook

Progress = Callable[[int, int | None], None]
_REQUIRED: dict[SheetRole, tuple[str, ...]] = {
    "systems": ("system_id",),
    "circuits": KEYS,
    "runs": ("system_id", "role"),
}


def read_joined(
    book: Workbook, mapping: Mapping, progress: Progress | None = None, held: pl.DataFrame | None = None
) -> Reading:
    """Read the sheets that the mapping names; AuditorError when one cannot be relied on or the rows do not add up.

    Rows may belong with a circuit that is not on the sheets but among `held` (system_id, circuit_id).
    """
    given: Sequence[SheetRole] = list(mapping.sheets.given()) if mapping.sheets else []
    tables = {role: open_role(book, mapping.of_sheet(role), role) for role in given}
    total = sum(table.rows for table in tables.values())
    done = 0
    sheets: dict[SheetRole, Sheet] = {}
    for role, table in tables.items():
        start = done

        def advance(rows: int, start: int = start) -> None:
            if progress is not None:
                progress(start + rows, total)

        sheets[role] = _gather(role, table, advance)
        done += table.rows
    resolve(sheets, held)
    return _finish(book, sheets)


def open_role(book: Workbook, mapping: Mapping, role: SheetRole) -> SheetTable:
    """Open the sheet of one role by its own mapping."""
    sheet, survey = choose_sheet(book, mapping.file.sheet, mapping.file.header_row)
    known, required = sheet_columns(role), _REQUIRED[role]

    def plan(headers: Sequence[str], rules: Mapping, where: str) -> Plan:
        return plan_columns(headers, rules, where, known, required)

    return open_sheet(book, sheet, survey, mapping, plan, required)


def _gather(role: SheetRole, table: SheetTable, advance: Callable[[int], None]) -> Sheet:
    """Cast a sheet's rows; the key columns and those of a run's place are there, whether the sheet has them or not."""
    bindings = table.plan.bindings
    keys = [b for b in bindings if b.canonical in KEYS]
    typed, refused, done = [pl.DataFrame(schema=_least(role))], [pl.DataFrame(schema=ROW_KEYS)], 0
    sheet = Sheet(role, table, typed[0], refused[0])
    for chunk in table.chunks():
        cast = cast_rows(chunk.frame, bindings, chunk.faults, _REQUIRED[role])
        records = cast.rejects.filter(pl.col("code") != TOTALS_ROW).select(ROW_NUMBER).unique()
        bad = chunk.frame.join(records, on=ROW_NUMBER, how="semi")
        typed.append(cast.rows)
        refused.append(cast_frame(bad, keys, ()).rows)
        sheet.rejects.append(cast.rejects)
        sheet.warnings.append(on_sheet(cast.warnings, sheet.name))
        sheet.blank += cast.blank
        done += chunk.frame.height
        advance(done)
    sheet.rows = pl.concat(typed, how="diagonal")
    sheet.refused = pl.concat(refused, how="diagonal").select(list(ROW_KEYS))
    return sheet


def _least(role: SheetRole) -> dict[str, pl.DataType]:
    if role != "runs":
        return ROW_KEYS
    return ROW_KEYS | {name: KIND_TYPES[RUN.column(name).kind] for name in ("combiner_id", "role", "run_order")}


def _finish(book: Workbook, sheets: dict[SheetRole, Sheet]) -> Reading:
    circuits = sheets["circuits"]
    systems, runs = sheets.get("systems"), sheets.get("runs")
    parts = [part_rows(circuits.rows)] + ([_system_parts(systems)] if systems else [])
    result = split(parts)
    duplicate = result.duplicates.height
    told = {role: pl.concat([pl.DataFrame(schema=FAULT_SCHEMA), *sheet.rejects]) for role, sheet in sheets.items()}
    tables = _tables(result, circuits, systems, runs)
    present = _present(sheets)
    reading = Reading(
        tables=tables,
        rejects=pl.concat(
            on_sheet(frame.sort(ROW_NUMBER, maintain_order=True), sheets[role].name) for role, frame in told.items()
        ),
        duplicates=result.duplicates,
        unmapped=_names(sheets, lambda sheet: sheet.table.unmapped()),
        absent=tuple(name for name in simple_columns() if name not in present),
        ignored=_names(sheets, lambda sheet: sheet.table.plan.ignored),
        present=present,
        rows_in=sum(sheet.table.rows - sheet.blank for sheet in sheets.values()),
        accepted=sum(sheet.rows.height for sheet in sheets.values()) - duplicate,
        rejected=sum(frame[ROW_NUMBER].n_unique() for frame in told.values()),
        duplicate=duplicate + sum(sheet.duplicates for sheet in sheets.values()),
        notes=tuple(note for sheet in sheets.values() for note in sheet.table.notes()),
        row_keys=_row_keys(result, systems, runs),
        refused=_refused(circuits, systems),
        keys=pl.concat([on_sheet(sheet.refused, sheet.name) for sheet in sheets.values()]),
        warnings=pl.concat([pl.DataFrame(schema=WARNING_SCHEMA), *map(_warnings, sheets.values())]),
    )
    if reading.rows_in != reading.accepted + reading.rejected + reading.duplicate:
        raise AuditorError(
            f"{book.path}: row-count: of {reading.rows_in} rows {reading.accepted} were accepted, {reading.rejected} "
            f"rejected and {reading.duplicate} repeated, which do not add up; nothing was taken from this file"
        )
    return reading


def _warnings(sheet: Sheet) -> pl.DataFrame:
    """Return the sheet's cells that count as missing, with the ids of their rows, refused since or not."""
    rows = pl.concat([sheet.rows.select(list(ROW_KEYS)), sheet.refused.select(list(ROW_KEYS))])
    return whose(pl.concat([pl.DataFrame(schema=REJECT_SCHEMA), *sheet.warnings]), rows)


def _refused(circuits: Sheet, systems: Sheet | None) -> pl.DataFrame:
    """Return whose the refused rows are: circuits, and systems of which no circuit is listed."""
    own = circuits.refused.filter(pl.col("system_id").is_not_null())
    if systems is not None:
        alone = systems.refused.filter(pl.col("system_id").is_not_null())
        listed = pl.concat(
            [own.select("system_id"), circuits.rows.select("system_id"), systems.rows.select("system_id")]
        )
        own = pl.concat([own, alone.join(listed, on="system_id", how="anti")])
    return own.select("system_id", "circuit_id", pl.col(ROW_NUMBER).alias(SOURCE_ROW))


def _system_parts(systems: Sheet) -> Parts:
    """Return the parts of the systems' rows, none of which is a circuit.

    Each has a stand-in for a circuit's id of its own: two rows of one system differ on facts and not on a key. Their
    keys and numbers differ by `APART` from those of the circuits' rows.
    """
    parts = part_rows(systems.rows)
    rows = parts.rows.with_columns(
        pl.col(ROW) + APART,
        pl.col(ROW_NUMBER) + APART,
        pl.lit(False).alias("has_circuit"),
        pl.format("\0{}", ROW_NUMBER).alias("circuit_id"),
    )
    return replace(parts, rows=rows, home_runs=parts.home_runs.clear())


def _tables(result: Split, circuits: Sheet, systems: Sheet | None, runs: Sheet | None) -> Tables:
    """Add the runs' sheet to the tables; a system's source row is that of its own sheet. Conflicts name their sheets.

    Runs that state one order and disagree are one run, whose facts are missing where they do.
    """
    names = {0: (None, circuits.name), 1: (None, systems.name if systems else None)}
    own_row = pl.col(SOURCE_ROW) % APART
    tables = replace(
        result.tables,
        system=result.tables.system.with_columns(own_row),
        run=result.tables.run.with_columns(own_row),
        conflicts=tell_places(result.tables.conflicts, names),
    )
    if runs is not None and runs.rows.height:
        schema = table_schema_of(RUN)
        rows = runs.rows.rename({ROW_NUMBER: SOURCE_ROW})
        listed = rows.select(
            pl.col(name) if name in rows.columns else pl.lit(None, dtype=dtype).alias(name)
            for name, dtype in schema.items()
        )
        merged, told = merge_facts(listed, RUN.key, RUN_FACTS)
        run = pl.concat([tables.run, merged.select(list(schema))]).sort(list(RUN.key))
        of_runs = tell_places(name_by_role(told), {0: (None, runs.name)})
        conflicts = pl.concat([tables.conflicts, of_runs], how="diagonal")
        tables = replace(tables, run=run, conflicts=in_order(conflicts))
    if systems is not None:
        first = systems.rows.group_by("system_id").agg(pl.col(ROW_NUMBER).min().alias("own"))
        system = tables.system.join(first, on="system_id", how="left", maintain_order="left")
        system = system.with_columns(pl.coalesce("own", SOURCE_ROW).alias(SOURCE_ROW)).drop("own")
        tables = replace(tables, system=system)
    return tables


def _present(sheets: dict[SheetRole, Sheet]) -> frozenset[str]:
    """Return the canonical columns that are stated; those of runs with the role before them."""
    names: set[str] = set()
    for role, sheet in sheets.items():
        columns = {b.canonical for b in sheet.table.plan.bindings} | set(sheet.rows.columns) - set(_least(role))
        if role == "runs":
            roles = [str(run).replace(" ", "_") for run in sheet.rows["role"].unique()]
            names |= {f"{run}_{fact}" for run in roles for fact in columns & set(RUN_FACTS)}
        else:
            names |= columns
    return frozenset(names)


def _row_keys(result: Split, systems: Sheet | None, runs: Sheet | None) -> pl.DataFrame:
    none = pl.lit(None, dtype=pl.String).alias("circuit_id")
    keys = result.tables.circuit.select(KEYS) if result.row_keys is None else result.row_keys
    frames = [keys.filter(pl.col("circuit_id").is_not_null())]
    if systems is not None:
        frames.append(systems.rows.select("system_id", none))
    if runs is not None:
        frames.append(runs.rows.select(KEYS))
    return pl.concat(frames)


def _names(sheets: dict[SheetRole, Sheet], names: Callable[[Sheet], Sequence[str]]) -> tuple[str, ...]:
    return tuple(f"{sheet.name}!{name}" for sheet in sheets.values() for name in names(sheet))

"""Readings, events and complaints: one import of them, and what the store holds of a system."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from auditor.records.evidence_mapping import load_evidence_mapping
from auditor.records.evidence_schema import COMPLAINT, EVENT, IMPORTED_AS, READING
from auditor.records.instants import checked_zone
from auditor.store.decisions import OPEN, SETTLED
from auditor.store.evidence_db import Connection, EvidenceOutcome, Progress, apply_evidence
from auditor.store.folder import Store
from auditor.store.originals import (
    Import,
    ImportedAs,
    file_hash,
    keep_import,
    read_manifest,
)

#: What a fit takes of a reading; the rest of its columns is what people note.
FIGURES = ("start", "duration_s", "mean_v", "max_v", "power_kw")


@dataclass(frozen=True)
class EvidenceImported:
    """What came of one file. `import_id` is 0 where nothing was kept: a dry run, or nothing new."""

    import_id: int
    file_name: str
    imported_as: ImportedAs
    outcome: EvidenceOutcome
    seen_in: int


def import_evidence(
    con: Connection,
    store: Store,
    path: Path,
    imported_as: ImportedAs,
    zone: str = "",
    mapping: Path | None = None,
    *,
    imported_on: str,
    dry_run: bool = False,
    progress: Progress | None = None,
    name: str = "",
) -> EvidenceImported:
    """Read a file of evidence and apply it; with `dry_run`, say what would happen and change nothing.

    `zone` is that of times without an offset, `mapping` says how foreign columns are read, `name` what the file is
    called where it lies under another name. As with records, the manifest's line comes before the database's
    transaction. Errors: AuditorError where the file as a whole is refused.
    """
    entries = read_manifest(store)
    rules = load_evidence_mapping(mapping, IMPORTED_AS[imported_as]) if mapping else None
    entry = Import(
        import_id=len(entries) + 1,
        file_name=name or path.name,
        sha256=file_hash(path),
        mapping_name=mapping.name if mapping else "",
        mapping_sha256=file_hash(mapping) if mapping else "",
        imported_as=imported_as,
        zone=checked_zone(zone) if zone else "",
        imported_on=imported_on,
    )
    same = [e.import_id for e in entries if _input(e) == _input(entry)]
    con.execute("BEGIN")
    try:
        outcome = apply_evidence(con, entry, path, progress, rules)
        done = EvidenceImported(entry.import_id, entry.file_name, imported_as, outcome, same[-1] if same else 0)
        if dry_run or (same and outcome.accepted == 0):
            con.execute("ROLLBACK")
            return EvidenceImported(0, done.file_name, imported_as, outcome, done.seen_in)
        keep_import(store, entry, path, *([mapping] if mapping else []))
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")
    return done


def _input(entry: Import) -> tuple[str, str, str, str]:
    return entry.sha256, entry.imported_as, entry.zone, entry.mapping_sha256


def systems_with_readings(con: Connection) -> list[str]:
    """The systems that readings were imported for, in order; some may have no record."""
    rows = con.execute("SELECT DISTINCT system_id FROM reading ORDER BY system_id").fetchall()
    return [row[0] for row in rows]


def readings_of(con: Connection, system_id: str) -> pl.DataFrame:
    """The readings of one system by place, circuit, unit, leg and start: the declared columns; `start` is in UTC."""
    return _of_system(con, READING.name, [column.name for column in READING.columns], system_id)


def readings_in_turn(con: Connection, counts: Sequence[tuple[str, int]], most: int) -> Iterator[pl.DataFrame]:
    """The readings of systems that follow each other, one row for each place and leg, in any order: FIGURES are lists.

    `counts` are all systems with readings between two ids, in order, and how many each has. A frame holds whole
    systems, up to `most` readings or one system; `start` is in UTC.
    """
    keys = [f'"{key}"' for key in READING.key if key != "start"]
    lists = ", ".join(f'list("{name}") AS "{name}"' for name in FIGURES)
    query = (
        f'SELECT {", ".join(keys)}, {lists} FROM "{READING.name}" WHERE system_id BETWEEN $first AND $last GROUP BY ALL'
    )
    first = 0
    while first < len(counts):
        last, held = first, counts[first][1]
        while last + 1 < len(counts) and held + counts[last + 1][1] <= most:
            last += 1
            held += counts[last][1]
        ends = {"first": counts[first][0], "last": counts[last][0]}
        found = pl.from_arrow(con.sql(query, params=ends).to_arrow_table(), rechunk=False)
        assert isinstance(found, pl.DataFrame)
        yield found
        first = last + 1


def events_of(con: Connection, system_id: str) -> pl.DataFrame:
    """The events of one system by start: the declared columns and `known_until`, all in UTC."""
    return _of_system(con, EVENT.name, [*(column.name for column in EVENT.columns), "known_until"], system_id)


def complaints_of(con: Connection) -> pl.DataFrame:
    """All complaints by id: the declared columns, and the row and import that told them last.

    One without a status is settled where its file gives the day on which it was.
    """
    names = [*(column.name for column in COMPLAINT.columns), "source_row", "import_id"]
    named = ", ".join(f'"{name}"' for name in names)
    found = pl.DataFrame(con.sql(f"SELECT {named} FROM complaint ORDER BY complaint_id").to_arrow_table())
    by_day = pl.when(pl.col("closed").is_null()).then(pl.lit(OPEN)).otherwise(pl.lit(SETTLED))
    return found.with_columns(pl.coalesce("status", by_day).alias("status"))


def _of_system(con: Connection, table: str, columns: list[str], system_id: str) -> pl.DataFrame:
    named = ", ".join(f'"{name}"' for name in columns)
    order = ", ".join(f'"{key}" NULLS FIRST' for key in ("start", "circuit_id", "unit"))
    first = "place, circuit_id NULLS FIRST, unit NULLS FIRST, leg NULLS FIRST, " if table == READING.name else ""
    query = f'SELECT {named} FROM "{table}" WHERE system_id = $id ORDER BY {first}{order}'
    return pl.DataFrame(con.sql(query, params={"id": system_id}).to_arrow_table())


def events_among(con: Connection, systems: pl.DataFrame) -> pl.DataFrame:
    """The events of the systems in a frame with `system_id`: what `auditor.evidence.observed` reads, times in UTC."""
    con.register("incoming", systems.select("system_id").to_arrow())
    found = pl.DataFrame(
        con.sql(
            'SELECT system_id, circuit_id, unit, start, "end", known_until, kind FROM event'
            " SEMI JOIN incoming USING (system_id) ORDER BY ALL NULLS FIRST"
        ).to_arrow_table()
    )
    con.unregister("incoming")
    return found

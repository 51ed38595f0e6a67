"""Rejected rows in the records database: whose they are, and when they close.

A reject is open until the facts it kept out come in, or until newer rejects stand for the same row. Closing follows
the order of the imports alone, so a rebuilt database closes alike. A row of totals is told and was never open.
"""

from __future__ import annotations

from collections.abc import Sequence

import duckdb
import polars as pl

from auditor.records import Reading
from auditor.records.frames import REJECT_SCHEMA, ROW_NUMBER, SOURCE_ROW
from auditor.records.totals import TOTALS_ROW
from auditor.store.originals import Import

Connection = duckdb.DuckDBPyConnection

#: Row hash of a circuit, or of its system, that stands in the place of a refused row.
PLACE = "refused"

#: SQL for whether a reject waits to be mended. A row of totals is nobody's: it waits for nothing, and never closes.
OPEN = f"closed_by IS NULL AND code <> '{TOTALS_ROW}'"

#: Columns of the table `reject` behind the import's id: whose row it is as far as that can be read, and the import
#: that closed it.
SCHEMA: dict[str, pl.DataType] = REJECT_SCHEMA | {
    "system_id": pl.String(),
    "circuit_id": pl.String(),
    "closed_by": pl.Int32(),
}
#: Rows of other imports that mended rows replace.
MENDED_SCHEMA: dict[str, pl.DataType] = {ROW_NUMBER: pl.Int64(), "sheet": pl.String()}


def rejects_of(reading: Reading) -> pl.DataFrame:
    """The rejects of a reading with whose rows they are: `SCHEMA`.

    Where several rows of one number were refused, as circuits of a nested system are, a key they differ on is null.
    """
    on = [ROW_NUMBER]
    if reading.keys is not None:
        keys, on = reading.keys, [ROW_NUMBER, "sheet"]
    elif reading.refused is not None:
        keys = reading.refused.rename({SOURCE_ROW: ROW_NUMBER})
    else:
        keys = pl.DataFrame(schema={ROW_NUMBER: pl.Int64(), "system_id": pl.String(), "circuit_id": pl.String()})
    names = ("system_id", "circuit_id")
    once = keys.group_by(on).agg(
        pl.when(pl.col(name).n_unique() == 1).then(pl.col(name).first()).alias(name) for name in names
    )
    told = reading.rejects.join(once, on=on, how="left", nulls_equal=True, maintain_order="left")
    return told.with_columns(pl.lit(None, pl.Int32).alias("closed_by")).select(list(SCHEMA))


def close_rejects(con: Connection, entry: Import, mended: pl.DataFrame | None) -> int:
    """Close the open rejects of earlier imports that this one settles; return how many rows that are.

    Reads the import's rows in `new_system` and `new_circuit`. `mended` names the rows of import `entry.mends` that
    this one replaces. Four things close a reject: its row was mended; the circuit it is about came in; of one whose
    circuit cannot be read, the system came in and nothing in it stands in for a refused row any more; or the same
    file, or one of its name with the same row, was imported again.
    """
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE open_reject AS SELECT rowid AS id, * FROM reject"
        f" SEMI JOIN (FROM import WHERE imported_as = 'records') USING (import_id) WHERE {OPEN}"
    )
    named = (
        "FROM open_reject SEMI JOIN (SELECT import_id FROM import WHERE file_name = $name) USING (import_id)"
        " WHERE import_id < $this"
    )
    now = "FROM open_reject WHERE import_id = $this"
    con.execute(
        "CREATE OR REPLACE TEMP TABLE closing AS"
        " SELECT id FROM open_reject SEMI JOIN (SELECT system_id, circuit_id FROM new_circuit WHERE row_hash <> $place)"
        "  USING (system_id, circuit_id) WHERE import_id < $this"
        " UNION SELECT id FROM open_reject SEMI JOIN (FROM new_system WHERE row_hash <> $place) USING (system_id)"
        "  ANTI JOIN (FROM circuit WHERE row_hash = $place) USING (system_id)"
        "  WHERE import_id < $this AND circuit_id IS NULL"
        " UNION SELECT id FROM open_reject SEMI JOIN (SELECT import_id FROM import WHERE sha256 = $sha256"
        "  AND mends = $mends AND import_id < $this) USING (import_id)"
        f" UNION SELECT id FROM ({named}) o SEMI JOIN ({now}) n ON o.sheet IS NOT DISTINCT FROM n.sheet"
        "  AND o.system_id = n.system_id AND o.circuit_id = n.circuit_id"
        f" UNION SELECT id FROM ({named}) o SEMI JOIN ({now}) n ON o.sheet IS NOT DISTINCT FROM n.sheet"
        "  AND o.system_id IS NOT DISTINCT FROM n.system_id AND o.row_number = n.row_number"
        "  AND o.circuit_id IS NULL AND n.circuit_id IS NULL",
        {
            "place": PLACE,
            "this": entry.import_id,
            "sha256": entry.sha256,
            "mends": entry.mends,
            "name": entry.file_name,
        },
    )
    if mended is not None:
        con.register("incoming", mended.to_arrow())
        con.execute(
            "INSERT INTO closing SELECT id FROM open_reject o SEMI JOIN incoming m ON o.row_number = m.row_number"
            " AND o.sheet IS NOT DISTINCT FROM m.sheet WHERE o.import_id = ?",
            [entry.mends],
        )
        con.unregister("incoming")
    closed = count_rows(con, "open_reject SEMI JOIN closing USING (id)")
    if closed:
        con.execute("UPDATE reject SET closed_by = ? WHERE rowid IN (FROM closing)", [entry.import_id])
    return closed


def drop_places(con: Connection, entry: Import, mended: pl.DataFrame) -> None:
    """Mark as gone what stood in for rows that were mended and are about another circuit now, or about none.

    Reads `place`, the circuits that stand in for refused rows of this import.
    """
    con.register("incoming", mended.to_arrow())
    con.execute(
        "CREATE OR REPLACE TEMP TABLE left_place AS SELECT DISTINCT c.system_id, c.circuit_id FROM circuit c"
        " JOIN reject r ON r.import_id = $mends AND c.row_hash = $place AND c.system_id = r.system_id"
        "  AND c.circuit_id = coalesce(r.circuit_id, '(row ' || r.row_number || ')')"
        " SEMI JOIN incoming m ON r.row_number = m.row_number AND r.sheet IS NOT DISTINCT FROM m.sheet"
        " ANTI JOIN new_circuit n ON n.system_id = c.system_id AND n.circuit_id = c.circuit_id"
        " ANTI JOIN place p ON p.system_id = c.system_id AND p.circuit_id = c.circuit_id",
        {"mends": entry.mends, "place": PLACE},
    )
    con.unregister("incoming")
    con.execute("INSERT INTO gone_circuit FROM left_place ANTI JOIN gone_circuit USING (system_id, circuit_id)")
    con.execute(
        "INSERT INTO gone_system SELECT system_id FROM system SEMI JOIN left_place USING (system_id)"
        " ANTI JOIN new_system USING (system_id) ANTI JOIN (FROM circuit ANTI JOIN gone_circuit"
        "  USING (system_id, circuit_id)) USING (system_id) WHERE row_hash = ?",
        [PLACE],
    )


def count_rows(con: Connection, rejects: str = f"reject WHERE {OPEN}") -> int:
    """How many rows of files the rejects are about; by default those that are open."""
    found = con.execute(f"SELECT count(DISTINCT (import_id, sheet, row_number)) FROM {rejects}").fetchall()
    return int(found[0][0])


def count_open(con: Connection, imports: Sequence[int]) -> int:
    """How many rows of these imports wait to be mended."""
    listed = ", ".join(map(str, imports))
    return count_rows(con, f"reject WHERE {OPEN} AND import_id IN ({listed})") if listed else 0

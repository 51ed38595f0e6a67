"""A chunk of rows taken apart: what belongs to the system, to shared runs, to the circuit and to its own runs.

Parts are kept instead of whole rows so that memory follows the tables and not the file, where every row repeats its
system's facts. Each row holds the key of the shared part it stated, so a row refused later takes its facts with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.records.frames import KIND_TYPES, ROW_NUMBER, simple_schema
from auditor.records.schema import CIRCUIT, RUN, RUN_COLUMNS, SYSTEM, UNIT

#: Key of a row within the file; of the system facts and shared runs it stated; hash of all it states.
ROW, PART, CONTENT = "row", "part", "content"

SYSTEM_FACTS = tuple(c.name for c in SYSTEM.columns if c.name not in SYSTEM.key)
CIRCUIT_FACTS = tuple(c.name for c in CIRCUIT.columns)
RUN_FACTS = tuple(c.name for c in RUN.columns if c.name not in RUN.key)
UNIT_TYPES = {c.name: KIND_TYPES[c.kind] for c in UNIT.columns}
RUN_TYPES = {c.name: KIND_TYPES[c.kind] for c in RUN.columns}
SHARED_RUN_COLUMNS = tuple(name for name, (role, _) in RUN_COLUMNS.items() if role != "home run")
HOME_RUN_COLUMNS = tuple(name for name, (role, _) in RUN_COLUMNS.items() if role == "home run")


@dataclass(frozen=True)
class Parts:
    """The parts of some rows.

    rows: row, row_number, part, content, has_circuit and the circuit's columns; systems: part, system_id and its
    facts; shared_runs: part and the columns of `run`; home_runs and units: row and the columns of their table.
    """

    rows: pl.DataFrame
    systems: pl.DataFrame
    shared_runs: pl.DataFrame
    home_runs: pl.DataFrame
    units: pl.DataFrame


def full_rows(rows: pl.DataFrame, link: str = ROW_NUMBER) -> pl.DataFrame:
    """Return the link and every column of the simple file, absent ones null."""
    return rows.select(
        pl.col(link),
        *(
            pl.col(name) if name in rows.columns else pl.lit(None, dtype=dtype).alias(name)
            for name, dtype in simple_schema().items()
            if name != ROW_NUMBER
        ),
    )


def part_rows(rows: pl.DataFrame) -> Parts:
    """Take typed simple rows apart.

    Keys and contents are 64-bit hashes: two different contents of one circuit meet by chance once in 10^19.
    """
    full = full_rows(rows)
    facts = full.drop(ROW_NUMBER)
    shared = facts.select("system_id", *SYSTEM_FACTS, "combiner_id", *SHARED_RUN_COLUMNS)
    keyed = full.with_columns(
        pl.col(ROW_NUMBER).alias(ROW),
        shared.hash_rows(seed=1).alias(PART),
        facts.hash_rows(seed=2).alias(CONTENT),
        pl.lit(True).alias("has_circuit"),
    )
    once = keyed.unique(PART, keep="first", maintain_order=True)
    return Parts(
        rows=keyed.select(ROW, ROW_NUMBER, PART, CONTENT, "has_circuit", *CIRCUIT_FACTS),
        systems=once.select(PART, "system_id", *SYSTEM_FACTS),
        shared_runs=runs_of_columns(once, SHARED_RUN_COLUMNS, PART),
        home_runs=runs_of_columns(keyed, HOME_RUN_COLUMNS, ROW),
        units=pl.DataFrame(schema=dict[str, pl.DataType]({ROW: pl.Int64()}) | UNIT_TYPES),
    )


def runs_of_columns(rows: pl.DataFrame, columns: Sequence[str], link: str) -> pl.DataFrame:
    """Return one run for each role of these simple columns that states anything: the link and the columns of `run`."""
    roles = list(dict.fromkeys(RUN_COLUMNS[name][0] for name in columns))
    frames = [_runs_of_role(rows, role, columns, link) for role in roles]
    return pl.concat(frames)


def _runs_of_role(rows: pl.DataFrame, role: str, columns: Sequence[str], link: str) -> pl.DataFrame:
    stated = {RUN_COLUMNS[name][1]: name for name in columns if RUN_COLUMNS[name][0] == role}
    owners = {
        "system_id": pl.col("system_id"),
        "circuit_id": pl.col("circuit_id") if role == "home run" else pl.lit(None, dtype=pl.String),
        "combiner_id": pl.col("combiner_id") if role == "feeder" else pl.lit(None, dtype=pl.String),
        "role": pl.lit(role),
        "run_order": pl.lit(1, dtype=pl.Int64),
    }
    some = rows.filter(pl.any_horizontal(pl.col(name).is_not_null() for name in stated.values()))
    cells = owners | {fact: pl.col(name) for fact, name in stated.items()}
    return some.select(
        pl.col(link),
        *(cells.get(name, pl.lit(None, dtype=dtype)).alias(name) for name, dtype in RUN_TYPES.items()),
    )


def concat_parts(parts: Sequence[Parts]) -> Parts:
    """Return all parts as one, in order."""
    return Parts(
        rows=pl.concat([p.rows for p in parts]),
        systems=pl.concat([p.systems for p in parts]),
        shared_runs=pl.concat([p.shared_runs for p in parts]),
        home_runs=pl.concat([p.home_runs for p in parts]),
        units=pl.concat([p.units for p in parts]),
    )

"""One sound system as records and worked-out figures, to be made odd one cell at a time."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from auditor.policy import load_policy
from auditor.prepare import Prepared, Records
from auditor.records.frames import table_schema_of
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Table
from auditor.suspicion import Batch

AS_OF = date(2026, 1, 31)
SOUND: dict[str, Any] = {
    "latitude_deg": 43.4,
    "longitude_deg": -38.1,
    "design_date": date(2020, 3, 1),
    "permit_date": date(2020, 4, 1),
    "energized_date": date(2020, 6, 1),
    "busbar_a": 200.0,
    "main_breaker_a": 200.0,
    "inverter_count": 16,
    "arm_counts": "8+8",
    "feed": "centre",
    "breaker_a": 20.0,
    "module_count": 16,
    "stated_rise_pct": 1.4,
}
#: What the audit works out; the rise target is 2 %.
FIGURES: dict[str, Any] = {
    "unit_current_a": 1.0,
    "rise_target_pct": 2.0,
    "home_run_length_m": 20.0,
    "home_run_size": "10 AWG",
    "home_run_rise_pct": 0.8,
    "feeder_length_m": 10.0,
    "feeder_size": "4 AWG",
    "feeder_rise_pct": 0.2,
    "feeder_row": 0,
    "trunk_rise_pct": 0.4,
    "total_rise_pct": 1.4,
}


def row(table: Table, **cells: Any) -> pl.DataFrame:
    """Return one row of a canonical table; cells not given are missing."""
    schema = {name: dtype for name, dtype in table_schema_of(table).items() if name != "source_row"}
    return pl.DataFrame({name: [cells.get(name)] for name in schema}, schema=schema)


def batch_of(runs: list[dict[str, Any]] | None = None, units: list[int | None] | None = None, **cells: Any) -> Batch:
    """Return the sound system with these cells, recorded or worked out, in place of its own."""
    facts = SOUND | cells
    keys = {"system_id": "S1", "circuit_id": "1"}
    circuit = row(CIRCUIT, **keys, **facts)
    worked_out = {name: pl.Series([facts.get(name, value)]) for name, value in FIGURES.items()}
    records = Records(
        row(SYSTEM, system_id="S1", **facts),
        circuit,
        pl.concat(
            [row(UNIT).clear()]
            + [row(UNIT, **keys, unit_order=i, inverter_count=n) for i, n in enumerate(units or [], 1)]
        ),
        pl.concat([row(RUN).clear()] + [row(RUN, system_id="S1", run_order=1, **run) for run in runs or []]),
    )
    prepared = Prepared(records.system, pl.DataFrame(), circuit.with_columns(**worked_out))
    return Batch(records, prepared, load_policy(), AS_OF)

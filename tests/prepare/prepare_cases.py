"""Small portfolios of invented equipment, built in the test."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from auditor.audit import Results, audit
from auditor.catalog import Catalog, load_catalog
from auditor.policy import Policy, load_policy
from auditor.prepare import Records
from auditor.records.frames import table_schema_of
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, UNIT, Table

#: Ohm of one section and conductor with which 16 units of 1 A raise 240 V by 1.33 %: 1.33 % of 240 V over 2 x 136 A.
SECTION_OHM = 0.0133 * 240 / (2 * 136)

EQUIPMENT = f"""
[[inverter]]
model = "Unit 240"
revision = 1
effective = 2010-01-01
invented = true
rated_w = 240.0
connection = "line-line"
current_a = {{ "240" = "1.00", "208" = "1.15" }}
max_input_v = 48.0
window_low_v = 22.0
window_high_v = 48.0
max_input_a = 15.0

[[inverter]]
model = "Unit 225"
revision = 1
effective = 2010-01-01
invented = true
rated_w = 225.0
connection = "line-line"
current_a = {{ "240" = "0.94", "208" = "1.08" }}
max_input_v = 48.0
window_low_v = 22.0
window_high_v = 48.0
max_input_a = 15.0

[[inverter]]
model = "Unit N"
revision = 1
effective = 2010-01-01
invented = true
rated_w = 277.0
connection = "line-neutral"
current_a = {{ "277" = "1.00" }}

[[trunk]]
model = "Trunk 2"
revision = 1
effective = 2010-01-01
invented = true
conductor_material = "copper"
conductor_size = "12 AWG"
conductors = 2
rated_a = 20.0
max_breaker_a = 20.0
section_length_m = {{ portrait = 1.0, landscape = 1.0 }}
r_ohm_per_km = {SECTION_OHM * 1000}
x_ohm_per_km = 0.0
r_temp_c = 75.0
connectors_included = true

[[trunk]]
model = "Trunk 4"
revision = 1
effective = 2010-01-01
invented = true
conductor_material = "copper"
conductor_size = "12 AWG"
conductors = 4
rated_a = 20.0
max_breaker_a = 20.0
section_length_m = {{ portrait = 1.0, landscape = 2.0 }}
r_ohm_per_km = 8.0
x_ohm_per_km = 0.2
r_temp_c = 75.0
connectors_included = true

[[module]]
model = "Module 60"
revision = 1
effective = 2010-01-01
invented = true
power_w = 300.0
voc_v = 39.8
isc_a = 9.8
vmp_v = 32.6
imp_a = 9.2
voc_pct_per_c = -0.29
vmp_pct_per_c = -0.38
technology = "crystalline silicon"
cells = 60
"""

Row = dict[str, Any]


def catalog(folder: Path) -> Catalog:
    """The built-in tables with the invented equipment."""
    (folder / "equipment.toml").write_text(EQUIPMENT, "utf-8")
    return load_catalog([folder])


def frame(table: Table, rows: list[Row]) -> pl.DataFrame:
    """Rows as a canonical table; what a row does not say is missing."""
    schema = {name: kind for name, kind in table_schema_of(table).items() if name != "source_row"}
    assert all(row.keys() <= schema.keys() for row in rows)
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def system(**facts: Any) -> Row:
    """A split-phase system under the NEC with everything but wires."""
    usual = {"service": "120/240", "installation_code": "NEC", "code_edition": "2020", "power_factor": 1.0}
    usual |= {"grid_profile": "IEEE 1547-2018 Category II", "module_model": "Module 60", "low_design_temp_c": -10.0}
    return {"system_id": "S", **usual, **facts}


def circuit(number: int = 1, **facts: Any) -> Row:
    """A circuit of 16 units on a 20 A breaker, fed at its end."""
    usual = {"inverter_model": "Unit 240", "inverter_count": 16, "trunk_model": "Trunk 2", "orientation": "portrait"}
    usual |= {"feed": "end", "breaker_a": 20.0, "module_count": 16}
    return {"system_id": "S", "circuit_id": str(number), **usual, **facts}


def run(role: str, number: int | None = None, **facts: Any) -> Row:
    """A run of 10 AWG copper; a home run names its circuit."""
    usual = {"length_m": 0.0, "size": "10 AWG", "material": "copper", "run_order": 1}
    return {"system_id": "S", "circuit_id": number and str(number), "role": role, **usual, **facts}


def judge(
    folder: Path,
    systems: list[Row],
    circuits: list[Row],
    runs: list[Row],
    units: list[Row] | None = None,
    policy: Policy | None = None,
) -> Results:
    """Audit a portfolio built of such rows."""
    records = Records(frame(SYSTEM, systems), frame(CIRCUIT, circuits), frame(UNIT, units or []), frame(RUN, runs))
    return audit(records, catalog(folder).frames(), policy or load_policy(), date(2026, 1, 31))


def one(results: Results, circuit_id: str = "1") -> Row:
    """The result of one circuit."""
    return results.circuit.filter(circuit_id=circuit_id).row(0, named=True)

"""Cases of one system: invented ones with round figures, and all of the sample."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from auditor.audit import Results
from auditor.catalog import Catalog, load_catalog
from auditor.one_system import Case
from auditor.one_system.case import ORIGIN
from auditor.policy import Policy, load_policy
from auditor.prepare import Prepared, Records, prepare
from auditor.records.frames import table_schema_of
from auditor.records.schema import CIRCUIT, RUN, SYSTEM, TABLES, UNIT, Table
from auditor.store.records_db import Connection

Row = dict[str, Any]

#: One section of trunk is 2 m of 5 ohm/km: 0.01 ohm. Figures are round to be worked by hand.
EQUIPMENT = """
[[inverter]]
model = "Unit 240"
revision = 1
effective = 2010-01-01
invented = true
rated_w = 240.0
connection = "line-line"
current_a = { "240" = "1.00" }

[[inverter]]
model = "Unit N"
revision = 1
effective = 2010-01-01
invented = true
rated_w = 277.0
connection = "line-neutral"
current_a = { "277" = "1.00" }

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
section_length_m = { portrait = 1.0, landscape = 2.0 }
r_ohm_per_km = 5.0
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
section_length_m = { portrait = 1.0, landscape = 2.0 }
r_ohm_per_km = 5.0
x_ohm_per_km = 1.0
r_temp_c = 75.0
connectors_included = true
"""

SHORT = {"length_m": 0.0, "size": "10 AWG", "material": "copper"}


def _frame(table: Table, rows: list[Row]) -> pl.DataFrame:
    schema = {name: kind for name, kind in table_schema_of(table).items() if name != "source_row"}
    assert all(row.keys() <= schema.keys() for row in rows)
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def _origins(records: Records) -> dict[str, pl.DataFrame]:
    return {
        table.name: getattr(records, table.name)
        .select(*table.key)
        .with_row_index("source_row", offset=2)
        .with_columns(pl.col("source_row").cast(pl.Int64), pl.lit(1, pl.Int32).alias("import_id"))
        .select(*table.key, *ORIGIN)
        for table in TABLES
    }


def case(
    folder: Path, system: Row, circuits: list[Row], runs: list[Row], units: list[Row] | None = None,
    policy: Policy | None = None,
) -> Case:  # fmt: skip
    """A case of invented equipment; what a row does not say is missing."""
    (folder / "equipment.toml").write_text(EQUIPMENT, "utf-8")
    key = {"system_id": "S"}
    records = Records(
        _frame(SYSTEM, [{**key, **system}]),
        _frame(CIRCUIT, [{**key, **row} for row in circuits]),
        _frame(UNIT, [{**key, **row} for row in units or []]),
        _frame(RUN, [{**key, "run_order": 1, **row} for row in runs]),
    )
    imports = pl.DataFrame(
        {"import_id": [1], "file_name": ["made.csv"], "mapping_name": [""], "imported_on": [date(2026, 1, 31)]},
        schema_overrides={"import_id": pl.Int32},
    )
    return Case("S", records, _origins(records), imports, load_catalog([folder]), policy or load_policy(),
                date(2026, 1, 31))  # fmt: skip


def single(folder: Path, feed: str = "end", units: int = 16, **facts: Any) -> Case:
    """A split-phase system with one circuit on 20 m of 10 AWG, straight into the panel."""
    circuit = {"circuit_id": "1", "inverter_model": "Unit 240", "inverter_count": units, "trunk_model": "Trunk 2",
               "orientation": "landscape", "feed": feed, "breaker_a": 20.0}  # fmt: skip
    runs = [
        {**SHORT, "circuit_id": "1", "role": "home run", "length_m": 20.0},
        {**SHORT, "role": "feeder"},
        {**SHORT, "role": "service entrance"},
    ]
    system = {"service": "120/240", "installation_code": "NEC", "code_edition": "2020", "power_factor": 1.0,
              "grid_profile": "IEEE 1547-2018 Category II"}  # fmt: skip
    return case(folder, system, [{**circuit, **facts}], runs)


def three(folder: Path, units: int, power_factor: float = 1.0) -> Case:
    """A three-phase system with one rotated circuit from phase to neutral, its home run 0.1 km of 10 AWG."""
    circuit = {"circuit_id": "1", "inverter_model": "Unit N", "inverter_count": units, "trunk_model": "Trunk 4",
               "orientation": "landscape", "feed": "end", "circuit_phases": "ABC", "breaker_a": 20.0}  # fmt: skip
    runs = [
        {**SHORT, "circuit_id": "1", "role": "home run", "length_m": 100.0},
        {**SHORT, "role": "feeder"},
        {**SHORT, "role": "service entrance"},
    ]
    system = {"service": "480Y/277", "installation_code": "NEC", "code_edition": "2020", "power_factor": power_factor,
              "power_factor_mode": "injects"}  # fmt: skip
    return case(folder, system, [circuit], runs)


def _all(con: Connection, query: str) -> pl.DataFrame:
    found = pl.from_arrow(con.sql(query).to_arrow_table())
    assert isinstance(found, pl.DataFrame)
    return found


#: What systems differ in: each verdict of each check with and without missing and assumed facts, each kind of wiring,
#: breaker, pair of models, run, panel and setting, one circuit or more. Queries give a system and the kind it is of.
KINDS = (
    """SELECT system_id, ["check", verdict::VARCHAR, (missing = 0)::VARCHAR, (assumed = 0)::VARCHAR,
        (fails_at IS NULL)::VARCHAR] FROM judged""",
    """SELECT system_id, [wiring, service, feed, circuit_phases, (arm_counts IS NULL)::VARCHAR,
        (combiner_id IS NULL)::VARCHAR, (extra_trunk IS NULL)::VARCHAR]
        FROM circuit JOIN system USING (system_id) JOIN circuit_result USING (system_id, circuit_id)""",
    """SELECT system_id, [breaker_a::VARCHAR, (line_current_a > 0.8 * breaker_a)::VARCHAR]
        FROM circuit JOIN circuit_result USING (system_id, circuit_id)""",
    "SELECT system_id, [inverter_model, trunk_model] FROM circuit",
    "SELECT system_id, [role, material, size] FROM run",
    """SELECT system_id, [connection_side, backfeed_position, (busbar_a IS NULL)::VARCHAR,
        (main_breaker_a IS NULL)::VARCHAR, (other_sources_a IS NULL)::VARCHAR, (busbar_breakers_a IS NULL)::VARCHAR,
        (transformer_kva IS NULL)::VARCHAR] FROM system""",
    """SELECT system_id, [installation_code, code_edition, power_factor::VARCHAR, power_factor_mode, grid_profile]
        FROM system""",
    "SELECT system_id, [least(count(*), 3)::VARCHAR] FROM circuit GROUP BY system_id",
)


def of_every_kind(con: Connection) -> list[str]:
    """Systems of a snapshot that are of every kind together: each time the one that adds most kinds, the first such."""
    kinds: dict[str, set[tuple[str | int | None, ...]]] = {}
    for at, query in enumerate(KINDS):
        for system_id, kind in con.execute(query).fetchall():
            kinds.setdefault(system_id, set()).add((at, *kind))
    left, chosen = set().union(*kinds.values()), []
    while left:
        chosen.append(max(sorted(kinds), key=lambda system_id: len(kinds[system_id] & left)))
        left -= kinds[chosen[-1]]
    return sorted(chosen)


def cases_of(con: Connection, systems: list[str]) -> list[Case]:
    """Systems of a snapshot, as `load` gives them; the frames of all are prepared at once, which is faster."""
    tables = {t.name: _all(con, f'SELECT * FROM "{t.name}" ORDER BY {", ".join(t.key)}') for t in TABLES}
    plain = {t.name: tables[t.name].select(c.name for c in t.columns) for t in TABLES}
    catalog_json, policy_json, as_of = con.execute("SELECT catalog, policy, as_of FROM audit").fetchall()[0]
    catalog, policy = Catalog.from_json(catalog_json), Policy.model_validate_json(policy_json)
    imports = _all(con, "SELECT import_id, file_name, mapping_name, imported_on FROM import ORDER BY import_id")
    frames, day = catalog.frames(), date.fromisoformat(as_of)
    prepared = prepare(Records(**plain), frames, policy, day)
    stored = {name: _stored(_all(con, f"SELECT * FROM {name}")) for name in ("circuit_result", "system_result")}
    cases = []
    for system_id in systems:
        mine = pl.col("system_id") == system_id
        one = Case(
            system_id,
            Records(**{name: rows.filter(mine) for name, rows in plain.items()}),
            {t.name: tables[t.name].filter(mine).select(*t.key, *ORIGIN) for t in TABLES},
            imports, catalog, policy, day,
            Results(stored["circuit_result"].filter(mine), stored["system_result"].filter(mine)),
        )  # fmt: skip
        one.__dict__["frames"] = frames
        one.__dict__["prepared"] = _alone(prepared, mine)
        cases.append(one)
    return cases


def _stored(frame: pl.DataFrame) -> pl.DataFrame:
    verdicts = [c for c in frame.columns if c == "verdict" or c.endswith("_verdict")]
    return frame.with_columns(pl.col(c).cast(pl.String) for c in verdicts).sort("system_id", maintain_order=True)


def _alone(prepared: Prepared, mine: pl.Expr) -> Prepared:
    """One system's rows, numbered as if it were alone."""
    rows = [frame.filter(mine) for frame in (prepared.system, prepared.feeder, prepared.circuit)]
    numbered = [
        frame.with_columns(pl.col(c) - pl.col(c).min() for c in ("system_row", "feeder_row") if c in frame.columns)
        for frame in rows
    ]
    return Prepared(*numbered)

"""Cases of one system: invented ones with round figures, all of the sample, and one of every kind in it."""

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


def every_case(con: Connection) -> list[Case]:
    """Every system of a snapshot, as `load` gives it; the frames of all are prepared at once, which is faster."""
    tables = {t.name: _all(con, f'SELECT * FROM "{t.name}" ORDER BY {", ".join(t.key)}') for t in TABLES}
    plain = {t.name: tables[t.name].select(c.name for c in t.columns) for t in TABLES}
    catalog_json, policy_json, as_of = con.execute("SELECT catalog, policy, as_of FROM audit").fetchall()[0]
    catalog, policy = Catalog.from_json(catalog_json), Policy.model_validate_json(policy_json)
    imports = _all(con, "SELECT import_id, file_name, mapping_name, imported_on FROM import ORDER BY import_id")
    frames, day = catalog.frames(), date.fromisoformat(as_of)
    prepared = prepare(Records(**plain), frames, policy, day)
    stored = {name: _stored(_all(con, f"SELECT * FROM {name}")) for name in ("circuit_result", "system_result")}
    cases = []
    for system_id in plain["system"]["system_id"]:
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


#: What tells one kind of circuit, feeder or system from another: each group's values together are a trait.
CIRCUIT_TRAITS = (
    ("service", "wiring", "feed", "laid_out", "mixed_units", "rise_starts_at"),
    ("service", "wiring", "feed", "circuit_phases", "connection"),
    ("code_family", "wiring", "connection"),
    ("wiring", "arm_count", "extra", "first", "reactive"),
    ("home_run_runs", "home_run_parallel_sets", "home_run_material", "home_run_raceway", "home_run_no_length"),
    ("wiring", "reactive", "feeder_material", "feeder_no_length", "gathered", "feeders"),
)
FEEDER_TRAITS = (("feeder_runs", "feeder_parallel_sets", "feeder_material", "feeder_raceway", "feeder_no_length"),)
SYSTEM_TRAITS = (
    ("code_family", "code_edition", "service"),
    ("connection_side", "backfeed_position", "busbar", "main", "others", "busbar_verdict"),
    ("power_factor_mode", "service", "reactive"),
)


def traits(case: Case, judged: pl.DataFrame) -> set[tuple[object, ...]]:
    """What kinds of findings, circuits, feeders and systems are in a case; `judged` holds its findings."""
    reactive = (pl.col("sin_phi") != 0).alias("reactive")
    circuit = case.prepared.circuit.with_columns(
        reactive,
        pl.col("arms").list.len().alias("arm_count"),
        pl.col("extra_trunk").is_not_null().alias("extra"),
        pl.col("first_section_m").is_not_null().alias("first"),
        pl.col("combiner_id").is_not_null().alias("gathered"),
        pl.lit(case.prepared.feeder.height > 1).alias("feeders"),
    )
    system = case.prepared.system.with_columns(
        reactive,
        pl.col("busbar_a").is_not_null().alias("busbar"),
        pl.col("main_breaker_a").is_not_null().alias("main"),
        pl.col("other_sources_a").is_not_null().alias("others"),
        judged.filter(pl.col("check") == "busbar")["verdict"].alias("busbar_verdict"),
    )
    found = [
        ("finding", *row)
        for row in judged.select(
            "check", "verdict", "missing", "assumed", pl.col("value").is_null(), pl.col("limit").is_null()
        ).iter_rows()
    ]
    for frame, groups in (
        (circuit, CIRCUIT_TRAITS), (case.prepared.feeder, FEEDER_TRAITS), (system, SYSTEM_TRAITS),
    ):  # fmt: skip
        found += [(group, *row) for group in groups for row in frame.select(group).iter_rows()]
    return set(found)


def one_of_every_kind(cases: list[Case], judged: pl.DataFrame, every: int) -> list[Case]:
    """The fewest cases, nearly, that have every trait of all; and beside them every so many-th case."""
    parts = judged.partition_by("system_id", as_dict=True)
    has = {case.system_id: traits(case, parts[case.system_id,]) for case in cases}
    left, chosen = set().union(*has.values()), {case.system_id for case in cases[::every]}
    left -= set().union(*(has[system_id] for system_id in chosen))
    while left:
        best = max(has, key=lambda system_id: len(has[system_id] & left))
        chosen.add(best)
        left -= has[best]
    return [case for case in cases if case.system_id in chosen]

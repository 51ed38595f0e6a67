"""What if one thing were otherwise: altered records, judged by the same audit. Nothing is saved.

The trip-days before and after come from the same tables as the audit's own, so that what does not change stays equal
to the last digit; a folder of tables saves making them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from auditor.audit import Results, audit
from auditor.checks import CHECKS
from auditor.errors import AuditorError
from auditor.findings import fact_label
from auditor.one_system.case import Case
from auditor.one_system.profile import base_voltage
from auditor.policy import Policy
from auditor.policy.trips import SupplyAt
from auditor.prepare import Records
from auditor.records.cells import CellRules, read_cell
from auditor.records.fault import Fault
from auditor.records.frames import KIND_TYPES
from auditor.records.schema import RUN_COLUMNS, Column, simple_columns
from auditor.records.sizes import Size

#: What may be changed: facts of a circuit, and the length, size and material of runs.
CIRCUIT_FIELDS = (
    "inverter_count", "inverter_model", "feed", "arm_counts", "first_section_m", "extra_trunk", "trunk_model",
    "orientation", "breaker_a",
)  # fmt: skip
RUN_FIELDS = tuple(
    name for name in RUN_COLUMNS if name.endswith(("_length_m", "_size", "_material")) and "drop" not in name
)
PROFILE, SUPPLY_LEVEL = "grid_profile", "supply_level"
FIELDS = (*CIRCUIT_FIELDS, *RUN_FIELDS, PROFILE, SUPPLY_LEVEL)
#: Supply levels beyond these are none [% of nominal].
LOWEST_PCT, HIGHEST_PCT = 80.0, 120.0
_LEVEL = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(%|v|)", re.IGNORECASE)
#: What of the trips stands beside the findings: column, what it is called, unit.
TRIP_FIGURES = (
    ("trip_days_per_year", "trip-days a year, expected", ""),
    ("trip_chance_year", "chance of any trip in a year", "%"),
    ("lost_kwh_per_year", "lost a year to trips", "kWh"),
    ("curtailed_kwh_per_year", "curtailed a year by volt-watt", "kWh"),
    ("headroom_wiring_pct", "wiring's part of the room below the threshold", "%"),
)


@dataclass(frozen=True)
class Change:
    """One fact and the text that is to stand in its place, as a record would state it ("75 ft", "8 AWG").

    `circuit_id` None means every circuit, or every feeder. The service entrance, the grid profile and the level of the
    supply are the whole system's; the level is a yearly mean in percent of nominal ("103") or in volts ("248 V").
    """

    field: str
    text: str
    circuit_id: str | None = None


@dataclass(frozen=True)
class WhatIf:
    """The results before and after, what was changed in words, and the altered case."""

    before: Results
    after: Results
    notes: tuple[str, ...]
    case: Case


def what_if(case: Case, changes: Sequence[Change], tables: Path | None = None) -> WhatIf:
    """Return what the audit makes of the records with these changes, beside what it makes of them as they are.

    `tables` is a folder where tables of the likelihood are kept. AuditorError says in a sentence what is wrong with a
    change.
    """
    from auditor.trips import MEMORY, Tables  # slow to load

    notes: list[str] = []
    records, policy = case.records, case.policy
    changed = {change.field for change in changes}
    for change in changes:
        if change.field == SUPPLY_LEVEL:
            policy = _with_level(case, policy, change.text)
        elif change.field == PROFILE:
            records = _with_profile(records, change, notes)
        else:
            records = _apply(records, change, changed, notes)
    kept = MEMORY if tables is None else Tables(tables)
    known = None if SUPPLY_LEVEL in changed else case.evidence
    if known is None and case.evidence is not None:
        notes.append("What logs and readings say of the supply is left out on both sides, since the supply is changed.")
    before = audit(case.records, case.frames, case.policy, case.as_of, kept, known)
    # A log was kept with the system as it is, and tells of the supply as much under what is altered.
    under = None if known is None else replace(known, kept_under=case.records)
    after = audit(records, case.frames, policy, case.as_of, kept, under)
    altered = replace(case.with_records(records), policy=policy, evidence=under)
    return WhatIf(before, after, tuple(notes), altered)


def _with_level(case: Case, policy: Policy, text: str) -> Policy:
    """The policy with another annual mean of the supply here; its spread stays."""
    label = fact_label(SUPPLY_LEVEL)
    found = _LEVEL.fullmatch(text.strip())
    if found is None:
        raise AuditorError(f"{label}: write percent of nominal, such as 103, or volts across a unit, such as 248 V.")
    level_pct = float(found[1])
    if found[2].lower() == "v":
        base_v = base_voltage(case)
        if base_v is None:
            raise AuditorError(f"{label}: the nominal voltage is not known; write percent of nominal.")
        level_pct *= 100.0 / base_v
    if not LOWEST_PCT <= level_pct <= HIGHEST_PCT:
        raise AuditorError(f"{label}: must lie between {LOWEST_PCT:g} and {HIGHEST_PCT:g} % of nominal.")
    here = SupplyAt.model_validate({"level_pct": level_pct})
    supply = policy.supply.model_copy(update={"at": (*policy.supply.at, here)})
    return policy.model_copy(update={"supply": supply})


def _with_profile(records: Records, change: Change, notes: list[str]) -> Records:
    """The records with another grid profile in every unit."""
    _, value, _ = _value(change)
    if records.unit["grid_profile"].drop_nulls().len():
        notes.append("Units that state a grid profile of their own take the new one too.")
    notes.append(
        "Settings change only with the utility's consent, and never before neutral and connections are cleared."
    )
    new = pl.lit(value, pl.String).alias("grid_profile")
    listed = pl.when(pl.col("grid_profile").is_not_null()).then(new).alias("grid_profile")
    return Records(records.system.with_columns(new), records.circuit, records.unit.with_columns(listed), records.run)


def _value(change: Change) -> tuple[Column, str | int | float | None, str | None]:
    """The change's column, its value, and the material that a size text states."""
    if change.field not in FIELDS:
        raise AuditorError(f"{change.field}: this cannot be changed here. Choose one of: {', '.join(FIELDS)}.")
    column = simple_columns()[change.field]
    value = read_cell(change.text, column, CellRules())
    if isinstance(value, Fault):
        raise AuditorError(f"{fact_label(change.field)}: {value.sentence}.")
    if value is None:
        raise AuditorError(f"{fact_label(change.field)}: write a value, such as the records would hold.")
    if isinstance(value, Size):
        return column, value.size, value.material
    assert isinstance(value, str | int | float)
    return column, value, None


def _apply(records: Records, change: Change, changed: set[str], notes: list[str]) -> Records:
    column, value, material = _value(change)
    circuits = _chosen(records, change.circuit_id)
    if change.field in RUN_COLUMNS:
        role, name = RUN_COLUMNS[change.field]
        records = _set_run(records, role, circuits, name, column, value)
        if material is not None and change.field.removesuffix("size") + "material" not in changed:
            records = _set_run(records, role, circuits, "material", column, material)
        return records
    return _set_circuit(records, circuits, change.field, column, value, changed, notes)


def _chosen(records: Records, circuit_id: str | None) -> list[str]:
    circuits = records.circuit["circuit_id"].to_list()
    if circuit_id is None:
        return circuits
    if circuit_id not in circuits:
        raise AuditorError(f"There is no circuit {circuit_id!r} in this system.")
    return [circuit_id]


def _set_circuit(
    records: Records,
    circuits: list[str],
    field: str,
    column: Column,
    value: str | int | float | None,
    changed: set[str],
    notes: list[str],
) -> Records:
    here = pl.col("circuit_id").is_in(circuits)
    kind = KIND_TYPES[column.kind]
    circuit = records.circuit.with_columns(pl.when(here).then(pl.lit(value, kind)).otherwise(field).alias(field))
    unit = records.unit
    if field == "arm_counts" and "feed" not in changed:
        circuit = circuit.with_columns(pl.when(here).then(pl.lit("arms")).otherwise("feed").alias("feed"))
    if field == "feed" and value != "arms" and "arm_counts" not in changed:
        dropped = circuit.filter(here & pl.col("arm_counts").is_not_null()).height
        circuit = circuit.with_columns(pl.when(here.not_()).then("arm_counts").alias("arm_counts"))
        if dropped:
            notes.append("The recorded arm counts give way to the new feed.")
    if field == "inverter_count":
        stated = circuit.filter(here & pl.col("arm_counts").is_not_null())["circuit_id"].to_list()
        if stated and "arm_counts" not in changed and "feed" not in changed:
            raise AuditorError(
                f"Circuit {stated[0]} states its arms: give new arm counts (or a feed) with the new number of units."
            )
    if field in ("inverter_count", "inverter_model"):
        unit = _set_units(unit, circuits, field, value)
    return Records(records.system, circuit, unit, records.run)


def _set_units(unit: pl.DataFrame, circuits: list[str], field: str, value: str | int | float | None) -> pl.DataFrame:
    """Change listed units with their circuit, where the list has one entry."""
    listed = unit.filter(pl.col("circuit_id").is_in(circuits)).group_by("circuit_id").len()
    several = sorted(listed.filter(pl.col("len") > 1)["circuit_id"].to_list())
    if several:
        raise AuditorError(f"Circuit {several[0]} lists its units one by one; change its list in the records instead.")
    here = pl.col("circuit_id").is_in(circuits)
    return unit.with_columns(
        pl.when(here).then(pl.lit(value, unit.schema[field])).otherwise(pl.col(field)).alias(field)
    )


def _keys(records: Records, role: str, circuits: list[str]) -> list[tuple[str | None, str | None]]:
    """The circuit and combiner of the runs of a role that these circuits use."""
    if role == "home run":
        return [(circuit, None) for circuit in circuits]
    if role == "feeder":
        combiners = records.circuit.filter(pl.col("circuit_id").is_in(circuits))["combiner_id"].unique().to_list()
        return [(None, combiner) for combiner in sorted(combiners, key=lambda c: c or "")]
    return [(None, None)]


def _set_run(
    records: Records, role: str, circuits: list[str], name: str, column: Column, value: str | int | float | None
) -> Records:
    run = records.run
    kind = run.schema[name]
    system = records.system["system_id"][0]
    for circuit, combiner in _keys(records, role, circuits):
        here = (pl.col("role") == role) & pl.col("circuit_id").eq_missing(pl.lit(circuit, pl.String))
        here = here & pl.col("combiner_id").eq_missing(pl.lit(combiner, pl.String))
        pieces = run.filter(here).height
        if pieces > 1 and name == "length_m":
            raise AuditorError(f"The {role} is recorded in {pieces} pieces; change its size, or the records instead.")
        if pieces == 0:
            new = pl.DataFrame(
                [{"system_id": system, "circuit_id": circuit, "combiner_id": combiner, "role": role, "run_order": 1}],
                schema=run.schema,
            )
            run = pl.concat([run, new])
        run = run.with_columns(pl.when(here).then(pl.lit(value, kind)).otherwise(pl.col(name)).alias(name))
    keys = ["system_id", "circuit_id", "combiner_id", "role", "run_order"]
    return Records(records.system, records.circuit, records.unit, run.sort(keys, nulls_last=True))


def comparison(done: WhatIf) -> pl.DataFrame:
    """Return one row per finding: its verdict, value and limit before and after, and whether any of them changed."""
    rows = []
    for check in CHECKS:
        level = check.level == "circuit"
        before, after = ((r.circuit if level else r.system) for r in (done.before, done.after))
        for old, new in zip(before.iter_rows(named=True), after.iter_rows(named=True), strict=True):
            parts = [[r[f"{check.column}_{part}"] for part in ("verdict", "value", "limit")] for r in (old, new)]
            where = old["circuit_id"] if level else None
            rows.append((check.name, check.title, where, check.unit, *parts[0], *parts[1], parts[0] != parts[1]))
    names = ("check", "title", "circuit_id", "unit", "verdict_before", "value_before", "limit_before", "verdict_after",
             "value_after", "limit_after", "changed")  # fmt: skip
    kinds = [*[pl.String] * 5, pl.Float64, pl.Float64, pl.String, pl.Float64, pl.Float64, pl.Boolean]
    return pl.DataFrame(rows, schema=dict(zip(names, kinds, strict=True)), orient="row")


def trip_comparison(done: WhatIf) -> pl.DataFrame:
    """Return one row per figure of the trips: `figure`, `unit`, `before`, `after`; null where it is not known.

    Chances are in percent.
    """
    before, after = (r.system.row(0, named=True) for r in (done.before, done.after))
    rows = []
    for name, label, unit in TRIP_FIGURES:
        scale = 100.0 if name.startswith("trip_chance") else 1.0
        rows.append((label, unit, *(None if row[name] is None else row[name] * scale for row in (before, after))))
    kinds = {"figure": pl.String, "unit": pl.String, "before": pl.Float64, "after": pl.Float64}
    return pl.DataFrame(rows, schema=kinds, orient="row")

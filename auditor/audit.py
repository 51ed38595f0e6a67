"""The audit: one pure function from records, evidence, catalog, policy and as-of date to results.

The command line, the tests and every later what-if call `audit` on a frame of systems, large or small. Nothing computed
for a system reads another's rows, so any split into batches gives the same results.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import polars as pl

from auditor.checks import CHECKS
from auditor.checks.base import VERDICT, VERDICTS, Check, judge_frame
from auditor.policy import Policy
from auditor.prepare import Frames, Prepared, Records, prepare
from auditor.suspicion import SCHEMA, Batch, suspicions

if TYPE_CHECKING:
    from auditor.trips import Evidence, Tables

#: Columns of a circuit's result before the checks' own.
CIRCUIT_COLUMNS = (
    "system_id", "circuit_id", "wiring", "unit_voltage_v", "unit_current_a", "inverter_count", "inverter_revision",
    "trunk_revision", "module_revision", "line_current_a", "line_current_tolerance_a", "unit_limit",
    "stated_unit_limit", "computed_unit_limit", "trunk_largest_arm_a", "trunk_rise_pct", "home_run_rise_pct",
    "feeder_rise_pct", "service_entrance_rise_pct", "total_rise_pct", "known_rise_pct", "rise_target_pct",
    "rise_starts_at", "service_drop_rise_pct", "terminal_v", "terminal_limit_v", "service_top_v",
)  # fmt: skip
#: Columns of a system's result before the checks' own.
SYSTEM_COLUMNS = (
    "system_id", "circuits", "units", "code_family", "solar_kva", "solar_current_a", "worst_total_rise_pct",
    "service_drop_rise_pct", "transformer_rise_pct", "phase_kva_max", "phase_kva_min",
)  # fmt: skip


@dataclass(frozen=True)
class Results:
    """One row per circuit, one per system, and one per value that can hardly be meant; sorted by key."""

    circuit: pl.DataFrame
    system: pl.DataFrame
    warning: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=SCHEMA))


def _at_level(level: str) -> tuple[Check, ...]:
    return tuple(check for check in CHECKS if check.level == level)


def _columns(check: Check, frame: pl.DataFrame) -> list[str]:
    parts = ("verdict", "value", "limit", "missing", "assumed", "fails_at")
    return [f"{check.column}_{part}" for part in parts if f"{check.column}_{part}" in frame.columns]


def _worst_feeder(feeder: pl.DataFrame, check: Check) -> pl.DataFrame:
    """A feeder check's columns for the feeder of each system that is worst: by verdict, then by share of its limit."""
    columns = _columns(check, feeder)
    share = (pl.col(f"{check.column}_value") / pl.col(f"{check.column}_limit")).fill_null(0.0)
    at = pl.col("combiner_id").alias(f"{check.column}_combiner_id")
    return (
        feeder.select(
            "system_id",
            at,
            *columns,
            pl.col(f"{check.column}_verdict").to_physical().alias("_rank"),
            share.alias("_share"),
        )
        .sort("system_id", "_rank", "_share", f"{check.column}_combiner_id", descending=[False, False, True, False])
        .unique("system_id", keep="first", maintain_order=True)
        .drop("_rank", "_share")
    )


def _worst_circuit(circuit: pl.DataFrame) -> pl.DataFrame:
    """Each circuit check's worst verdict in a system, and how many circuits fail it or leave it unknown."""
    checks = _at_level("circuit")
    verdicts = [f"{check.column}_verdict" for check in checks]

    def count(verdict: str) -> pl.Expr:
        number = VERDICTS.index(verdict)
        return pl.sum_horizontal(pl.col(v).to_physical() == number for v in verdicts).cast(pl.Int64)

    rows = circuit.select(
        "system_row",
        *verdicts,
        count("fail").alias("_fails"),
        count("unknown").alias("_unknowns"),
        pl.any_horizontal(pl.col(f"{check.column}_assumed") != 0 for check in checks).alias("_assumed"),
    )
    return rows.group_by("system_row", maintain_order=True).agg(
        pl.col(*verdicts).min(), pl.col("_fails", "_unknowns").sum(), pl.col("_assumed").any()
    )


def _systems(system: pl.DataFrame, feeder: pl.DataFrame, circuit: pl.DataFrame) -> pl.DataFrame:
    """One row per system: its own checks, its worst feeder's and circuits' verdicts, and the verdict over all."""
    for check in _at_level("feeder"):
        system = system.join(_worst_feeder(feeder, check), on="system_id", how="left", maintain_order="left")
    system = system.join(_worst_circuit(circuit), on="system_row", how="left", maintain_order="left")
    own = [f"{check.column}_verdict" for check in CHECKS if check.level != "circuit"]
    every = [f"{check.column}_verdict" for check in CHECKS]
    system = system.with_columns(pl.col(v).fill_null("unknown") for v in every)
    assumed = [pl.col(f"{c.column}_assumed").fill_null(0) != 0 for c in CHECKS if c.level != "circuit"]
    count = {v: pl.sum_horizontal((pl.col(c) == v).cast(pl.Int64) for c in own) for v in ("fail", "unknown")}
    # Verdicts are an enumeration in the order worst first, so the least is the worst; "not applicable" comes last.
    worst = pl.min_horizontal(pl.col(v).to_physical() for v in every)
    return system.with_columns(
        worst.replace_strict(dict(enumerate(VERDICTS)), return_dtype=VERDICT).alias("verdict"),
        (pl.col("_fails").fill_null(0) + count["fail"]).alias("fails"),
        (pl.col("_unknowns").fill_null(0) + count["unknown"]).alias("unknowns"),
        pl.any_horizontal(pl.col("_assumed").fill_null(False), *assumed).alias("rests_on_assumptions"),
    )


@dataclass(frozen=True)
class Judged:
    """Circuits and systems with their verdicts, and the frames that these rest on."""

    prepared: Prepared
    circuit: pl.DataFrame
    system: pl.DataFrame


def judge(records: Records, catalog: Frames, policy: Policy, as_of: date) -> Judged:
    """Return the verdicts of whole systems: the part of an audit that expects nothing of the future."""
    return _judge(prepare(records, catalog, policy, as_of), policy)


def _judge(prepared: Prepared, policy: Policy) -> Judged:
    circuit = judge_frame(prepared.circuit, _at_level("circuit"), policy).with_columns(
        pl.coalesce("stated_unit_limit", "computed_unit_limit").alias("unit_limit")
    )
    feeder = judge_frame(prepared.feeder, _at_level("feeder"), policy)
    system = _systems(judge_frame(prepared.system, _at_level("system"), policy), feeder, circuit)
    return Judged(prepared, circuit, system)


def audit(
    records: Records,
    catalog: Frames,
    policy: Policy,
    as_of: date,
    tables: Tables | None = None,
    evidence: Evidence | None = None,
) -> Results:
    """Judge whole systems.

    `catalog` is `Catalog.frames()`; specs and their revisions are taken as effective on `as_of`. `evidence` is what was
    measured and reported of these systems, None where nothing was. `tables` only keeps what has been worked out before.
    The results depend on the other arguments alone.
    """
    # Slow to load; a command that audits nothing does without.
    from auditor.trips import MEMORY, outlook

    prepared = prepare(records, catalog, policy, as_of)
    trips = outlook(prepared, catalog, policy, as_of, tables or MEMORY, evidence)
    return _results(_judge(prepared, policy), trips, suspicions(Batch(records, prepared, policy, as_of)))


def expected_audit(
    prepared: Prepared,
    catalog: Frames,
    policy: Policy,
    as_of: date,
    tables: Tables | None = None,
    evidence: Evidence | None = None,
    shares: bool = False,
) -> Results:
    """Judge systems that `prepare` has prepared as `audit` does, with what is expected of trips and energy alone.

    Of the trip columns those of `expected_outlook` are there. Values that can hardly be meant are not looked for.
    """
    from auditor.trips import MEMORY, expected_outlook

    return _results(
        _judge(prepared, policy),
        expected_outlook(prepared, catalog, policy, as_of, tables or MEMORY, evidence, shares),
        pl.DataFrame(schema=SCHEMA),
    )


def _results(judged: Judged, trips: pl.DataFrame, warning: pl.DataFrame) -> Results:
    """The results in their columns."""
    circuit, of_trips = judged.circuit, trips.columns[1:]
    system = judged.system.drop(of_trips, strict=False)
    system = system.join(trips, on="system_id", how="left", maintain_order="left")
    circuit_checks = [c for check in _at_level("circuit") for c in _columns(check, circuit)]
    system_checks = [f"{check.column}_verdict" for check in _at_level("circuit")]
    for check in (*_at_level("feeder"), *_at_level("system")):
        place = [f"{check.column}_combiner_id"] if check.level == "feeder" else []
        system_checks += [*_columns(check, system), *place]
    tail = ("fails", "unknowns", "rests_on_assumptions")
    return Results(
        circuit.select(*CIRCUIT_COLUMNS, "missing_bits", "assumed_bits", *circuit_checks),
        system.select(SYSTEM_COLUMNS[0], "verdict", *tail, *SYSTEM_COLUMNS[1:], *of_trips, *system_checks),
        warning,
    )

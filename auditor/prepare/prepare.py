"""From canonical records to the frames that the checks see; the electrical columns are computed once a batch."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from auditor.checks.facts import MASK, bits
from auditor.electrical.arrays import BoolArray, IntArray
from auditor.policy import Policy
from auditor.prepare import frames, layout, specs
from auditor.prepare.ampacity import add_factors, for_edition
from auditor.prepare.bits import add_bits
from auditor.prepare.frames import CURRENT_FACTS, Prepared, Records
from auditor.prepare.networks import SOLVED, Batch, solve
from auditor.prepare.runs import prepare_runs
from auditor.prepare.trip_path import add_first_profile

#: What `solve` reads of a circuit; the rest of the wide frame is not copied when a batch is parted by service.
TO_SOLVE = (
    "system_row", "feeder_row", "arms", "laid_out", "inverter_count", "section_m", "first_section_m", "_first_m",
    "extra_trunk", "first_pair", "wiring", "unit_voltage_v", "unit_current_a", "unit_power_w", "trunk_r_ohm_per_m",
    "trunk_x_ohm_per_m", "connector_r_ohm", "home_run_r_ohm", "home_run_x_ohm", "home_run_no_length", "rise_starts_at",
)  # fmt: skip
FEEDER_FACTS = ("feeder_length_m", "feeder_size", "feeder_material", "feeder_raceway")


def _take_over(frame: pl.DataFrame, child: pl.DataFrame, key: str, facts: tuple[str, ...]) -> pl.DataFrame:
    """Add the bits of these facts from the rows of `child` that belong to each row; `key` gives the row's number."""
    rows = child[key].to_numpy()
    for column in ("missing_bits", "assumed_bits"):
        # All these facts lie in the first word, which numpy has a type for.
        word = child.select((pl.col(column) & bits(*facts)).cast(pl.UInt64)).to_series().to_numpy()
        gathered = np.zeros(frame.height, dtype=np.uint64)
        np.bitwise_or.at(gathered, rows, word)
        frame = frame.with_columns(pl.col(column) | pl.Series(gathered).cast(MASK))
    return frame


def _link(system: pl.DataFrame, feeder: pl.DataFrame, circuit: pl.DataFrame) -> tuple[pl.DataFrame, ...]:
    """Tie circuits to feeders and both to systems by row numbers."""
    system = system.with_row_index("system_row").with_columns(pl.col("system_row").cast(pl.Int64))
    rows = system.select("system_id", "system_row")
    feeder = feeder.join(rows, on="system_id", how="left", maintain_order="left")
    keys = feeder.select(
        "system_id", "system_row", pl.col("combiner_id").fill_null("").alias("_combiner"), "feeder_row"
    )
    circuit = circuit.with_columns(pl.col("combiner_id").fill_null("").alias("_combiner")).join(
        keys, on=["system_id", "_combiner"], how="left", maintain_order="left"
    )
    return system, feeder, circuit.drop("_combiner")


def _share_feeders(feeder: pl.DataFrame, circuit: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give feeders the facts their current rests on, and circuits the facts of their feeder."""
    feeder = _take_over(feeder, circuit, "feeder_row", (*CURRENT_FACTS, "combiner_id"))
    current, wires = bits(*CURRENT_FACTS), bits(*FEEDER_FACTS)
    of_feeder = feeder.select("missing_bits", "assumed_bits")[circuit["feeder_row"]]
    circuit = circuit.with_columns(_missing=of_feeder["missing_bits"], _assumed=of_feeder["assumed_bits"]).with_columns(
        missing_bits=pl.col("missing_bits") | (pl.col("_missing") & wires),
        assumed_bits=pl.col("assumed_bits") | (pl.col("_assumed") & wires),
    )
    own, any_on_it = (pl.col("missing_bits") & current) != 0, (pl.col("_missing") & current) != 0
    return feeder, add_bits(circuit, {"feeder_load": any_on_it & own.not_()}, {}).drop("_missing", "_assumed")


def _chosen(frame: pl.DataFrame, mask: BoolArray, **numbers: IntArray) -> pl.DataFrame:
    """The masked rows of a frame, with some of its columns of row numbers renewed."""
    return frame.filter(pl.Series(mask)).with_columns(**{name: pl.Series(rows[mask]) for name, rows in numbers.items()})


def _select(batch: Batch, three_phase: bool) -> tuple[Batch, list[IntArray]]:
    """The part of a batch with three-phase services, or without, its rows numbered anew; and the old numbers."""
    feeder_system, circuit_system = batch.feeder["system_row"].to_numpy(), batch.circuit["system_row"].to_numpy()
    feeder_row, listed_row = batch.circuit["feeder_row"].to_numpy(), batch.listed["row"].to_numpy()
    system = (batch.system["three_phase_service"] == three_phase).to_numpy()
    feeder, circuit = system[feeder_system], system[circuit_system]
    new_system, new_feeder, new_circuit = (np.cumsum(mask) - 1 for mask in (system, feeder, circuit))
    part = Batch(
        batch.system.filter(pl.Series(system)),
        _chosen(batch.feeder, feeder, system_row=new_system[feeder_system]),
        _chosen(batch.circuit, circuit, system_row=new_system[circuit_system], feeder_row=new_feeder[feeder_row]),
        _chosen(batch.listed, circuit[listed_row], row=new_circuit[listed_row]),
    )
    return part, [np.flatnonzero(mask) for mask in (system, feeder, circuit)]


def _solve_all(batch: Batch) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Solve the single-phase and the three-phase systems and put the rows back in the batch's order."""
    parts: list[list[pl.DataFrame]] = [[], [], []]
    for three_phase in (False, True):
        part, (systems, feeders, circuits) = _select(batch, three_phase)
        if part.circuit.height:
            solved = solve(part, three_phase)
            for kept, frame, rows in zip(parts, solved, (circuits, feeders, systems), strict=True):
                kept.append(frame.with_columns(pl.Series("_order", rows, pl.Int64)))
    circuit, feeder, system = (
        pl.concat([_unsolved(columns), *kept]).sort("_order").fill_nan(None)
        for kept, columns in zip(parts, SOLVED, strict=True)
    )
    return circuit, feeder, system


def _unsolved(columns: tuple[str, ...]) -> pl.DataFrame:
    """No rows, for batches whose systems have no circuits."""
    return pl.DataFrame(schema={**dict.fromkeys(columns, pl.Float64), "_order": pl.Int64})


def _other_circuits(circuit: pl.DataFrame) -> pl.DataFrame:
    """Mark circuits whose exact voltage is missing for the sake of another circuit of their system."""
    entrance = bits(*(f"service_entrance_{fact}" for fact in ("length_m", "size", "material")))
    own = (pl.col("missing_bits") & (pl.col("rise_needs") | entrance)) != 0
    elsewhere = pl.col("terminal_v").is_null() & own.not_() & (pl.len().over("system_row") > 1)
    return add_bits(circuit, {"other_circuits": elsewhere}, {})


def _finish_circuits(circuit: pl.DataFrame, solved: pl.DataFrame) -> pl.DataFrame:
    """Join the solution; the rise of a home run of unknown length was that of one metre."""
    frame = pl.concat([circuit, solved.drop("_order")], how="horizontal")
    unmeasured = pl.col("home_run_no_length").fill_null(False)
    per_metre = pl.when(unmeasured & (pl.col("home_run_runs") == 1)).then("home_run_rise_pct")
    frame = frame.with_columns(
        per_metre.alias("_per_m"),
        pl.when(unmeasured).then(pl.col("known_rise_pct") - pl.col("home_run_rise_pct").fill_null(0.0))
        .otherwise("known_rise_pct").alias("known_rise_pct"),
        pl.when(unmeasured.not_()).then("home_run_rise_pct").alias("home_run_rise_pct"),
        pl.when(pl.col("feeder_no_length").fill_null(False).not_()).then("feeder_rise_pct").alias("feeder_rise_pct"),
    )  # fmt: skip
    entrance = pl.when(pl.col("rise_starts_at") == "point of supply").then("service_entrance_rise_pct").otherwise(0.0)
    others = pl.col("trunk_rise_pct") + pl.col("feeder_rise_pct") + entrance
    total = pl.col("trunk_rise_pct") + pl.col("home_run_rise_pct") + pl.col("feeder_rise_pct") + entrance
    return frame.with_columns(
        total.alias("total_rise_pct"),
        ((pl.col("rise_target_pct") - others) / pl.col("_per_m")).alias("home_run_fails_at_m"),
        # On three phases the currents of other pairs can lower a pair's rise.
        ((pl.col("sin_phi") >= 0) & pl.col("three_phase_service").not_()).alias("rise_only_adds"),
        (pl.col("unit_voltage_v") * pl.col("service_top_pu")).alias("service_top_v"),
        # The network is solved for the voltage between lines; units on another voltage have no exact figure.
        pl.when(pl.col("three_phase_service") | (pl.col("unit_voltage_v") == pl.col("line_line_v")))
        .then("terminal_v").alias("terminal_v"),
    ).drop("_per_m")  # fmt: skip


def _standard_breaker(current: pl.Expr, sizes: list[float]) -> pl.Expr:
    """The smallest standard size [A] not below a current."""
    chosen = pl.lit(None, pl.Float64)
    for size in sorted(sizes, reverse=True):
        chosen = pl.when(current <= size).then(size).otherwise(chosen)
    return chosen


def _finish_systems(
    system: pl.DataFrame, solved: pl.DataFrame, circuit: pl.DataFrame, catalog: specs.Frames
) -> pl.DataFrame:
    """Join the solution and what a system's circuits add up to."""
    rows = solved.rename({"_order": "system_row"})
    sums = circuit.group_by("system_row").agg(
        pl.len().alias("circuits"),
        pl.col("inverter_count").sum().alias("units"),
        pl.when(pl.col("breaker_a").is_null().any().not_()).then(pl.col("breaker_a").sum()).alias("_breakers"),
        pl.col("combiner_id").is_null().all().alias("_no_combiner"),
        pl.col("total_rise_pct").max().alias("worst_total_rise_pct"),
        pl.col("service_drop_rise_pct").max().alias("service_drop_rise_pct"),
    )
    frame = system.join(rows, on="system_row", how="left", maintain_order="left")
    frame = frame.join(sums, on="system_row", how="left", maintain_order="left")
    none = pl.col("circuits").is_null()
    frame = frame.with_columns(
        pl.col("circuits").fill_null(0),
        *(pl.when(none.not_()).then(name).alias(name) for name in ("solar_current_a", "solar_kva")),
    )
    frame = add_bits(frame, {"inverter_count": none}, {})
    frame = _take_over(frame, circuit, "system_row", CURRENT_FACTS)
    sizes = catalog["standard_breaker"]["amps"].to_list()
    p, q = pl.col("solar_kva") * pl.col("cos_phi"), pl.col("solar_kva") * pl.col("sin_phi")
    next_size = _standard_breaker(1.25 * pl.col("solar_current_a"), sizes)
    lone = (pl.col("circuits") == 1) & pl.col("_no_combiner") & pl.col("_breakers").is_not_null()
    frame = frame.with_columns(
        pl.when(lone).then("_breakers").otherwise(next_size).alias("solar_breakers_a"),
        pl.when(lone).then("_breakers").otherwise(pl.max_horizontal("_breakers", next_size)).alias("_high"),
        pl.col("solar_current_a").is_not_null().alias("solar_units_known"),
        ((pl.col("transformer_r_pct") * p + pl.col("transformer_x_pct") * q) / pl.col("transformer_kva"))
        .alias("transformer_rise_pct"),
    )  # fmt: skip
    high = pl.when(pl.col("_breakers").is_not_null()).then("_high")
    short = pl.col("busbar_breakers_a") < 1.25 * pl.col("solar_current_a") * (1 - 1e-9)
    frame = add_bits(frame, {"busbar_breakers_a": short, "backfed_breaker": lone.not_()}, {})
    stated = pl.when(short.fill_null(False).not_()).then("busbar_breakers_a")
    frame = frame.with_columns(high.alias("solar_breakers_high_a"), stated.alias("busbar_breakers_a"))
    return frame.drop("_breakers", "_no_combiner", "_high")


def prepare(records: Records, catalog: specs.Frames, policy: Policy, as_of: date) -> Prepared:
    """Return the frames the checks see for whole systems; a row depends on its own system alone."""
    run = prepare_runs(records.run, catalog, policy)
    system = add_first_profile(frames._systems(records, run, policy, as_of), records.unit, catalog)
    circuit = frames._circuits(records, system, run, catalog, policy)
    circuit = frames._limits(circuit, catalog, policy)
    feeder = frames._feeders(circuit, system, run)
    feeder = for_edition(add_factors(feeder, catalog, policy), "feeder", catalog)
    system, feeder, circuit = _link(system, feeder, circuit)
    feeder_runs = feeder.select("feeder_row", "feeder_no_length", "feeder_length_m", "feeder_size", "feeder_material")
    circuit = circuit.join(feeder_runs, on="feeder_row", how="left", maintain_order="left")
    feeder, circuit = _share_feeders(feeder, circuit)
    listed = layout.listed_units(circuit, records.unit, catalog)
    solved_circuit, solved_feeder, solved_system = _solve_all(Batch(system, feeder, circuit.select(TO_SOLVE), listed))
    circuit = _other_circuits(frames._needs(_finish_circuits(circuit, solved_circuit)))
    feeder = pl.concat([feeder, solved_feeder.drop("_order")], how="horizontal")
    return Prepared(_finish_systems(system, solved_system, circuit, catalog), feeder, circuit)

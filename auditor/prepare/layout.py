"""From circuits to units: arms, sections, positions along the cable, and units that differ from their circuit's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from auditor.electrical.arrays import FloatArray, IntArray
from auditor.electrical.layout import lay_units
from auditor.policy import Policy
from auditor.prepare.bits import add_bits, fill
from auditor.prepare.specs import Frames, join_spec, unit_figures


@dataclass(frozen=True)
class Units:
    """Every unit of a batch of circuits, circuit after circuit, arm after arm, from the feed point outwards.

    `arm_start` has one entry more than there are arms; the other arrays have one entry per unit, `arm_circuit` per arm.
    """

    arm_start: IntArray
    arm_circuit: IntArray
    circuit: IntArray
    rank: IntArray
    cable_index: IntArray
    flat: IntArray
    circuit_start: IntArray


def column(frame: pl.DataFrame, name: str) -> FloatArray:
    """A column as float64, null as NaN."""
    return frame[name].cast(pl.Float64).to_numpy()


def add_counts(circuit: pl.DataFrame, unit: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Settle each circuit's count and arms: adds `arms` (lists of counts), and whether they are `laid_out`.

    Unknown arms are one arm with all units, or with one where the count is unknown too. A missing count is derived from
    units or arms that state it; counts that disagree leave `inverter_count` missing.
    """
    # An entry without a count leaves the whole open: zero, which no circuit's count agrees with.
    whole = pl.when(pl.col("inverter_count").is_null().any()).then(0).otherwise(pl.col("inverter_count").sum())
    listed = unit.group_by("system_id", "circuit_id", maintain_order=True).agg(
        whole.alias("_listed"), pl.col("inverter_model").n_unique().alias("_models")
    )
    frame = circuit.join(listed, on=["system_id", "circuit_id"], how="left", maintain_order="left")
    frame = fill(frame, {"feed": policy.assume.feed})
    parts = pl.col("arm_counts").str.split("+")
    counts = parts.list.eval(pl.element().str.strip_chars().cast(pl.Int64, strict=False))
    frame = frame.with_columns(counts.alias("_stated"))
    frame = frame.with_columns(pl.col("_stated").list.sum().alias("_sum"), pl.col("_stated").list.min().alias("_least"))
    frame = frame.with_columns(pl.coalesce("inverter_count", "_listed", "_sum").alias("_count"))
    count = pl.col("_count")
    clash = (pl.col("_listed") != count).fill_null(False)
    sane = count.is_not_null() & (count >= 1) & (count <= policy.units_ceiling) & clash.not_()
    stated = pl.col("arm_counts").is_not_null()
    agrees = ((pl.col("_sum") == count) & (pl.col("_least") >= 1)).fill_null(False)
    two = pl.concat_arr((count + 1) // 2, count // 2).arr.to_list()
    halves = pl.when(count > 1).then(two).otherwise(pl.concat_list(count))
    laid = (
        pl.when(sane & stated & agrees)
        .then("_stated")
        .when(sane & stated.not_() & (pl.col("feed") == "end"))
        .then(pl.concat_list(count))
        .when(sane & stated.not_() & (pl.col("feed") == "centre"))
        .then(halves)
    )
    frame = frame.with_columns(laid.alias("_arms"), pl.when(sane).then(count).alias("inverter_count"))
    frame = add_bits(
        frame,
        {
            "inverter_count": pl.col("inverter_count").is_null(),
            "feed": pl.col("feed").is_null() & stated.not_(),
            "arm_counts": pl.col("inverter_count").is_not_null()
            & ((stated & agrees.not_()) | (stated.not_() & (pl.col("feed") == "arms"))),
        },
        {},
    )
    return frame.with_columns(
        pl.col("_arms").is_not_null().alias("laid_out"),
        pl.col("_arms").fill_null(pl.concat_list(pl.col("inverter_count").fill_null(1))).alias("arms"),
        (pl.col("_models") > 1).fill_null(False).alias("mixed_units"),
        pl.col("_listed").is_not_null().alias("units_listed"),
    ).drop("_listed", "_models", "_count", "_arms", "_stated", "_sum", "_least")


def lay_out(circuit: pl.DataFrame) -> Units:
    """Lay the units of circuits that have `arms`."""
    arms = circuit.select(pl.col("arms")).with_row_index("circuit").explode("arms")
    arm_circuit = arms["circuit"].cast(pl.Int64).to_numpy()
    layout = lay_units(arms["arms"].to_numpy(), arm_circuit)
    of_unit = arm_circuit[layout.unit_arm]
    per_circuit = np.bincount(of_unit, minlength=circuit.height)
    circuit_start = np.concatenate(([0], np.cumsum(per_circuit)))
    flat = np.empty(of_unit.size, dtype=np.int64)
    flat[circuit_start[of_unit] + layout.unit_cable_index] = np.arange(of_unit.size)
    return Units(layout.arm_start, arm_circuit, of_unit, layout.unit_rank, layout.unit_cable_index, flat, circuit_start)


def section_lengths(circuit: pl.DataFrame, units: Units) -> FloatArray:
    """Length [m] of the trunk section before each unit, with first sections and extra lengths."""
    section = column(circuit, "section_m")
    first = np.where(
        np.isnan(column(circuit, "first_section_m")), column(circuit, "_first_m"), column(circuit, "first_section_m")
    )
    length = np.where(units.rank == 1, first[units.circuit], section[units.circuit])
    extra = extra_pieces(circuit.select("extra_trunk").with_row_index("circuit"))
    if extra.height:
        _add_extra(length, units, extra["circuit"].to_numpy(), extra["after"].to_numpy(), extra["extra_m"].to_numpy())
    return length


def extra_pieces(circuit: pl.DataFrame) -> pl.DataFrame:
    """One row per piece of the circuits' `extra_trunk`, in its place: `after`, the unit it follows, and `extra_m`.

    The piece after unit a, counted along the cable, lies between units a and a + 1. Where the cable is fed between
    these two it is in the first section of the arm that begins with unit a + 1. After unit 0 is before the first.
    """
    parts = pl.col("extra_trunk").str.split("@").list
    pieces = circuit.filter(pl.col("extra_trunk").is_not_null()).with_columns(pl.col("extra_trunk").str.split("+"))
    return (
        pieces.explode("extra_trunk")
        .with_columns(
            parts.get(0).str.strip_chars().cast(pl.Int64).alias("after"),
            parts.get(1).str.strip_chars().cast(pl.Float64).alias("extra_m"),
        )
        .drop("extra_trunk")
    )


def _add_extra(length: FloatArray, units: Units, circuit: IntArray, after: IntArray, metres: FloatArray) -> None:
    """Add extra metres to the section beyond unit `after` (counted along the cable); beyond the last, none flows."""
    count = units.circuit_start[circuit + 1] - units.circuit_start[circuit]
    inside = after < count
    circuit, after, metres = circuit[inside], after[inside], metres[inside]
    beyond = units.flat[units.circuit_start[circuit] + after]
    before = units.flat[units.circuit_start[circuit] + np.maximum(after - 1, 0)]
    # In an arm laid backwards the outer unit has the smaller index along the cable.
    backwards = (after > 0) & (units.rank[before] == units.rank[beyond] + 1)
    np.add.at(length, np.where(backwards, before, beyond), metres)


def add_first_section(circuit: pl.DataFrame, policy: Policy) -> pl.DataFrame:
    """Add the length a first section has where none is stated, by the policy."""
    rule = policy.assume.first_section
    value = {"full": pl.col("section_m"), "zero": pl.lit(0.0), None: pl.lit(None, pl.Float64)}[rule]
    absent = pl.col("first_section_m").is_null()
    frame = circuit.with_columns(value.alias("_first_m"))
    return add_bits(
        frame,
        {"first_section_m": absent & pl.lit(rule is None)},
        {"first_section_m": absent & pl.lit(rule is not None)},
    )


def listed_units(circuit: pl.DataFrame, unit: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Return one row per listed unit of the circuits that list theirs: the circuit's row, place, current, power.

    Entries with a position stand there; the others fill the remaining places in order.
    """
    places = circuit.with_row_index("row").filter(pl.col("units_listed") & pl.col("inverter_count").is_not_null())
    places = places.select("row", "system_id", "circuit_id", "unit_voltage_v", "cos_phi", "inverter_count", "specs_on")
    rows = (
        unit.drop("grid_profile", strict=False)
        .rename({"inverter_count": "entry_count"})
        .join(places, on=["system_id", "circuit_id"], how="inner")
        .sort("row", "unit_order")
        .with_columns(pl.int_ranges(0, pl.col("entry_count")).alias("k"))
        .explode("k")
        .with_columns((pl.col("position") - 1 + pl.col("k")).alias("place"))
    )
    fixed = rows.filter(pl.col("place").is_not_null())
    free = rows.filter(pl.col("place").is_null()).drop("place")
    free = free.with_columns(pl.int_range(pl.len()).over("row").alias("turn"))
    slots = (
        places.select("row", pl.int_ranges(0, pl.col("inverter_count")).alias("place"))
        .explode("place")
        .join(fixed.select("row", "place"), on=["row", "place"], how="anti")
        .sort("row", "place")
        .with_columns(pl.int_range(pl.len()).over("row").alias("turn"))
    )
    free = free.join(slots, on=["row", "turn"], how="inner").drop("turn")
    rows = pl.concat([fixed, free.select(fixed.columns)])
    rows = unit_figures(join_spec(rows, catalog["inverter"], "inverter_model", "inverter"), catalog)
    return rows.filter(pl.col("place") < pl.col("inverter_count")).sort("row", "place")

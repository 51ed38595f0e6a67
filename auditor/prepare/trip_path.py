"""The voltage without export at which a system's worst unit just reaches its first overvoltage threshold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from auditor.electrical.arrays import FloatArray
from auditor.electrical.network import Network
from auditor.electrical.operating import no_export_voltage_at
from auditor.prepare.layout import column
from auditor.prepare.specs import Frames, lowest_levels


def add_first_profile(system: pl.DataFrame, unit: pl.DataFrame, catalog: Frames) -> pl.DataFrame:
    """Add `trip_profile`, the grid profile with the lowest first threshold among the system's and its units', and
    `trip_pu`, that threshold; both null where any of them is not in the catalog.
    """
    own = system.select("system_id", "grid_profile")
    listed = unit.filter(pl.col("grid_profile").is_not_null()).select("system_id", "grid_profile")
    every = pl.concat([own, listed.join(own.select("system_id"), on="system_id", how="semi")])
    levels = lowest_levels(catalog, every["grid_profile"])
    level = pl.col("grid_profile").replace_strict(levels, default=None, return_dtype=pl.Float64)
    first = (
        every.with_columns(level.alias("trip_pu"))
        .sort("system_id", "trip_pu", "grid_profile", nulls_last=False)
        .unique("system_id", keep="first", maintain_order=True)
        .select(
            "system_id", pl.when(pl.col("trip_pu").is_not_null()).then("grid_profile").alias("trip_profile"), "trip_pu"
        )
    )
    return system.join(first, on="system_id", how="left", maintain_order="left")


def no_export_pct(together: Network, turns: int, system: pl.DataFrame, circuit: pl.DataFrame) -> FloatArray:
    """The lowest supply voltage (S,) [% of nominal], over the turns, at which the worst unit just reaches `trip_pu`.

    The path holds the service entrance, the service drop and the transformer as far as they are known. NaN where the
    circuits, the units or the threshold are not known.
    """
    entrance, drop = (_known_ohm(system, run) for run in ("service_entrance", "service_drop"))
    winding = _transformer_ohm(system, together.three_phase)
    phase = [np.tile(e + d + w, turns) for e, d, w in zip(entrance, drop, winding, strict=True)]
    neutral = [np.tile(e + d, turns) for e, d in zip(entrance, drop, strict=True)]
    unmeasured = np.tile(circuit["home_run_no_length"].fill_null(False).to_numpy(), turns)
    network = replace(
        together,
        entrance_r_ohm=phase[0],
        entrance_x_ohm=phase[1],
        entrance_neutral_r_ohm=neutral[0] if together.three_phase else phase[0],
        entrance_neutral_x_ohm=neutral[1] if together.three_phase else phase[1],
        home_run_r_ohm=np.where(unmeasured, np.nan, together.home_run_r_ohm),
    )
    level_v = column(system, "trip_pu") * _unit_voltage(system, circuit)
    by_turn = no_export_voltage_at(network, np.tile(level_v, turns)) / together.nominal_v * 100
    return np.asarray(by_turn.reshape(turns, -1).min(axis=0))


def _known_ohm(system: pl.DataFrame, run: str) -> tuple[FloatArray, FloatArray]:
    """Impedance [ohm] of one conductor of a run, zero where `is_known` says it is not."""
    known = system.select(is_known(run)).to_series().to_numpy()
    r_ohm, x_ohm = (column(system, f"{run}_{part}_ohm") for part in ("r", "x"))
    return np.where(known, r_ohm, 0.0), np.where(known, np.nan_to_num(x_ohm), 0.0)


def is_known(run: str) -> pl.Expr:
    """Whether a run's impedance is known; a reactance does not count at unity power factor on two conductors."""
    plain = (pl.col("sin_phi") == 0).fill_null(False) & pl.col("three_phase_service").not_()
    return pl.col(f"{run}_r_ohm").is_not_null() & (pl.col(f"{run}_x_ohm").is_not_null() | plain)


def _transformer_ohm(system: pl.DataFrame, three_phase: bool) -> tuple[FloatArray, FloatArray]:
    """Impedance [ohm] of the transformer as that of one conductor, zero where unknown: Z = Z%·V²/S on the full winding.

    On two conductors half of it counts on each.
    """
    volts = column(system, "line_line_v")
    share = (1.0 if three_phase else 0.5) * volts * volts / (column(system, "transformer_kva") * 1000) / 100
    r_ohm, x_ohm = (share * column(system, f"transformer_{part}_pct") for part in ("r", "x"))
    known = ~np.isnan(r_ohm + x_ohm)
    return np.where(known, r_ohm, 0.0), np.where(known, x_ohm, 0.0)


def _unit_voltage(system: pl.DataFrame, circuit: pl.DataFrame) -> FloatArray:
    """Nominal voltage across the units (S,) [V], NaN where a system's units differ or lie on another voltage."""
    volts = circuit.group_by("system_row").agg(
        pl.when(
            (pl.col("unit_voltage_v").min() == pl.col("unit_voltage_v").max())
            & (pl.col("unit_voltage_v").is_not_null().all())
        )
        .then(pl.col("unit_voltage_v").first())
        .alias("volts")
    )
    rows = pl.DataFrame({"system_row": np.arange(system.height)}).join(
        volts, on="system_row", how="left", maintain_order="left"
    )
    found = column(rows, "volts")
    single = ~system["three_phase_service"].to_numpy()
    return np.where(single & (found != column(system, "line_line_v")), np.nan, found)

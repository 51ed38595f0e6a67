"""Circuits, feeders and systems as electrical networks, and the rises, currents and voltages of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray, total_by
from auditor.electrical.currents import conductor_currents
from auditor.electrical.design import design_rise
from auditor.electrical.network import Network
from auditor.electrical.operating import operating_voltage
from auditor.prepare.layout import Units, column, lay_out, section_lengths

PARTS = ("trunk", "home_run", "feeder", "service_entrance", "service_drop")

#: What `solve` returns: the columns of circuits, feeders and systems.
SOLVED = (
    (*(f"{part}_rise_pct" for part in PARTS), "known_rise_pct", "line_current_a", "trunk_largest_arm_a", "terminal_v",
     "solar_kva"),
    ("feeder_line_current_a",),
    ("solar_current_a", "solar_kva", "phase_kva_max", "phase_kva_min"),
)  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """Prepared frames of whole systems, sorted by key, with the row numbers that tie them."""

    system: pl.DataFrame
    feeder: pl.DataFrame
    circuit: pl.DataFrame
    listed: pl.DataFrame


def _pairs(circuit: pl.DataFrame, units: Units, turn: int) -> IntArray:
    """Conductor pair of each unit; a rotated circuit moves to the next pair with every unit along the cable."""
    first = circuit["first_pair"].to_numpy()[units.circuit]
    rotated = circuit["wiring"].is_in(["pairs", "neutral"]).fill_null(False).to_numpy()[units.circuit]
    base = (first // 3) * 3
    return np.where(rotated, base + (first - base + turn * units.cable_index) % 3, first).astype(np.int64)


def _override(values: FloatArray, units: Units, listed: pl.DataFrame, name: str) -> FloatArray:
    """Replace the figures of listed units; `row` and `place` say which."""
    if listed.height:
        flat = units.flat[units.circuit_start[listed["row"].to_numpy()] + listed["place"].to_numpy()]
        values[flat] = column(listed, name)
    return values


def _impedance(frame: pl.DataFrame, prefix: str, unity: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Resistance and reactance [ohm] of a run; a reactance that is not known does not matter at unity power factor."""
    r_ohm, x_ohm = column(frame, f"{prefix}_r_ohm"), column(frame, f"{prefix}_x_ohm")
    return r_ohm, np.where(np.isnan(x_ohm) & unity, 0.0, x_ohm)


def build(batch: Batch, three_phase: bool) -> tuple[Network, Units]:
    """Build the network of a batch whose systems are all three-phase, or all not."""
    circuit, feeder, system = batch.circuit, batch.feeder, batch.system
    units = lay_out(circuit)
    length = section_lengths(circuit, units)
    length = np.where(circuit["laid_out"].to_numpy()[units.circuit], length, np.nan)
    counted = circuit["inverter_count"].is_not_null().to_numpy()[units.circuit]

    def per_unit(name: str) -> FloatArray:
        return column(circuit, name)[units.circuit]

    current = _override(per_unit("unit_current_a"), units, batch.listed, "unit_current_a")
    power = _override(per_unit("unit_power_w"), units, batch.listed, "unit_power_w")
    cos = column(system, "cos_phi")
    of_system = circuit["system_row"].to_numpy()
    unity = (column(system, "sin_phi") == 0) & (not three_phase)
    home = _impedance(circuit, "home_run", unity[of_system])
    feed = _impedance(feeder, "feeder", unity[feeder["system_row"].to_numpy()])
    entrance = _impedance(system, "service_entrance", unity)
    network = Network(
        three_phase=three_phase,
        n_systems=system.height,
        arm_start=units.arm_start,
        arm_circuit=units.arm_circuit,
        circuit_feeder=circuit["feeder_row"].to_numpy(),
        feeder_system=feeder["system_row"].to_numpy(),
        section_r_ohm=length * per_unit("trunk_r_ohm_per_m") + per_unit("connector_r_ohm"),
        section_x_ohm=length * per_unit("trunk_x_ohm_per_m"),
        unit_current_a=np.where(counted, current, np.nan),
        unit_power_w=np.where(counted, power * cos[of_system][units.circuit], np.nan),
        unit_pair=_pairs(circuit, units, 1),
        nominal_v=column(system, "line_neutral_v" if three_phase else "network_v"),
        home_run_r_ohm=home[0],
        home_run_x_ohm=home[1],
        home_run_neutral_r_ohm=home[0],
        home_run_neutral_x_ohm=home[1],
        feeder_r_ohm=feed[0],
        feeder_x_ohm=feed[1],
        feeder_neutral_r_ohm=feed[0],
        feeder_neutral_x_ohm=feed[1],
        entrance_r_ohm=entrance[0],
        entrance_x_ohm=entrance[1],
        entrance_neutral_r_ohm=entrance[0],
        entrance_neutral_x_ohm=entrance[1],
        cos_phi=cos,
        sin_phi=column(system, "sin_phi"),
    )
    return network, units


def _worst_unit(total: FloatArray, units: Units) -> IntArray:
    """Index of the unit with the largest total of each circuit, the first where several tie."""
    starts = units.circuit_start[:-1]
    worst = np.maximum.reduceat(total, starts)
    numbers = np.where(total == worst[units.circuit], np.arange(total.size), total.size)
    return np.minimum.reduceat(numbers, starts)


def unit_rises(network: Network, units: Units, batch: Batch) -> dict[str, FloatArray]:
    """Rise of each part [%] at every unit, and `known`, the sum of what is known where the target counts; all (U,)."""
    rise = design_rise(network)
    drop = replace(
        network,
        entrance_r_ohm=column(batch.system, "service_drop_r_ohm"),
        entrance_x_ohm=column(batch.system, "service_drop_x_ohm"),
        entrance_neutral_r_ohm=column(batch.system, "service_drop_r_ohm"),
        entrance_neutral_x_ohm=column(batch.system, "service_drop_x_ohm"),
    )
    volts = (rise.trunk_v, rise.home_run_v, rise.feeder_v, rise.entrance_v, design_rise(drop).entrance_v)
    per = 100 / column(batch.circuit, "unit_voltage_v")[units.circuit]
    parts = dict(zip(PARTS, volts, strict=True))
    counted = (batch.circuit["rise_starts_at"] == "point of supply").to_numpy()[units.circuit]
    known = sum((np.nan_to_num(parts[name] * per) for name in PARTS[:3]), np.zeros(per.size))
    known = known + np.where(counted, np.nan_to_num(parts["service_entrance"] * per), 0.0)
    return {**{name: part * per for name, part in parts.items()}, "known": known}


def _rises(network: Network, units: Units, batch: Batch) -> dict[str, FloatArray]:
    """The rises at the worst unit of each circuit, (C,)."""
    rises = unit_rises(network, units, batch)
    at = _worst_unit(rises["known"], units)
    return {name: values[at] for name, values in rises.items()}


def _turned(network: Network, units: Units, batch: Batch) -> list[Network]:
    """The network with both directions of rotation where that matters: the sequence is not in the records."""
    if not network.three_phase:
        return [network]
    return [network, replace(network, unit_pair=_pairs(batch.circuit, units, -1))]


def _worse_of(first: dict[str, FloatArray], second: dict[str, FloatArray]) -> dict[str, FloatArray]:
    worse = second["known"] > first["known"]
    return {name: np.where(worse, second[name], first[name]) for name in first}


def _arm_currents(network: Network, circuits: int) -> FloatArray:
    """Worst line current [A] in the first section of each circuit's most loaded arm."""
    arms = network.arm_circuit.size
    none = np.zeros(arms)
    alone = replace(
        network,
        arm_circuit=np.arange(arms),
        circuit_feeder=np.arange(arms),
        feeder_system=network.arm_system,
        home_run_r_ohm=none,
        home_run_x_ohm=none,
        home_run_neutral_r_ohm=none,
        home_run_neutral_x_ohm=none,
        feeder_r_ohm=none,
        feeder_x_ohm=none,
        feeder_neutral_r_ohm=none,
        feeder_neutral_x_ohm=none,
    )
    per_arm = conductor_currents(alone).circuit_a.max(axis=1)
    starts = np.searchsorted(network.arm_circuit, np.arange(circuits))
    return np.maximum.reduceat(per_arm, starts)


def _phase_kva(network: Network, units: Units, batch: Batch) -> FloatArray:
    """Apparent power per phase [kVA], shape (systems, 3); a unit between two phases counts half on each."""
    volts = column(batch.circuit, "unit_voltage_v")[units.circuit]
    kva = network.unit_current_a * volts / 1000
    of_system = batch.circuit["system_row"].to_numpy()[units.circuit]
    pair = network.unit_pair
    phases = []
    for phase in range(3):
        share = np.where(pair == phase + 3, 1.0, 0.0) + np.where((pair == phase) | (pair == (phase + 2) % 3), 0.5, 0.0)
        phases.append(
            np.bincount(of_system, weights=np.where(share > 0, kva * share, 0.0), minlength=network.n_systems)
        )
    return np.stack(phases, axis=1)


def solve(batch: Batch, three_phase: bool) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return the electrical columns of circuits, feeders and systems, in the order of the batch's rows."""
    network, units = build(batch, three_phase)
    turned = _turned(network, units, batch)
    rises = _rises(turned[0], units, batch)
    for other in turned[1:]:
        rises = _worse_of(rises, _rises(other, units, batch))
    currents = [conductor_currents(n) for n in turned]
    top = network.nominal_v * column(batch.system, "service_top_pu")
    starts = units.circuit_start[:-1]
    unmeasured = batch.circuit["home_run_no_length"].fill_null(False).to_numpy()
    measured = np.where(unmeasured, np.nan, network.home_run_r_ohm)
    exact = [replace(n, home_run_r_ohm=measured) for n in turned]
    terminal = [np.maximum.reduceat(operating_voltage(n, top), starts) for n in exact]
    solar_kva = np.add.reduceat(network.unit_current_a, starts) * column(batch.circuit, "unit_voltage_v") / 1000
    circuit = pl.DataFrame(
        {
            **{f"{name}_rise_pct": rises[name] for name in PARTS},
            "known_rise_pct": rises["known"],
            "line_current_a": np.max([c.circuit_a.max(axis=1) for c in currents], axis=0),
            "trunk_largest_arm_a": _arm_currents(network, batch.circuit.height),
            "terminal_v": np.max(terminal, axis=0),
            "solar_kva": solar_kva,
        }
    )
    feeder = pl.DataFrame({"feeder_line_current_a": np.max([c.feeder_a.max(axis=1) for c in currents], axis=0)})
    system = {
        "solar_current_a": np.max([c.system_a.max(axis=1) for c in currents], axis=0),
        "solar_kva": total_by(batch.circuit["system_row"].to_numpy(), solar_kva, batch.system.height),
    }
    if three_phase:
        kva = _phase_kva(network, units, batch)
        system |= {"phase_kva_max": kva.max(axis=1), "phase_kva_min": kva.min(axis=1)}
    else:
        nothing = np.full(batch.system.height, np.nan)
        system |= {"phase_kva_max": nothing, "phase_kva_min": nothing}
    return circuit, feeder, pl.DataFrame(system)

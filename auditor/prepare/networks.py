"""Circuits, feeders and systems as electrical networks, and the rises, currents and voltages of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray, total_by
from auditor.electrical.currents import Currents, conductor_currents
from auditor.electrical.design import PartRises, part_rises, rise_ahead
from auditor.electrical.network import Network
from auditor.electrical.operating import operating_voltage
from auditor.prepare.layout import Units, column, lay_out, section_lengths
from auditor.prepare.trip_path import no_export_pct

PARTS = ("trunk", "home_run", "feeder", "service_entrance", "service_drop")

#: Relative difference up to which rises tie: which one counts must not hang on rounding.
_TIE = 1e-12

#: What `solve` returns: the columns of circuits, feeders and systems.
SOLVED = (
    (*(f"{part}_rise_pct" for part in PARTS), "known_rise_pct", "line_current_a", "trunk_largest_arm_a", "terminal_v",
     "solar_kva"),
    ("feeder_line_current_a",),
    ("solar_current_a", "solar_kva", "phase_kva_max", "phase_kva_min", "no_export_pct"),
)  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """Prepared frames of whole systems, sorted by key, with the row numbers that tie them."""

    system: pl.DataFrame
    feeder: pl.DataFrame
    circuit: pl.DataFrame
    listed: pl.DataFrame


def _pairs(circuit: pl.DataFrame, units: Units, turn: int, three_phase: bool = True) -> IntArray:
    """Conductor pair of each unit; a rotated circuit moves to the next pair with every unit along the cable.

    Units on two conductors have no pair to choose; theirs are zero.
    """
    if not three_phase:
        return np.zeros(units.circuit.size, dtype=np.int64)
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
        unit_pair=_pairs(circuit, units, 1, three_phase),
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
    """Index of the unit with the largest total of each circuit, the first where several tie but for rounding."""
    starts = units.circuit_start[:-1]
    worst = np.maximum.reduceat(total, starts)
    tied = (worst - np.abs(worst) * _TIE)[units.circuit]
    numbers = np.where(total >= tied, np.arange(total.size), total.size)
    return np.minimum.reduceat(numbers, starts)


@dataclass(frozen=True)
class _Rises:
    """The design-practice rises [%] of a batch.

    Attributes
    ----------
    trunk : (U,) at each unit.
    runs : by part of the path but the trunk, (P, C) in what feeds each circuit, along each pair of conductors.
    pair : (U,) the pair of each unit; zero where there is but one.
    """

    trunk: FloatArray
    runs: dict[str, FloatArray]
    pair: IntArray


def _percent(network: Network, rise: PartRises, units: Units, batch: Batch) -> _Rises:
    """The rises over the nominal voltage of each circuit's units; the service drop lies ahead of the entrance."""
    per = 100 / column(batch.circuit, "unit_voltage_v")
    drop = rise_ahead(
        network, rise, column(batch.system, "service_drop_r_ohm"), column(batch.system, "service_drop_x_ohm")
    )
    system = batch.circuit["system_row"].to_numpy()
    runs = (rise.home_run_v, rise.feeder_v[:, network.circuit_feeder], rise.entrance_v[:, system], drop[:, system])
    return _Rises(
        rise.trunk_v * per[units.circuit],
        {name: volts * per for name, volts in zip(PARTS[1:], runs, strict=True)},
        network.unit_pair,
    )


def _known(rises: _Rises, units: Units, batch: Batch) -> FloatArray:
    """The sum (U,) of what is known where the target counts [%]."""
    counted = (batch.circuit["rise_starts_at"] == "point of supply").to_numpy()
    runs = np.nan_to_num(rises.runs["home_run"]) + np.nan_to_num(rises.runs["feeder"])
    runs += np.where(counted, np.nan_to_num(rises.runs["service_entrance"]), 0.0)
    return np.nan_to_num(rises.trunk) + runs[rises.pair, units.circuit]


def unit_rises(network: Network, units: Units, batch: Batch) -> dict[str, FloatArray]:
    """Rise of each part [%] at every unit, and `known`, the sum of what is known where the target counts; all (U,)."""
    rises = _percent(network, part_rises(network), units, batch)
    runs = {name: values[rises.pair, units.circuit] for name, values in rises.runs.items()}
    return {"trunk": rises.trunk, **runs, "known": _known(rises, units, batch)}


def _worst_rises(network: Network, rise: PartRises, units: Units, batch: Batch) -> dict[str, FloatArray]:
    """The rises at the worst unit of each circuit, (C,)."""
    rises = _percent(network, rise, units, batch)
    known = _known(rises, units, batch)
    at = _worst_unit(known, units)
    pair, circuit = rises.pair[at], np.arange(at.size)
    runs = {name: values[pair, circuit] for name, values in rises.runs.items()}
    return {"trunk": rises.trunk[at], **runs, "known": known[at]}


def _turned(network: Network, units: Units, batch: Batch) -> list[Network]:
    """The network with both directions of rotation where that matters: the sequence is not in the records."""
    if not network.three_phase:
        return [network]
    return [network, replace(network, unit_pair=_pairs(batch.circuit, units, -1))]


def _together(turned: list[Network]) -> Network:
    """All turns as one network: what they have in common is done once."""
    return turned[0] if len(turned) == 1 else turned[0].beside(turned[1])


def _rise_of(rise: PartRises, turn: int, turns: int) -> PartRises:
    """The part of one turn in the rises of all turns together."""

    def part(values: FloatArray) -> FloatArray:
        return np.split(values, turns, axis=-1)[turn]

    return PartRises(
        part(rise.trunk_v), part(rise.home_run_v), part(rise.feeder_v), part(rise.entrance_v), part(rise.system_a)
    )


def is_worse(second: FloatArray, first: FloatArray) -> BoolArray:
    """Whether a rise is larger than another by more than rounding."""
    return second > first + np.abs(first) * _TIE


def _worse_of(first: dict[str, FloatArray], second: dict[str, FloatArray]) -> dict[str, FloatArray]:
    worse = is_worse(second["known"], first["known"])
    return {name: np.where(worse, second[name], first[name]) for name in first}


def _worst(values: FloatArray, turns: int) -> FloatArray:
    """The largest over the conductors and turns of currents (turns times n, k): (n,)."""
    return np.asarray(values.max(axis=1).reshape(turns, -1).max(axis=0))


def _largest_arm(currents: Currents, network: Network) -> FloatArray:
    """Worst line current (C,) [A] in the first section of each circuit's most loaded arm, in the first turn."""
    per_arm = currents.arm_a[: len(network.arm_circuit)].max(axis=1)
    starts = np.searchsorted(network.arm_circuit, np.arange(len(network.circuit_feeder)))
    return np.maximum.reduceat(per_arm, starts)


def _phase_kva(network: Network, units: Units, batch: Batch) -> FloatArray:
    """Apparent power per phase [kVA], shape (systems, 3); a unit between two phases counts half on each."""
    volts = column(batch.circuit, "unit_voltage_v")[units.circuit]
    of_system = batch.circuit["system_row"].to_numpy()[units.circuit]
    by_pair = total_by(
        of_system * 6 + network.unit_pair, network.unit_current_a * volts / 1000, network.n_systems * 6
    ).reshape(-1, 6)
    return np.stack(
        [by_pair[:, phase + 3] + (by_pair[:, phase] + by_pair[:, (phase + 2) % 3]) / 2 for phase in range(3)], axis=1
    )


def _terminal(together: Network, turns: int, units: Units, batch: Batch) -> FloatArray:
    """The exact voltage (C,) [V] at the worst unit of each circuit with the supply at the top of its range."""
    unmeasured = batch.circuit["home_run_no_length"].fill_null(False).to_numpy()
    exact = replace(together, home_run_r_ohm=np.where(np.tile(unmeasured, turns), np.nan, together.home_run_r_ohm))
    top = np.tile(column(batch.system, "service_top_pu"), turns) * together.nominal_v
    by_turn = operating_voltage(exact, top).reshape(turns, -1)
    return np.asarray(np.maximum.reduceat(by_turn, units.circuit_start[:-1], axis=1).max(axis=0))


def solve(batch: Batch, three_phase: bool) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return the electrical columns of circuits, feeders and systems, in the order of the batch's rows."""
    network, units = build(batch, three_phase)
    turned = _turned(network, units, batch)
    together, turns = _together(turned), len(turned)
    rise, currents = part_rises(together), conductor_currents(together)
    rises, *others = (_worst_rises(each, _rise_of(rise, turn, turns), units, batch) for turn, each in enumerate(turned))
    for other in others:
        rises = _worse_of(rises, other)
    solar_kva = np.add.reduceat(network.unit_current_a, units.circuit_start[:-1])
    solar_kva = solar_kva * column(batch.circuit, "unit_voltage_v") / 1000
    circuit = pl.DataFrame(
        {
            **{f"{name}_rise_pct": rises[name] for name in PARTS},
            "known_rise_pct": rises["known"],
            "line_current_a": _worst(currents.circuit_a, turns),
            "trunk_largest_arm_a": _largest_arm(currents, network),
            "terminal_v": _terminal(together, turns, units, batch),
            "solar_kva": solar_kva,
        }
    )
    feeder = pl.DataFrame({"feeder_line_current_a": _worst(currents.feeder_a, turns)})
    system: dict[str, FloatArray] = {
        "solar_current_a": _worst(currents.system_a, turns),
        "solar_kva": total_by(batch.circuit["system_row"].to_numpy(), solar_kva, batch.system.height),
    }
    if three_phase:
        kva = _phase_kva(network, units, batch)
        system |= {"phase_kva_max": kva.max(axis=1), "phase_kva_min": kva.min(axis=1)}
    else:
        nothing = np.full(batch.system.height, np.nan)
        system |= {"phase_kva_max": nothing, "phase_kva_min": nothing}
    system["no_export_pct"] = no_export_pct(together, turns, batch.system, batch.circuit)
    return circuit, feeder, pl.DataFrame(system)

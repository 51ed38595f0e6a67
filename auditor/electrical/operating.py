"""The operating point: the exact AC solution with constant-power units, walked from the ends of the trunks.

Assume the voltage at the end of every arm. Walking towards the source then gives every current and voltage of the arm
exactly, and the currents give the rise along the runs: what the feed point has, and what it ought to have. The ends
move by what is lacking, less what a rough model says the rises shrink by, and the walk starts anew: a ladder iterative
technique [1]_ whose rounds each leave about the square of the rise, in parts of the voltage, of the error before. A
system has settled when its last move leaves less than 3e-10 of its voltage by that measure. Its voltages are taken then
and it leaves the batch, whatever the rest still needs, so its result does not depend on the others.

.. [1] W. H. Kersting, Distribution System Modeling and Analysis, the ladder iterative technique (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from auditor.electrical.arrays import BoolArray, FloatArray, IntArray, Phasors
from auditor.electrical.batch import Batch
from auditor.electrical.network import Network
from auditor.electrical.trunks import RoughArms, arm_excess, largest, unit_magnitudes, walk_back

#: What may be left of the error, by estimate, in parts of the voltage.
_LEFT = 3e-10
#: A round is taken to leave so many squares of the rise, on loops or on three phases, and at least such a part of the
#: error before. Against solutions of many more rounds it left less.
_SQUARES, _LEAST_PART = {1: 1.0, 4: 4.0}, 1e-3
#: Change, in parts of the voltage, below which a source that is sought has settled: a round leaves less than a
#: hundredth of it.
_SETTLED = 1e-8
#: Arms that are solved together: wide enough to outweigh a call, narrow enough to stay near the processor.
_PIECE_ARMS = 16_384
#: Nearly all systems settle in two or three rounds.
_MOST_ROUNDS = 300


@dataclass(frozen=True)
class _Rest:
    """The systems that have not settled.

    Attributes
    ----------
    network, batch : they alone, and laid out.
    system, unit : (S,), (U,) the number among all of each system, and of the unit at each position.
    given_v : (S,) the source's voltage, or that of the worst unit where the source is sought [V].
    end_v : (2, T, A) voltages at the ends of the arms [V].
    """

    network: Network
    batch: Batch
    rough: RoughArms
    system: IntArray
    unit: IntArray
    given_v: FloatArray
    end_v: Phasors

    @classmethod
    def all_of(cls, network: Network, given_v: FloatArray) -> _Rest:
        """All systems, the ends of their arms at the given voltage."""
        batch = Batch.of(network)
        system, unit, end_v = np.arange(network.n_systems), batch.ladders.unit_order, batch.source_at_arms(given_v)
        return cls(network, batch, RoughArms.of(batch), system, unit, given_v, end_v)

    def only(self, systems: BoolArray, end_v: Phasors) -> _Rest:
        """Return the marked systems, the ends of their arms at these voltages (2, T, A) of all."""
        network, units = self.network.select(systems)
        batch = Batch.of(network)
        by_arm_v = np.empty((*end_v.shape[:2], len(self.network.arm_circuit)))
        by_arm_v[..., self.batch.ladders.arm_order] = end_v
        by_arm_v = by_arm_v[..., systems[self.network.arm_system]]
        by_unit = np.empty_like(self.unit)
        by_unit[self.batch.ladders.unit_order] = self.unit
        return _Rest(
            network,
            batch,
            RoughArms.of(batch),
            self.system[systems],
            by_unit[units][batch.ladders.unit_order],
            self.given_v[systems],
            by_arm_v[..., batch.ladders.arm_order],
        )


@np.errstate(all="ignore")
def operating_voltage(network: Network, source_v: FloatArray) -> FloatArray:
    """Return the terminal voltage (U,) [V] of every unit at full output: P = unit_power_w, Q = P·sin φ/cos φ.

    Parameters
    ----------
    network : the systems.
    source_v : (S,) magnitude of the balanced source [V]: across a unit, or phase to neutral on three phases.

    Returns
    -------
    Magnitudes across the units; NaN for all units of a system that does not settle or misses a figure it rests on.
    """
    found_v = np.empty(len(network.unit_power_w))
    for piece, systems, units in network.pieces(_PIECE_ARMS):
        found_v[units] = _piece_voltage(piece, source_v[systems])
    # One kind of NaN, whichever arithmetic it came from.
    found_v[np.isnan(found_v)] = np.nan
    return found_v


def _piece_voltage(network: Network, source_v: FloatArray) -> FloatArray:
    """Solve one piece of a network; no system settles in the first round."""
    found_v = np.full(len(network.unit_power_w), np.nan)
    rest = _Rest.all_of(network, source_v)
    end_v = rest.end_v + rest.rough.move(rest.batch, rest.end_v, rest.rough.rise(rest.batch, rest.end_v))
    for number in range(_MOST_ROUNDS):
        batch, at_source_v = rest.batch, rest.batch.source_at_arms(rest.given_v)
        walk = walk_back(batch, end_v)
        move_v = rest.rough.move(batch, end_v, at_source_v + batch.feed_rise(walk.feed_a) - walk.feed_v)
        moved_v = end_v + move_v
        if number > 0:
            left = _left(rest, move_v, moved_v - at_source_v)
            move_v[..., np.isnan(left)[batch.arm_system]] = np.nan
            found_v[rest.unit] = unit_magnitudes(batch, walk, end_v, move_v)
            still = left > _LEFT
            if not still.any():
                break
            if not still.all():
                rest = rest.only(still, moved_v)
                moved_v = rest.end_v
        end_v = moved_v
    else:
        found_v[rest.unit] = np.nan
    return found_v


def _left(rest: _Rest, move_v: Phasors, rise_v: Phasors) -> FloatArray:
    """Return what a move (2, T, A) leaves of the error of each system (S,), in parts of the given voltage."""
    given_v = rest.given_v[rest.batch.arm_system]
    part = np.maximum(_SQUARES[rest.batch.wiring.rows] * largest(rise_v) / (given_v * given_v), _LEAST_PART)
    return rest.batch.worst(np.sqrt(largest(move_v)) / given_v * part, 0.0)


@np.errstate(all="ignore")
def no_export_voltage_at(network: Network, terminal_v: FloatArray) -> FloatArray:
    """Return the source voltage (S,) [V] at which the worst unit of a system just reaches a terminal voltage.

    With nothing exported the units would see just that source. In every round the source moves by what the worst unit
    lacks, before the next walk, until both have settled.

    Parameters
    ----------
    network : the systems.
    terminal_v : (S,) voltage across a unit's own terminals [V].

    Returns
    -------
    Source voltage across a unit, or phase to neutral on three phases; NaN where there is none above zero.
    """
    found_v = np.empty(network.n_systems)
    for piece, systems, _ in network.pieces(_PIECE_ARMS):
        found_v[systems] = _piece_source(piece, terminal_v[systems])
    return found_v


def _piece_source(network: Network, terminal_v: FloatArray) -> FloatArray:
    """Seek the sources of one piece of a network; what has settled leaves the batch when it is half of it."""
    found_v = np.full(network.n_systems, np.nan)
    rest, source_v = _Rest.all_of(network, terminal_v), network.nominal_v
    end_v = rest.batch.source_at_arms(source_v)
    rest = replace(rest, end_v=end_v + rest.rough.rise(rest.batch, end_v))
    seeking = np.ones(network.n_systems, dtype=np.bool_)
    for _ in range(_MOST_ROUNDS):
        end_v = rest.end_v
        move_v, source_moves_v = _towards(rest, source_v)
        source_v = source_v + source_moves_v
        change = np.maximum(rest.batch.worst(np.sqrt(largest(move_v)), 0.0), np.abs(source_moves_v)) / rest.given_v
        settled = seeking & (change <= _SETTLED) & (source_v > 0)
        found_v[rest.system[settled]] = source_v[settled]
        seeking &= np.isfinite(change) & ~settled
        if not seeking.any():
            break
        if 2 * seeking.sum() < seeking.size:
            rest, source_v, seeking = rest.only(seeking, end_v + move_v), source_v[seeking], seeking[seeking]
        else:
            rest = replace(rest, end_v=end_v + move_v)
    return found_v


def _towards(rest: _Rest, source_v: FloatArray) -> tuple[Phasors, FloatArray]:
    """By how much the ends (2, T, A) and the sources (S,) move [V] so that the worst units reach the given voltage.

    A rise shrinks as the voltage grows: V = Vs + RP/V, so that a unit follows its source by 1 / (1 + RP/V²).
    """
    batch, end_v = rest.batch, rest.end_v
    walk = walk_back(batch, end_v)
    lacks_v = batch.source_at_arms(source_v) + batch.feed_rise(walk.feed_a) - walk.feed_v
    move_v = rest.rough.move(batch, end_v, lacks_v)
    excess_v, highest_v = (
        batch.worst(part_v, -np.inf)
        for part_v in arm_excess(batch, unit_magnitudes(batch, walk, end_v, move_v), rest.given_v)
    )
    source_moves_v = -excess_v * (2.0 - source_v / highest_v)
    return move_v + rest.rough.move(batch, end_v, batch.source_at_arms(source_moves_v)), source_moves_v

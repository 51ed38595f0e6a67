"""Trunks at their exact operating point: a walk from an assumed end voltage to the feed point, and its correction.

With the voltage at the end of an arm assumed, the walk towards the feed point finds every current and voltage on the
way exactly, and so what the feed point would have to be. A rough model of the arm, all of its power at its end, says
how far the end must move for the feed point to meet what the runs deliver.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, Phasors, rise_through
from auditor.electrical.batch import Batch
from auditor.electrical.ladders import Block
from auditor.electrical.wiring import across, inject

#: Shrinking of a rise, in parts of the move, up to which the rough model is used.
_TRUSTED = 0.5


@dataclass(frozen=True)
class Walk:
    """What a walk found: voltages (2, U) [V] across units, and voltages and currents (2, T, A) at the feed points."""

    unit_v: Phasors
    feed_v: Phasors
    feed_a: Phasors


def walk_back(batch: Batch, end_v: Phasors) -> Walk:
    """Walk from the ends of all arms, at these voltages (2, T, A) [V], to their feed points."""
    found = Walk(np.empty((2, batch.power_w.size)), end_v.copy(), np.zeros_like(end_v))
    for block in batch.ladders.blocks:
        _walk_block(batch, block, found)
    return found


def _walk_block(batch: Batch, block: Block, found: Walk) -> None:
    """Walk a block back; arms on three phases whose units all sit on one pair are walked as loops of its conductors."""
    node_v, beyond_a = found.feed_v[..., block.columns], found.feed_a[..., block.columns]
    pair = block.only_pair
    if node_v.shape[1] == 1 or pair is None:
        _walk_rows(batch, block, 1, node_v, beyond_a, found.unit_v)
        return
    loop_v = across(node_v, pair)[:, None].copy()
    loop_a = np.zeros_like(loop_v)
    _walk_rows(batch, block, 2, loop_v, loop_a, found.unit_v)
    inject(node_v, pair, (loop_v[:, 0] - across(node_v, pair)) / 2)
    inject(beyond_a, pair, loop_a[:, 0] / 2)


def _walk_rows(
    batch: Batch, block: Block, times: int, node_v: Phasors, beyond_a: Phasors, block_unit_v: Phasors
) -> None:
    """Walk rows (2, T, n) back, in place, each current counted so many times, and write the voltages of the units."""
    tan = batch.arm_tan[block.columns]
    reactive = bool(np.any(tan != 0))
    scratch = np.empty_like(node_v)
    for section in reversed(block.sections):
        width, at = section.width, section.at
        v, a, step_v = node_v[..., :width], beyond_a[..., :width], scratch[..., :width]
        unit_v = block_unit_v[:, at]
        unit_v[...] = across(v, section.pair)
        power_w = batch.power_w[at] if times == 1 else times * batch.power_w[at]
        inject(a, section.pair, _unit_currents(power_w, tan[:width] if reactive else None, unit_v))
        np.multiply(batch.r_ohm[at], a, out=step_v)
        v -= step_v
        np.multiply(batch.x_ohm[at], a, out=step_v)
        v[0] += step_v[1]
        v[1] -= step_v[0]


def _unit_currents(power_w: FloatArray, tan: FloatArray | None, unit_v: Phasors) -> Phasors:
    """Return conj((P + jQ)/V), shape (2, n) [A]; `tan` is Q/P, None where there is no Q."""
    square = unit_v * unit_v
    siemens = np.divide(power_w, np.add(square[0], square[1], out=square[0]), out=square[0])
    current_a = unit_v.copy()
    if tan is not None:
        current_a[0] += tan * unit_v[1]
        current_a[1] -= tan * unit_v[0]
    current_a *= siemens
    return current_a


@dataclass(frozen=True)
class RoughArms:
    """Arms with the power of each pair at their ends.

    Attributes
    ----------
    power_w : (T, A) real power by pair: the units of an arm between phases, or to neutral, by the phase they start on.
    r_ohm, x_ohm : (T, A) impedance of a row along the arm, each section weighed by the share of a pair's power beyond.
    """

    power_w: FloatArray
    r_ohm: FloatArray
    x_ohm: FloatArray

    @classmethod
    def of(cls, batch: Batch) -> RoughArms:
        """Gather the arms of a batch."""
        power_w, drop_r, drop_x = (np.zeros((batch.wiring.trunk_rows, batch.arm_system.size)) for _ in range(3))
        for block in batch.ladders.blocks:
            pair = block.only_pair
            rows = slice(None) if pair is None else slice(pair % 3, pair % 3 + 1)
            for section in reversed(block.sections):
                at = section.at
                here = rows, slice(block.columns.start, block.columns.start + section.width)
                power_w[section.pair % 3, here[1]] += batch.power_w[at]
                drop_r[here] += batch.r_ohm[at] * power_w[here]
                drop_x[here] += batch.x_ohm[at] * power_w[here]
        per = np.where(power_w == 0, 1.0, power_w)
        return cls(power_w, drop_r / per, drop_x / per)

    def rise(self, batch: Batch, end_v: Phasors, other_v: Phasors | None = None) -> Phasors:
        """Return the rise (2, T, A) [V] from the source to the ends at these voltages.

        With other voltages, that of the currents conj(S/V²)·conj(other): by how much a rise shrinks where the ends move
        from V by the other.
        """
        v = _pairs(batch, end_v)
        size = v[0] * v[0] + v[1] * v[1]
        if other_v is None:
            siemens = self.power_w / size
            pair_a = np.stack([siemens * (v[0] + batch.arm_tan * v[1]), siemens * (v[1] - batch.arm_tan * v[0])])
        else:
            per = self.power_w / (size * size)
            re, im = per * (v[0] * v[0] - v[1] * v[1]), per * (2 * v[0] * v[1])
            re, im = re + batch.arm_tan * im, im - batch.arm_tan * re
            move = _pairs(batch, other_v)
            pair_a = np.stack([re * move[0] + im * move[1], im * move[0] - re * move[1]])
        rise_v = batch.feed_rise(_rows(batch, pair_a))
        rise_v += _rows(batch, rise_through(self.r_ohm, self.x_ohm, pair_a))
        return rise_v

    def move(self, batch: Batch, end_v: Phasors, lacks_v: Phasors) -> Phasors:
        """Return by how much ends at these voltages must move where their feed points lack so much, (2, T, A) [V].

        Units at higher voltages send less current, so that the rises shrink; the model tells by how much.
        Where it shrinks a rise by more than half of the move, far beyond any sound wiring, the model is not used.
        """
        shrinks_v = self.rise(batch, end_v, lacks_v)
        shrinks_v[..., largest(shrinks_v) > _TRUSTED * _TRUSTED * largest(lacks_v)] = 0.0
        return lacks_v - shrinks_v


def _rows(batch: Batch, pairs: Phasors) -> Phasors:
    """Return what the rows (2, T, A) of trunks hold of quantities that pairs (2, T, A) inject."""
    if pairs.shape[1] == 1:
        return pairs
    rows = pairs - np.roll(pairs, 1, axis=1)
    neutral = pairs[..., batch.ladders.to_pairs :]
    rows[..., batch.ladders.to_pairs :] = neutral + (neutral[:, 0] + neutral[:, 1] + neutral[:, 2])[:, None]
    return rows


def largest(trunk_v: Phasors) -> FloatArray:
    """Return the square of the largest of each arm's rows (A,) [V²]."""
    return np.asarray((trunk_v[0] * trunk_v[0] + trunk_v[1] * trunk_v[1]).max(axis=0))


def _pairs(batch: Batch, trunk_v: Phasors) -> Phasors:
    """Return the voltages (2, T, A) across the pairs of each arm from those of its rows."""
    if trunk_v.shape[1] == 1:
        return trunk_v
    pairs = trunk_v - np.roll(trunk_v, -1, axis=1)
    neutral = slice(batch.ladders.to_pairs, None)
    pairs[..., neutral] = trunk_v[..., neutral]
    return pairs


def unit_magnitudes(batch: Batch, walk: Walk, end_v: Phasors, shift_v: Phasors) -> FloatArray:
    """Return the voltage (U,) [V] across each unit, by position, when the ends (2, T, A) move by a small shift.

    A rise inside an arm shrinks as the end's voltage grows, so that a unit moves by the shift and by the part of it
    that the rise from the unit to the end is of the end's voltage.
    """
    found_v = np.empty(batch.power_w.size)
    for block in batch.ladders.blocks:
        by_pair = {}
        for section in block.sections:
            if section.pair not in by_pair:
                by_pair[section.pair] = _small_move(
                    end_v[..., block.columns], shift_v[..., block.columns], section.pair
                )
            shrink, move_v = (part[:, : section.width] for part in by_pair[section.pair])
            v = walk.unit_v[:, section.at]
            moved = v * shrink[0]
            moved[0] -= v[1] * shrink[1]
            moved[1] += v[0] * shrink[1]
            moved += move_v
            moved *= moved
            np.sqrt(np.add(moved[0], moved[1], out=moved[0]), out=found_v[section.at])
    return found_v


def _small_move(end_v: Phasors, shift_v: Phasors, pair: int) -> tuple[Phasors, Phasors]:
    """Return the factor and the addend, (2, n) each, that move the voltages of units across a pair."""
    v, move = across(end_v, pair), across(shift_v, pair)
    square = v[0] * v[0] + v[1] * v[1]
    # conj(shift/end)
    part = np.stack([v[0] * move[0] + v[1] * move[1], v[1] * move[0] - v[0] * move[1]]) / square
    add_v = np.stack([move[0] + v[0] * part[0] - v[1] * part[1], move[1] + v[0] * part[1] + v[1] * part[0]])
    return np.stack([1 - part[0], -part[1]]), add_v


def arm_excess(batch: Batch, unit_v: FloatArray, terminal_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return by how much the worst unit of each arm exceeds a terminal voltage (S,), and the arm's highest, both (A,).

    Units are at voltages (U,) by position; over the nominal voltage across their pairs, in parts of that from phase to
    neutral [V].
    """
    excess_v, highest_v = (np.full(batch.arm_system.size, -np.inf) for _ in range(2))
    limit_v = terminal_v[batch.arm_system]
    for block in batch.ladders.blocks:
        for section in block.sections:
            here = slice(block.columns.start, block.columns.start + section.width)
            at_v, span = unit_v[section.at], batch.wiring.span[section.pair]
            np.maximum(excess_v[here], (at_v - limit_v[here]) / span, out=excess_v[here])
            np.maximum(highest_v[here], at_v / span, out=highest_v[here])
    return excess_v, highest_v

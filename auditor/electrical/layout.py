"""Where units sit: arms from the feed point, and the order along the cable that was cut for the circuit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import BoolArray, IntArray


@dataclass(frozen=True)
class Layout:
    """Units laid on arms.

    Attributes
    ----------
    arm_start : (A+1,) offsets of the arms into the units.
    unit_arm : (U,) the arm of each unit.
    unit_rank : (U,) place on the arm, 1 nearest the feed point.
    unit_cable_index : (U,) place along the cut cable, 0 at its start.
    """

    arm_start: IntArray
    unit_arm: IntArray
    unit_rank: IntArray
    unit_cable_index: IntArray


def split_arms(counts: IntArray, centre: BoolArray) -> tuple[IntArray, IntArray]:
    """Split circuits into arms: an end feed is one arm, a centre feed two, the first the larger by at most one.

    Parameters
    ----------
    counts, centre : (C,) units of each circuit, and whether it is fed in the centre; one unit makes one arm.

    Returns
    -------
    arm_counts, arm_circuit : (A,) units of each arm and its circuit, sorted by circuit.
    """
    halved = centre & (counts >= 2)
    arm_circuit = np.repeat(np.arange(len(counts)), np.where(halved, 2, 1))
    is_second = np.zeros(len(arm_circuit), dtype=bool)
    is_second[1:] = arm_circuit[1:] == arm_circuit[:-1]
    whole = counts[arm_circuit]
    half = np.where(is_second, whole // 2, whole - whole // 2)
    return np.where(halved[arm_circuit], half, whole), arm_circuit


def lay_units(arm_counts: IntArray, arm_circuit: IntArray) -> Layout:
    """Lay units on arms, arm by arm.

    A cut cable keeps its sequence: of a circuit with two arms or more the first lies backwards, from the feed point
    towards the start of the cable, and the others follow forwards.

    Parameters
    ----------
    arm_counts, arm_circuit : (A,) units of each arm and its circuit, sorted by circuit.
    """
    arms = np.arange(len(arm_counts))
    arm_start = np.concatenate([[0], np.cumsum(arm_counts)]).astype(np.int64)
    unit_arm = np.repeat(arms, arm_counts)
    unit_rank = np.arange(arm_start[-1]) - arm_start[unit_arm] + 1
    is_first = np.diff(arm_circuit, prepend=-1) != 0
    first_arm = np.maximum.accumulate(np.where(is_first, arms, 0))
    backwards = is_first & ~np.append(is_first[1:], True)
    cable_start = arm_start[:-1] - arm_start[first_arm]
    along = np.where(backwards[unit_arm], arm_counts[unit_arm] - unit_rank, unit_rank - 1)
    return Layout(arm_start, unit_arm, unit_rank, cable_start[unit_arm] + along)

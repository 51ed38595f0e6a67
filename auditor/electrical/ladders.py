"""Arms as ladders, laid side by side in blocks.

A block holds arms whose units sit across the same pairs in the same order, longest first. The arms that have a k-th
section are then the first so many, and all k-th sections lie side by side: one step along all ladders of a block is
arithmetic on contiguous arrays. On three phases an arm is turned first, so that its first unit sits on the first pair:
cables that start on another pair then share a block. What happens to an arm does not depend on its neighbours, and
arms are ordered by what they are, so a system's result is the same to the bit in any batch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import BoolArray, IntArray
from auditor.electrical.network import Network

#: Most arms in a block: wide enough to outweigh a call, narrow enough for a step's arrays to stay in the cache.
BLOCK_ARMS = 16_384


@dataclass(frozen=True)
class Section:
    """One section of the arms of a block: the first `width` columns, the positions of the units behind it, their pair.

    The pair is that of the turned arm.
    """

    width: int
    at: slice
    pair: int


@dataclass(frozen=True)
class Block:
    """The columns of a block, and its sections from the feed point outwards."""

    columns: slice
    sections: tuple[Section, ...]

    @property
    def only_pair(self) -> int | None:
        """The pair that all units of the block sit across; None where there are several."""
        pairs = {section.pair for section in self.sections}
        return pairs.pop() if len(pairs) == 1 else None


@dataclass(frozen=True)
class Ladders:
    """Where the units of a network lie: units (U,) at positions, arms that have units (A,) in columns.

    Attributes
    ----------
    arm_order : (A,) the arm in each column.
    unit_order : (U,) the unit at each position.
    turn : (A,) by how many phases an arm is turned: row i of its trunk is phase (i + turn) mod 3; zero for loops.
    phase_of_row, row_of_phase : (3A,) places of the rows' phases in the flat (K, A), and of the phases' rows in the
        flat (3, A); empty for loops.
    to_pairs : how many columns, the first ones, hold units between phases or on loops; the others, some to neutral.
    blocks : all columns and all positions, in order.
    """

    arm_order: IntArray
    unit_order: IntArray
    turn: IntArray
    phase_of_row: IntArray
    row_of_phase: IntArray
    to_pairs: int
    blocks: tuple[Block, ...]


def lay_ladders(network: Network) -> Ladders:
    """Return the layout of a network's arms; arms without units are left out."""
    counts = np.diff(network.arm_start)
    arms = np.flatnonzero(counts)
    kind, turn, neutral = _kinds(network, arms) if network.three_phase else (np.zeros_like(arms),) * 3
    longest = int(counts.max(initial=0))
    rank = kind * (longest + 1) + longest - counts[arms]
    # Small numbers are sorted by radix.
    order = np.argsort(rank.astype(np.uint16) if rank.max(initial=0) < 1 << 16 else rank, kind="stable")
    arms, kind = arms[order], kind[order]
    unit_order = np.empty(int(counts.sum()), dtype=np.int64)
    blocks: list[Block] = []
    for columns in _runs(kind):
        blocks.append(_block(network, arms[columns], columns, int(turn[order[columns.start]]), unit_order, blocks))
    turn = turn[order]
    phases, columns_of = np.arange(3 if network.three_phase else 0)[:, None], np.arange(arms.size)
    return Ladders(
        arm_order=arms,
        unit_order=unit_order,
        turn=turn,
        phase_of_row=((phases + turn) % 3 * arms.size + columns_of).ravel(),
        row_of_phase=((phases - turn) % 3 * arms.size + columns_of).ravel(),
        to_pairs=int(arms.size - np.count_nonzero(neutral)),
        blocks=tuple(blocks),
    )


def _runs(kind: IntArray) -> list[slice]:
    """Return stretches of equal kind, none longer than a block."""
    ends = np.flatnonzero(np.diff(kind, append=-1)) + 1
    begins = [0, *ends[:-1].tolist()]
    return [
        slice(start, min(start + BLOCK_ARMS, end))
        for begin, end in zip(begins, ends.tolist(), strict=False)
        for start in range(begin, end, BLOCK_ARMS)
    ]


def _block(
    network: Network, arms: IntArray, columns: slice, turn: int, unit_order: IntArray, before: list[Block]
) -> Block:
    """Return the block of these arms, longest first, and enter its units into `unit_order`, in place."""
    first_unit = network.arm_start[arms]
    counts = network.arm_start[arms + 1] - first_unit
    longest = int(counts[0])
    pairs = [0] * longest
    if network.three_phase:
        sequence = network.unit_pair[first_unit[0] : first_unit[0] + longest]
        pairs = (sequence // 3 * 3 + (sequence - turn) % 3).tolist()
    begin = before[-1].sections[-1].at.stop if before else 0
    widths = np.bincount(counts, minlength=longest + 1)[::-1].cumsum()[::-1][1:].tolist()
    sections = []
    for place, (width, pair) in enumerate(zip(widths, pairs, strict=True)):
        at = slice(begin, begin + width)
        np.add(first_unit[:width], place, out=unit_order[at])
        sections.append(Section(width, at, pair))
        begin += width
    return Block(columns, tuple(sections))


def _kinds(network: Network, arms: IntArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Return for each arm its kind, by how many phases it is turned, and whether units sit to neutral.

    Arms of one kind have the same pairs in the same order once they are turned. Kinds are numbered by what they are,
    those between phases first: units that all move on by no, one or two pairs along the arm, then other sequences.
    """
    start, end = network.arm_start[arms], network.arm_start[arms + 1]
    pair, counts = network.unit_pair, end - start
    first = pair[start]
    step = (pair[np.minimum(start + 1, end - 1)] - first) % 3
    of_unit = np.repeat(np.arange(arms.size), counts)
    along = np.arange(pair.size) - start[of_unit]
    regular = first[of_unit] // 3 * 3 + (first[of_unit] + step[of_unit] * along) % 3 == pair
    others = np.flatnonzero(np.bincount(of_unit[~regular], minlength=arms.size))
    neutral, turn, kind = first >= 3, first % 3, step
    if others.size:
        sequences = [pair[start[a] : end[a]].tobytes() for a in others]
        number = {sequence: 3 + place for place, sequence in enumerate(sorted(set(sequences)))}
        kind[others], turn[others] = [number[sequence] for sequence in sequences], 0
        neutral[others] = np.maximum.reduceat(pair, start)[others] >= 3
    return kind + neutral * (kind.max(initial=0) + 1), turn, neutral

"""What the units of a circuit make along the pair of one unit: the design's formulas, section by section.

Along pair p a unit current I on pair q counts a times in phase and b times across, which the conductors they share
decide: on two conductors a = 2; on three phases between pairs a = 2 or 1/2 and b = 0 or ±√3/2; from phase to neutral
a = 2 or −1/2. A rise is then I·[a·(R·cos φ + X·sin φ) + b·(X·cos φ − R·sin φ)], summed over units and sections.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray, IntArray
from auditor.electrical.network import Network
from auditor.electrical.wiring import THREE


def shares(three_phase: bool, pair: int) -> tuple[FloatArray, FloatArray]:
    """Return how often a unit on each pair (6,) counts along `pair`: in phase and across."""
    if not three_phase:
        return np.full(6, 2.0), np.zeros(6)
    assert THREE.second is not None
    along, across = np.zeros(6), np.zeros(6)
    re, im = THREE.direction
    for other in range(6):
        shared = 0.0
        for conductor in range(4):
            mine = float(THREE.first[pair] == conductor) - float(THREE.second[pair] == conductor)
            its = float(THREE.first[other] == conductor) - float(THREE.second[other] == conductor)
            shared += mine * its
        along[other] = shared * (re[pair] * re[other] + im[pair] * im[other])
        across[other] = -shared * (re[pair] * im[other] - im[pair] * re[other])
    return along, across


@dataclass(frozen=True)
class Carried:
    """Currents along a pair [A]: in phase and across, already counted by their shares."""

    along_a: float
    across_a: float


def carried(network: Network, pair: int, units: IntArray) -> Carried:
    """Return what these units make along a pair."""
    along, across = shares(network.three_phase, pair)
    current, of_pair = network.unit_current_a[units], network.unit_pair[units]
    return Carried(
        float(sum(a * i for a, i in zip(along[of_pair], current, strict=True))),
        float(sum(b * i for b, i in zip(across[of_pair], current, strict=True))),
    )


@dataclass(frozen=True)
class Sections:
    """Trunk sections of equal impedance between the feed point and a unit.

    `count` of them, one-way impedance [Ω] of each, and the sum over them of what the units beyond make along the pair.
    """

    count: int
    r_ohm: float
    x_ohm: float
    carried: Carried


def trunk_sections(network: Network, unit: int) -> list[Sections]:
    """Return the sections of the unit's arm from the feed point to the unit, grouped by equal impedance."""
    arm = int(network.unit_arm[unit])
    start, end = int(network.arm_start[arm]), int(network.arm_start[arm + 1])
    pair = int(network.unit_pair[unit])
    groups: dict[tuple[float, float], list[Carried]] = {}
    for section in range(start, unit + 1):
        key = float(network.section_r_ohm[section]), float(network.section_x_ohm[section])
        groups.setdefault(key, []).append(carried(network, pair, np.arange(section, end)))
    return [
        Sections(len(each), r, x, Carried(sum(c.along_a for c in each), sum(c.across_a for c in each)))
        for (r, x), each in groups.items()
    ]


def rise_v(r_ohm: float, x_ohm: float, cos: float, sin: float, load: Carried) -> float:
    """Return the rise [V] along the pair that a load makes through an impedance [Ω] of each conductor, one way."""
    return (r_ohm * cos + x_ohm * sin) * load.along_a + (x_ohm * cos - r_ohm * sin) * load.across_a

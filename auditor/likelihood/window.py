"""A ten-minute mean judged along the chain: the mean of two five-minute slots, both ends of one move."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.inputs import TEN_MINUTES_S, Profile, Supply, Threshold
from auditor.likelihood.supply import Chain

AnyFloat = TypeVar("AnyFloat", npt.NDArray[np.float32], npt.NDArray[np.float64])
#: Moves further than this are left out [standard deviations of a move].
REACH_MOVE_SD = 4.5


@dataclass(frozen=True)
class Step:
    """One distance of a move: the nodes it starts from, those it ends at, and its chance (nodes,)."""

    start: slice
    end: slice
    chance: FloatArray


@dataclass(frozen=True)
class TenMinute:
    """A threshold on the mean of this slot and the last: level_pct, slides, and the moves between them."""

    level_pct: float
    slides: bool
    width_pct: float
    steps: tuple[Step, ...]


def instant_thresholds(profile: Profile, supply: Supply) -> tuple[Threshold, ...]:
    """The thresholds that one slot decides; a ten-minute mean is one of them where a slot is ten minutes long."""
    level = profile.ten_minute_pct
    if level is None or supply.slot_s != TEN_MINUTES_S:
        return profile.instant
    return (*profile.instant, Threshold(level, supply.slot_s))


def ten_minute_of(profile: Profile, supply: Supply, chain: Chain) -> TenMinute | None:
    """The ten-minute threshold over two slots, None where there is none or a slot is ten minutes long.

    Raises ValueError where two slots are not ten minutes.
    """
    level = profile.ten_minute_pct
    if level is None or supply.slot_s == TEN_MINUTES_S:
        return None
    if 2.0 * supply.slot_s != TEN_MINUTES_S:
        raise ValueError("a ten-minute rule needs slots of 300 s or 600 s")
    nodes = chain.node_pct.size
    move_pct = supply.sigma_pct * np.sqrt(1.0 - supply.rho**2)
    reach = 0 if nodes == 1 else min(nodes - 1, int(np.ceil(REACH_MOVE_SD * move_pct / chain.spacing_pct)))
    steps: list[Step] = []
    for far in range(-(nodes - 1), nodes):
        start, end = slice(max(0, -far), nodes - max(0, far)), slice(max(0, far), nodes - max(0, -far))
        chance = np.diagonal(chain.move, far)
        if abs(far) <= reach or chance.max() > 1e-6:
            steps.append(Step(start, end, np.array(chance)))
    return TenMinute(level, profile.mean_slides, chain.spacing_pct / 2.0, tuple(steps))


def tripped_by_mean(
    rule: TenMinute, before: FloatArray, last_v: FloatArray, now_v: FloatArray
) -> tuple[IntArray, FloatArray]:
    """What the mean of two slots trips: the points concerned (m,), and the mass by state and node (k, m, N).

    before (k, p, N) is the distribution before the move, last_v and now_v (p, N) the unit's voltage in the last slot
    and in this one, which grow with the node.
    """
    top = 0.5 * (last_v[:, -1] + now_v[:, -1])
    concerned = np.asarray(np.nonzero(top > rule.level_pct - rule.width_pct)[0], dtype=np.int64)
    tripped = np.zeros((before.shape[0], concerned.size, before.shape[2]))
    if concerned.size == 0:
        return concerned, tripped
    # states that nobody is in yet are left out
    held = [k for k in range(before.shape[0]) if before[k].any()]
    mass = before[np.ix_(np.array(held, dtype=np.int64), concerned)]
    last = 0.5 * (last_v[concerned] - rule.level_pct)
    now = 0.5 * (now_v[concerned] - rule.level_pct)
    found = np.zeros_like(mass)
    for step in rule.steps:
        over = last[:, step.start] + now[:, step.end]
        if rule.width_pct:
            over *= 1.0 / rule.width_pct
            share = share_over(over)
        else:
            share = (over > 0.0).astype(np.float64)
        share *= step.chance
        found[:, :, step.end] += mass[:, :, step.start] * share
    tripped[held] = found
    return concerned, tripped


def share_over(over: AnyFloat) -> AnyFloat:
    """Share of a cell that lies over the threshold, of fourth order: 4/3 of a cell's share less 1/3 of a double cell's.

    over is what its middle lies over the threshold, in cells; it is overwritten.
    """
    double = np.minimum(np.maximum(over, -1.0), 1.0)
    over += 0.5
    np.maximum(over, 0.0, out=over)
    np.minimum(over, 1.0, out=over)
    over *= 4.0 / 3.0
    double *= -1.0 / 6.0
    over += double
    over -= 1.0 / 6.0
    return over

"""One slot of the running, tripped, waiting chain, for all points at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import TEN_MINUTES_S, Profile, Supply
from auditor.likelihood.settle import settled
from auditor.likelihood.states import Waiting, waiting_of
from auditor.likelihood.supply import SPACING_SD, Chain, chain_of, smoothed_trip_chance
from auditor.likelihood.window import TenMinute, instant_thresholds, ten_minute_of, tripped_by_mean

#: Multiplications and rows of one matrix product at most. Products this small stay on one thread and give the same bits
#: whatever is solved together.
PRODUCT_SIZE, PRODUCT_ROWS = 200_000, 128
#: Rows of the running states: never tripped today, an hour or more since the last trip, then nearer to it.
NEVER, FRESH, RECENT = 0, 1, 2
#: What a slot counts.
COUNTS = (TRIPPED, TRIPS, EPISODES, LOST, CURTAILED, OVER, CEASED) = tuple(range(7))
#: A ten-minute mean is followed from this far under its threshold [% of nominal].
TEN_MINUTE_ROOM_PCT = 3.0
#: A mean of two slots lies on nodes half as far apart, so that these may be further apart [standard deviations]; as far
#: as the moves between them allow.
SPACING_FOR_MEANS_SD = 0.43
#: A unit takes no part while it would trip with less than this chance at its highest node.
NO_CHANCE = 1e-6


@dataclass(frozen=True)
class Points:
    """Where the machine is solved, all (p,) [% of nominal]; of a chunk, for each day shape and place.

    level_pct  annual mean of the no-export voltage, with the day effect in it
    rise_pct   own rise at rated output
    beta_pct   what the neighbours' sun adds at full sun
    """

    level_pct: FloatArray
    rise_pct: FloatArray
    beta_pct: FloatArray


@dataclass(frozen=True)
class Slot:
    """One slot: its place in the day, its hour, and for each point, (p,), output and the mean's deviation [%].

    lit tells where the slot lies between the first and the last with output of the point's day.
    """

    index: int
    hour: int
    output: FloatArray
    dev_pct: FloatArray
    lit: BoolArray


@dataclass(frozen=True)
class Setting:
    """What stays the same over all slots and points."""

    profile: Profile
    slot_s: float
    chain: Chain
    waiting: Waiting
    trip_at: Callable[[FloatArray], FloatArray]
    ten_minute: TenMinute | None

    def may_act(self, v_pct: FloatArray) -> BoolArray:
        """Whether a unit with this voltage [% of nominal] at the highest node could trip, cease or be curtailed."""
        possible = self.trip_at(v_pct) > NO_CHANCE
        if self.profile.volt_watt is not None:
            possible |= v_pct > self.profile.volt_watt.v1_pct
        if self.ten_minute is not None:
            possible |= v_pct > self.ten_minute.level_pct - TEN_MINUTE_ROOM_PCT
        return possible


def chain_for(profile: Profile, supply: Supply, finer: float = 1.0) -> Chain:
    """The voltage's nodes for a profile on a supply; finer divides their spacing."""
    two_slots = profile.ten_minute_pct is not None and supply.slot_s < TEN_MINUTES_S
    return chain_of(supply.sigma_pct, supply.rho, finer, SPACING_FOR_MEANS_SD if two_slots else SPACING_SD)


def setting_of(profile: Profile, supply: Supply, finer: float = 1.0) -> Setting:
    """Prepare a profile on a supply; finer divides the node spacing."""
    chain = chain_for(profile, supply, finer)
    return Setting(
        profile=profile,
        slot_s=supply.slot_s,
        chain=chain,
        waiting=waiting_of(profile, supply.slot_s),
        trip_at=smoothed_trip_chance(supply, instant_thresholds(profile, supply), chain.spacing_pct),
        ten_minute=ten_minute_of(profile, supply, chain),
    )


class Part:
    """The points that take part, and their distribution over states and nodes.

    index (q,) which points; running (k, q, N), ramping and waiting (k, q, N); last_v the unit's voltage in the last
    slot as running, and as the state before each step of the ramp, each (q, N), where a ten-minute mean needs it.
    """

    def __init__(self, setting: Setting, points: Points, index: IntArray) -> None:
        nodes = setting.chain.node_pct.size
        self.index = index
        self.base_v = points.level_pct[index, None] + setting.chain.node_pct
        self.rise = points.rise_pct[index, None]
        self.beta = points.beta_pct[index, None]
        self.running = np.zeros((RECENT + setting.waiting.recent, index.size, nodes))
        self.running[NEVER] = setting.chain.start
        self.ramping = np.zeros((len(setting.waiting.ramp_cap), index.size, nodes))
        self.waiting = np.zeros((len(setting.waiting.timer_s), index.size, nodes))
        steps = 0 if setting.ten_minute is None else 1 + len(setting.waiting.ramp_cap)
        # before its first slot a point is far below any threshold
        self.last_v = [np.full((index.size, nodes), -np.inf) for _ in range(steps)]

    def kept(self, rows: BoolArray) -> None:
        """Only some of the points."""
        self.index = self.index[rows]
        self.base_v, self.rise, self.beta = (values[rows] for values in (self.base_v, self.rise, self.beta))
        self.running, self.ramping, self.waiting = (
            np.ascontiguousarray(states[:, rows]) for states in (self.running, self.ramping, self.waiting)
        )
        self.last_v = [volts[rows] for volts in self.last_v]

    def joined(self, other: Part) -> Part:
        """These points and others."""
        self.index = np.concatenate([self.index, other.index])
        self.base_v, self.rise, self.beta = (
            np.concatenate(pair)
            for pair in ((self.base_v, other.base_v), (self.rise, other.rise), (self.beta, other.beta))
        )
        self.running, self.ramping, self.waiting = (
            np.concatenate(pair, axis=1)
            for pair in ((self.running, other.running), (self.ramping, other.ramping), (self.waiting, other.waiting))
        )
        self.last_v = [np.concatenate(pair) for pair in zip(self.last_v, other.last_v, strict=True)]
        return self


def off_voltage(setting: Setting, points: Points, index: IntArray, slot: Slot) -> FloatArray:
    """Voltage without own output at some points and all nodes, (q, N) [% of nominal]."""
    mean = points.level_pct[index] + points.beta_pct[index] * slot.output[index] + slot.dev_pct[index]
    return np.asarray(mean[:, None] + setting.chain.node_pct, dtype=np.float64)


def top_voltage(setting: Setting, points: Points, index: IntArray, slot: Slot) -> FloatArray:
    """Voltage at the unit at the highest node and full output of the slot, (q,) [% of nominal]."""
    output = slot.output[index]
    mean = points.level_pct[index] + points.beta_pct[index] * output + slot.dev_pct[index]
    return settled(mean + setting.chain.node_pct[-1], points.rise_pct[index], output, setting.profile)[0]


def share_under(room_pct: FloatArray, spacing_pct: float) -> FloatArray:
    """Share of each node's cell with room left under a level."""
    if spacing_pct == 0.0:
        return (room_pct >= 0.0).astype(np.float64)
    return np.clip(room_pct * (1.0 / spacing_pct) + 0.5, 0.0, 1.0)


def one_slot(setting: Setting, part: Part, slot: Slot) -> FloatArray:
    """Move to this slot, trip, wait, ramp; returns the counts (7, q), losses in slots at rated output."""
    profile = setting.profile
    f = slot.output[part.index, None]
    caps = [f, *(np.minimum(f, cap) for cap in setting.waiting.ramp_cap)]
    off_v = part.base_v + (slot.dev_pct[part.index, None] + part.beta * f)
    outputs = [settled(off_v, part.rise, cap, profile) for cap in caps]
    tripped = _move(setting, part, slot, [v for v, _ in outputs])
    for step, states in enumerate((part.running, *(part.ramping[[k]] for k in range(len(caps) - 1)))):
        # where output ceases above the threshold, the voltage that goes on is the one without it
        now = states * setting.trip_at(off_v if profile.ceases else outputs[step][0])
        tripped[step] += now
        if step:
            part.ramping[step - 1] -= now[0]
        else:
            part.running -= now
    under = share_under(profile.return_pct - off_v, setting.chain.spacing_pct)
    by_step = [states.sum(axis=0) for states in tripped]
    waiting_under = part.waiting * under
    counts = _counted(setting, part, caps, outputs, by_step, under, waiting_under)
    counts[TRIPPED] = tripped[0][NEVER].sum(axis=1)
    counts[EPISODES] = counts[TRIPPED] + tripped[0][FRESH].sum(axis=1)
    _advance(setting, part, slot, sum(by_step[1:], by_step[0]), under, waiting_under)
    if setting.ten_minute is not None:
        part.last_v = [outputs[0][0], off_v, *(v for v, _ in outputs[1:-1])]
    return counts


def _move(setting: Setting, part: Part, slot: Slot, now_v: list[FloatArray]) -> list[FloatArray]:
    """One step of the AR(1); returns what a ten-minute mean trips, running (k, q, N) and by ramp step (1, q, N)."""
    tripped = [np.zeros_like(part.running), *(np.zeros_like(part.ramping[:1]) for _ in part.ramping)]
    rule = setting.ten_minute
    judged = rule is not None and (rule.slides or slot.index % 2 == 1)
    if rule is not None and judged:
        for step, states in enumerate((part.running, *(part.ramping[[k]] for k in range(len(tripped) - 1)))):
            concerned, mass = tripped_by_mean(rule, states, part.last_v[step], now_v[step])
            tripped[step][:, concerned] = mass
    for states in (part.running, part.ramping, part.waiting):
        _move_states(states, setting.chain)
    if judged:
        part.running -= tripped[0]
        part.ramping -= np.concatenate(tripped[1:])
    return tripped


def _move_states(states: FloatArray, chain: Chain) -> None:
    """One step of the AR(1) for each state (k, q, N), in place."""
    nodes = chain.node_pct.size
    size = max(1, min(PRODUCT_ROWS, PRODUCT_SIZE // nodes**2))
    rows = states.reshape(-1, nodes, copy=False)
    for start in range(0, rows.shape[0], size):
        rows[start : start + size] = rows[start : start + size] @ chain.move


def _counted(
    setting: Setting,
    part: Part,
    caps: list[FloatArray],
    outputs: list[tuple[FloatArray, FloatArray]],
    tripped: list[FloatArray],
    under: FloatArray,
    waiting_under: FloatArray,
) -> FloatArray:
    """Trips and losses of the slot, (7, q); a trip falls in the middle of its slot."""
    waiting, profile, f = setting.waiting, setting.profile, caps[0][:, 0]
    counts = np.zeros((len(COUNTS), part.index.size))
    for states, trip, cap, (v_pct, p) in zip((part.running, *part.ramping), tripped, caps, outputs, strict=True):
        running = states if states.ndim == 2 else states.sum(axis=0)
        on = running + trip * (0.5 + (0.5 - waiting.trip_loss) * under)
        counts[TRIPS] += trip.sum(axis=1)
        counts[LOST] += f * (running.sum(axis=1) + trip.sum(axis=1))
        if profile.ceases:
            ceased = on * (1.0 - share_under(profile.instant[0].level_pct - v_pct, setting.chain.spacing_pct))
            counts[CEASED] += ceased.sum(axis=1)
            on = on - ceased
        counts[LOST] -= cap[:, 0] * on.sum(axis=1)
        if profile.volt_watt is not None:
            counts[CURTAILED] += (on * (cap - p)).sum(axis=1)
    for timer_s, states, ready in zip(waiting.timer_s, part.waiting, waiting_under, strict=True):
        share = 1.0 - min(timer_s / setting.slot_s, 1.0)
        counts[LOST] += f * (states.sum(axis=1) - share * ready.sum(axis=1))
    return counts


def _advance(
    setting: Setting, part: Part, slot: Slot, tripped: FloatArray, under: FloatArray, waiting_under: FloatArray
) -> None:
    """What each state becomes at the end of the slot, in place."""
    waiting = setting.waiting
    resumed = part.ramping[-1].copy()
    connecting, following = np.zeros_like(tripped), np.zeros_like(part.waiting)
    ready = tripped * under
    following[waiting.restart] = (tripped - ready) + (part.waiting - waiting_under).sum(axis=0)
    for target, mass in ((waiting.after_trip, ready), *zip(waiting.following, waiting_under, strict=True)):
        if target < 0:
            connecting += mass
        else:
            following[target] += mass
    part.waiting = following
    part.ramping[1:] = part.ramping[:-1].copy()
    part.ramping[0] = connecting
    if slot.index % waiting.age_slots == 0:
        part.running[FRESH] += part.running[-1]
        part.running[RECENT + 1 :] = part.running[RECENT:-1].copy()
        part.running[RECENT] = 0.0
    part.running[RECENT] += resumed

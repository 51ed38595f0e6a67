"""The chance of a trip on a day: the never-tripped state alone, along a whole line of levels at once.

Levels lie a whole number of voltage nodes apart. What a slot does at a node depends on the voltage only, so that one
line of values over the voltage serves all levels: each level looks at it through a window of its own. The distribution
of the never-tripped unit over the nodes then takes one product and two passes a slot. It is kept in single precision,
which costs 1e-5 of a chance; the chance itself is summed up from what trips, not left over from what does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.inputs import HOURS, DayShapes, Profile, Supply
from auditor.likelihood.settle import settled
from auditor.likelihood.slot import Setting, setting_of
from auditor.likelihood.window import TenMinute, share_over

Single = npt.NDArray[np.float32]
#: Lines that are walked through the day together, which bounds the memory and keeps it near the processor.
TOGETHER = 54
#: Slots in which a trip is less likely than this share of the likeliest slot's are left out.
UNLIKELY = 1e-5
#: A day is over where less than this has not tripped, and does not begin where no slot trips with this chance.
SPENT, NOTHING = 1e-5, 1e-15


@dataclass(frozen=True)
class Lines:
    """Where days are solved: lines of levels, one for each pair of own rise and neighbours' sun.

    own_pct, beta_pct   (q,) own rise at rated output, neighbours' sun at full sun [% of nominal]
    low_pct             (q,) lowest level of each line [% of nominal]
    cells, count        levels are `cells` voltage nodes apart, and `count` on a line
    """

    own_pct: FloatArray
    beta_pct: FloatArray
    low_pct: FloatArray
    cells: int
    count: int


@dataclass(frozen=True)
class _Day:
    """One line in one day shape, for many at once: each (n,), but for output and dev_pct (n, slots)."""

    own_pct: FloatArray
    beta_pct: FloatArray
    low_pct: FloatArray
    output: FloatArray
    dev_pct: FloatArray


def day_chances(
    profile: Profile, supply: Supply, shapes: DayShapes, lines: Lines, spacing_pct: float, finer: float = 1.0
) -> FloatArray:
    """Chance of at least one trip on a day of each shape, (shapes, q, count), levels rising.

    spacing_pct is what the levels are apart; it counts where the voltage has a single node only [% of nominal].
    """
    setting = setting_of(profile, supply, finer)
    step = setting.chain.spacing_pct or spacing_pct / lines.cells
    hours = (np.arange(shapes.output.shape[1]) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    dev = supply.dev_pct[shapes.month][:, hours]
    pairs = lines.own_pct.size
    size = shapes.output.shape[0] * pairs
    found = np.zeros((size, lines.count))
    for rows in _alike(shapes, lines):
        shape, pair = rows // pairs, rows % pairs
        days = _Day(lines.own_pct[pair], lines.beta_pct[pair], lines.low_pct[pair], shapes.output[shape], dev[shape])
        found[rows] = _walked(setting, days, lines, step)
    return found.reshape(shapes.output.shape[0], pairs, lines.count)


def _alike(shapes: DayShapes, lines: Lines) -> list[IntArray]:
    """Rows (shape, pair) in groups whose trips fall into about the same hours: by how much is lit, and the sun."""
    lit = (shapes.output > 0.5 * shapes.output.max(axis=1, keepdims=True)).sum(axis=1)
    sun = np.broadcast_to(lines.own_pct + lines.beta_pct, (lit.size, lines.own_pct.size))
    order = np.lexsort((np.repeat(lit, lines.own_pct.size), sun.ravel())).astype(np.int64)
    return [order[start : start + TOGETHER] for start in range(0, order.size, TOGETHER)]


def _walked(setting: Setting, days: _Day, lines: Lines, step: float) -> FloatArray:
    """Chance of a trip for lines in their days, (n, count)."""
    size, nodes = days.own_pct.size, setting.chain.node_pct.size
    lit = np.nonzero(days.output.max(axis=0) > 0.0)[0]
    tripped = np.zeros((lines.count, size))
    if lit.size == 0:
        return tripped.T
    slots = slice(int(lit[0]), int(lit[-1]) + 1)
    day = _prepared(setting, days, slots, (lines.count - 1) * lines.cells + nodes, step)
    first, last, bottom = _busy(setting, day, lines)
    state = np.broadcast_to(setting.chain.start.astype(np.float32), (lines.count - bottom, size, nodes)).copy()
    move = setting.chain.move.astype(np.float32, order="C")
    top = lines.count
    for t in range(first, last):
        held = state[: top - bottom]
        moved = np.matmul(held, move)
        if setting.ten_minute is not None and day.judged[t]:
            lowest, lost = _by_mean(setting.ten_minute, held, day, t, lines.cells, bottom)
            moved[lowest:] -= lost
            tripped[bottom + lowest : top] += lost.sum(axis=2)
        lost = np.multiply(moved, _windows(day.chance[t], lines.cells, nodes)[bottom:top])
        tripped[bottom:top] += lost.sum(axis=2)
        np.subtract(moved, lost, out=held)
        spent = np.nonzero(tripped[bottom:top].min(axis=1) < 1.0 - SPENT)[0]
        if spent.size == 0:
            break
        top = bottom + int(spent[-1]) + 1
    return np.minimum(tripped, 1.0).T


@dataclass(frozen=True)
class _Prepared:
    """What the slots of a day do, by slot, line and place on it.

    chance   (slots, n, width) of a trip by an instant threshold
    over     (slots, n, width) half of what the running unit's voltage lies over the ten-minute threshold, in cells;
             far below it in the dark; empty without such a rule
    judged   (slots,) whether a ten-minute mean ends with the slot
    """

    chance: Single
    over: Single
    judged: npt.NDArray[np.bool_]


def _prepared(setting: Setting, days: _Day, slots: slice, width: int, step: float) -> _Prepared:
    """The voltages of a day and what they do."""
    profile, rule = setting.profile, setting.ten_minute
    output, dev = days.output[:, slots].T[:, :, None], days.dev_pct[:, slots].T[:, :, None]
    along = setting.chain.node_pct[0] + step * np.arange(width)
    off_v = (days.low_pct + days.beta_pct * output[:, :, 0] + dev[:, :, 0])[:, :, None] + along
    on_v = off_v
    if not profile.ceases or rule is not None:
        on_v = settled(off_v, days.own_pct[:, None], output, profile)[0]
    dark = _dark(output[:, :, 0])
    chance = setting.trip_at(off_v if profile.ceases else on_v).astype(np.float32, order="C")
    chance[dark] = 0.0
    if rule is None:
        return _Prepared(chance, chance[:0], np.zeros(chance.shape[0], dtype=np.bool_))
    over = ((on_v - rule.level_pct) * (0.5 / rule.width_pct if rule.width_pct else 1e6)).astype(np.float32, order="C")
    over[dark] = -1e9
    index = np.arange(chance.shape[0])
    return _Prepared(chance, over, (index > 0) & (rule.slides | ((index + slots.start) % 2 == 1)))


def _dark(output: FloatArray) -> npt.NDArray[np.bool_]:
    """Slots (slots, n) before the first and after the last with output."""
    lit = output > 0.0
    return ~(np.logical_or.accumulate(lit, axis=0) & np.logical_or.accumulate(lit[::-1], axis=0)[::-1])


def _windows(values: Single, cells: int, nodes: int) -> Single:
    """What each level sees of lines (n, width): a view (count, n, nodes), `cells` places further on for each level."""
    lines, width = values.shape
    wide, next_to = values.strides
    levels = (width - nodes) // cells + 1
    return np.ndarray((levels, lines, nodes), values.dtype, values, 0, (cells * next_to, wide, next_to))


def _busy(setting: Setting, day: _Prepared, lines: Lines) -> tuple[int, int, int]:
    """The first slot in which a trip counts, the slot after the last, and the lowest level that trips at all."""
    start = setting.chain.start.astype(np.float32, order="C")
    chance = day.chance if setting.ten_minute is None else np.maximum(day.chance, (day.over > -1.0).astype(np.float32))
    seen = np.lib.stride_tricks.sliding_window_view(chance, start.size, axis=2)[:, :, :: lines.cells]
    likely = np.matmul(seen, start)
    most = likely.max(axis=0)
    counts = likely > np.maximum(UNLIKELY * most, NOTHING)
    slots, levels = np.nonzero(counts.any(axis=(1, 2)))[0], np.nonzero((most > NOTHING).any(axis=0))[0]
    if slots.size == 0:
        return 0, 0, lines.count
    return int(slots[0]), int(slots[-1]) + 1, int(levels[0])


def _by_mean(rule: TenMinute, held: Single, day: _Prepared, t: int, cells: int, bottom: int) -> tuple[int, Single]:
    """What a ten-minute mean trips: the lowest level (of those held) concerned, and the mass from there on."""
    nodes = held.shape[2]
    last, now = day.over[t - 1], day.over[t]
    top = _windows(last + now, cells, nodes)[bottom : bottom + held.shape[0], :, -1].max(axis=1)
    concerned = np.nonzero(top > -1.0)[0]
    lowest = int(concerned[0]) if concerned.size else held.shape[0]
    before = held[lowest:]
    found = np.zeros_like(before)
    if before.shape[0]:
        share = share_over(_sums(last, now, rule))
        for k, step in enumerate(rule.steps):
            mass = before[:, :, step.start] * step.chance.astype(np.float32, order="C")
            mass *= _windows(share[k], cells, nodes)[bottom + lowest : bottom + held.shape[0], :, step.start]
            found[:, :, step.end] += mass
    return lowest, found


def _sums(last: Single, now: Single, rule: TenMinute) -> Single:
    """last (n, width) with what `now` holds as far on as each step of the move goes, (steps, n, width)."""
    far = [step.end.start - step.start.start for step in rule.steps]
    reach = max(-far[0], far[-1])
    padded = np.zeros((now.shape[0], now.shape[1] + 2 * reach), dtype=np.float32)
    padded[:, reach : -reach or None] = now
    ahead = np.ndarray(
        (len(far), *now.shape),
        padded.dtype,
        padded,
        (reach + far[0]) * padded.itemsize,
        (padded.itemsize, *padded.strides),
    )
    return np.asarray(np.add(last, ahead, order="C"), dtype=np.float32)

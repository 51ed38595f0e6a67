"""A direct simulation of days of a unit on a noisy supply, slot by slot, for many days at once.

It shares no code with the solver: it draws the AR(1), the day effect, the peaks and the units' sensing offsets, and
keeps each unit's clock in seconds. Returned figures are means over the drawn days with their standard errors.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Unit:
    """What is simulated; all voltages in percent of nominal, times in seconds."""

    instant: tuple[tuple[float, float], ...]  # level, clearing time
    ceiling: float
    delay: float
    ramp: float
    ten_minute: float | None = None
    slides: bool = False
    ceases: bool = False
    droop: tuple[float, float, float] | None = None  # V1, V2, P2
    var: tuple[float, float, float] | None = None  # V3, V4, relief
    slot: float = 300.0


@dataclass
class Weather:
    f: np.ndarray  # output by slot of the day
    mean: np.ndarray  # no-export mean by slot of the day
    sigma: float
    rho: float
    day: float
    peak: float
    beta: float = 0.0
    rise: float = 0.0
    units: int = 1
    offset: float = 0.0
    site: float = 0.0
    found: dict = field(default_factory=dict)


def _droops(
    unit: Unit, v_off: np.ndarray, rise: float | np.ndarray, allowed: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and output by halving the interval: no closed form."""
    if unit.droop is None and unit.var is None:
        return v_off + rise * allowed, allowed

    def answer(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        p, relief = allowed, 0.0
        if unit.droop is not None:
            v1, v2, p2 = unit.droop
            p = np.minimum(allowed, np.interp(v, [v1, v2], [1.0, p2]))
        if unit.var is not None:
            v3, v4, full = unit.var
            relief = np.where(allowed > 0, full * np.interp(v, [v3, v4], [0.0, 1.0]), 0.0)
        return v_off + rise * (p - relief), p

    low, high = v_off - 2 * rise - 1, v_off + 2 * rise + 1
    for _ in range(26):
        mid = (low + high) / 2
        above = answer(mid)[0] > mid
        low, high = np.where(above, mid, low), np.where(above, high, mid)
    p = answer(high)[1]
    return high, p


def simulate(unit: Unit, w: Weather, days: int, seed: int) -> dict[str, tuple[float, float]]:
    """Days drawn one apart from the other; the most sensitive unit's trips, and losses as a mean over the units."""
    rng = np.random.default_rng(seed)
    n = w.units
    offset = np.sort(rng.normal(0, w.offset, (days, n)), axis=1)[:, ::-1] if w.offset else np.zeros((days, n))
    level = rng.normal(0, w.day, days) + (rng.normal(0, w.site, days) if w.site else 0.0)
    a = rng.normal(0, w.sigma, days)
    off = np.zeros((days, n), bool)
    timer, since = np.zeros((days, n)), np.full((days, n), 1e9)
    last_trip = np.full(days, -1e9)
    zero = lambda: np.zeros(days)  # noqa: E731
    trips, episodes, lost, curtailed, over, ceased, tripped, off_sum = (zero() for _ in range(8))
    last = None
    for k in np.nonzero(w.f)[0]:
        f = w.f[k]
        if last is not None:
            a = w.rho * a + np.sqrt(1 - w.rho**2) * rng.normal(0, w.sigma, days)
        v0 = (w.mean[k] + level + a + w.beta * f)[:, None]
        # ramp: mean over the slot of a straight line from the moment of connection
        t0, t1 = since, since + unit.slot
        if unit.ramp > 0:
            area = lambda t: np.where(t < unit.ramp, t * t / (2 * unit.ramp), t - unit.ramp / 2)  # noqa: E731
            cap = (area(t1) - area(t0)) / unit.slot
        else:
            cap = np.ones_like(since)
        allowed = np.where(off, 0.0, np.minimum(f, cap))
        running_share = (~off).mean(axis=1, keepdims=True)
        mean_allowed = np.where(off, 0, allowed).sum(axis=1, keepdims=True) / n
        if n == 1:
            v_on, p = _droops(unit, v0, w.rise, allowed)
        else:
            v_on, p = v0 + w.rise * mean_allowed, allowed
        del running_share
        sensed0, sensed = v0 + offset, v_on + offset
        v_full, _ = _droops(unit, v0 + offset[:, :1], w.rise, np.full((days, 1), f))
        over += v_full[:, 0] > min(
            [level_ for level_, _ in unit.instant] + ([unit.ten_minute] if unit.ten_minute else [])
        )
        judged = sensed0 if unit.ceases else sensed
        e = rng.exponential(size=days)[:, None]
        hit = np.zeros((days, n), bool)
        for threshold, clearing in unit.instant:
            s = w.peak * np.log(unit.slot / clearing) / np.log(unit.slot) if clearing < unit.slot else 0.0
            hit |= judged + s * e > threshold
        terminal = np.where(off, sensed0, sensed)
        if unit.ten_minute is not None:
            if unit.slot == 600:
                hit |= terminal > unit.ten_minute
            elif last is not None and (unit.slides or k % 2 == 1):
                hit |= (terminal + last) / 2 > unit.ten_minute
        hit &= ~off
        last = np.where(hit, sensed0, terminal)  # the slot of a trip counts as one without output
        calm = sensed0 <= unit.ceiling
        now = k * unit.slot
        first = hit[:, 0]
        trips += first
        episodes += first & (now - last_trip >= 3600 - 1e-6)
        last_trip = np.where(first, now, last_trip)
        tripped = np.maximum(tripped, first)
        cease = np.zeros((days, n), bool)
        if unit.ceases:
            cease = ~off & (sensed > min(level_ for level_, _ in unit.instant))
        # energy
        on_share = np.where(hit, np.where(calm, 1 - min(0.5, unit.delay / unit.slot), 0.5), 1.0)
        on_share = np.where(off, 0.0, on_share)
        part = np.where(off & calm, np.clip(1 - timer / unit.slot, 0, 1), 0.0)
        given = np.where(cease, 0.0, allowed * on_share) + f * part
        lost += (f - given).mean(axis=1)
        curtailed += np.where(cease, 0.0, on_share * (allowed - p)).mean(axis=1)
        ceased += (cease * on_share).mean(axis=1)
        off_sum += (off | hit).mean(axis=1)
        # clocks
        since = np.where(off, since, since + unit.slot)
        left = np.where(hit, np.where(calm, unit.delay - unit.slot / 2, unit.delay), timer)
        left = np.where(off, np.where(calm, timer - unit.slot, unit.delay), left)
        waits = hit | off
        back = waits & calm & (left <= 1e-9)
        off = waits & ~back
        timer = np.where(off, left, 0.0)
        since = np.where(back, 0.0, since)
    hours = unit.slot / 3600
    out = {"tripped": tripped, "trips": trips, "episodes": episodes, "lost_h": lost * hours}
    out |= {
        "curtailed_h": curtailed * hours,
        "over_h": over * hours,
        "ceased_h": ceased * hours,
        "off": off_sum * hours,
    }
    return {name: (float(x.mean()), float(x.std() / np.sqrt(days))) for name, x in out.items()}

"""The states of a unit between a trip and full output, and how long it stays in each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import TEN_MINUTES_S, Profile

#: Trips less than this apart are one episode [s]. A wait for the return ceiling does not count towards the hour, so
#: that episodes come out low, by a quarter at most in the tests, where they are several a day.
EPISODE_S = 3600.0
#: The time since a trip is kept to within so many slots.
AGE_SLOTS = 3


@dataclass(frozen=True)
class Waiting:
    """The clock of a unit that is off, and its ramp.

    timer_s      what each waiting state still has to wait while the voltage stays under the return ceiling [s]
    following    the state after one such slot, −1 where the unit connects
    after_trip   the state after a slot that trips under the ceiling, −1 where it connects at once
    restart      the state with the whole delay ahead, taken wherever the voltage is over the ceiling
    trip_loss    share of a slot's output that is lost in the slot of a trip under the ceiling
    ramp_cap     output cap in each slot of the ramp [share of rated]
    recent, age_slots   a unit back at full output passes `recent` rows, one each age_slots slots, until its last trip
                 is an hour ago
    """

    timer_s: tuple[float, ...]
    following: tuple[int, ...]
    after_trip: int
    restart: int
    trip_loss: float
    ramp_cap: tuple[float, ...]
    recent: int
    age_slots: int


def waiting_of(profile: Profile, slot_s: float) -> Waiting:
    """The clock for a delay and ramp that need not be whole slots.

    A trip falls in the middle of its slot on average, so that half a slot of the delay has passed at the slot's end.
    """
    after = [profile.delay_s - slot_s / 2.0 - k * slot_s for k in range(_slots(profile.delay_s - slot_s / 2.0, slot_s))]
    whole = [profile.delay_s - k * slot_s for k in range(max(1, _slots(profile.delay_s, slot_s)))]
    following = [k + 1 if k + 1 < len(after) else -1 for k in range(len(after))]
    following += [len(after) + k + 1 if k + 1 < len(whole) else -1 for k in range(len(whole))]
    caps = ramp_caps(profile.ramp_s, slot_s)
    if profile.ten_minute_pct is not None and slot_s < TEN_MINUTES_S:
        # the first slot at full output, of which a ten-minute mean still holds the ramp
        caps = (*caps, 1.0)
    age_slots = AGE_SLOTS if slot_s < TEN_MINUTES_S else 1
    left = EPISODE_S / slot_s - 1.0 - len(after) - len(caps)
    return Waiting(
        timer_s=(*after, *whole),
        following=tuple(following),
        after_trip=0 if after else -1,
        restart=len(after),
        trip_loss=min(0.5, profile.delay_s / slot_s),
        ramp_cap=caps,
        recent=max(1, round((left + 0.5 * (age_slots - 1)) / age_slots)),
        age_slots=age_slots,
    )


def ramp_caps(ramp_s: float, slot_s: float) -> tuple[float, ...]:
    """Mean of min(1, t/ramp) over each slot of the ramp, at least one slot [share of rated]."""
    edges = np.asarray(np.arange(max(1, _slots(ramp_s, slot_s)) + 1) * slot_s, dtype=np.float64)
    return tuple(float(cap) for cap in np.diff(_ramp_area(edges, ramp_s)) / slot_s)


def _ramp_area(t_s: FloatArray, ramp_s: float) -> FloatArray:
    """∫₀ᵗ min(1, t/ramp) dt [s]."""
    if ramp_s <= 0.0:
        return t_s
    return np.where(t_s < ramp_s, t_s * t_s / (2.0 * ramp_s), t_s - ramp_s / 2.0)


def _slots(time_s: float, slot_s: float) -> int:
    """Slots that a time needs, with room for rounding."""
    return max(0, int(np.ceil(time_s / slot_s - 1e-9)))

"""Hours over the threshold, in cessation and curtailed as they would be if the unit never tripped: no chain is needed.

The order of the slots does not matter to an expectation. So the slots of a year are counted by output and by what they
add to the level without own output, the count is blurred by the noise, and the voltage is worked out once for each
output and level. Counts are shared between neighbouring classes so that their means stay.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import convolve1d

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import HOURS, DayShapes, Profile, Supply
from auditor.likelihood.settle import settled
from auditor.likelihood.slot import share_under

#: Classes of output from 0 to 1, and of the level within one spacing of the margins.
OUTPUTS, FINE = 65, 8
#: How far the noise reaches [standard deviations].
REACH_SD = 5.0


def static_hours(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    own_pct: FloatArray,
    beta_pct: FloatArray,
    low_pct: FloatArray,
    spacing_pct: float,
    count: int,
) -> FloatArray:
    """Hours a year over the first threshold, in cessation, and curtailed (at rated output), (3, q, count).

    own_pct, beta_pct and low_pct (q,) are as in `survival.Lines`; levels rise by spacing_pct.
    """
    found = np.zeros((3, own_pct.size, count))
    step = spacing_pct / FINE
    for beta in np.unique(beta_pct):
        first, counts = _counted(supply, shapes, float(beta), step)
        for row in np.nonzero(beta_pct == beta)[0]:
            off_v = low_pct[row] + first + step * np.arange((count - 1) * FINE + counts.shape[1])
            for k, figure in enumerate(_figures(profile, off_v, float(own_pct[row]), step)):
                if figure is not None:
                    seen = np.lib.stride_tricks.sliding_window_view(figure, counts.shape[1], axis=1)[:, ::FINE]
                    found[k, row] = np.einsum("fmb,fb->m", seen, counts)
    return found


def _counted(supply: Supply, shapes: DayShapes, beta_pct: float, step: float) -> tuple[float, FloatArray]:
    """Hours a year by output and by what dev, neighbours' sun and noise add to the level: the first class, (f, b)."""
    hours = (np.arange(shapes.output.shape[1]) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    dev = supply.dev_pct[shapes.month][:, hours]
    lit = shapes.output > 0.0
    weight = (np.broadcast_to(shapes.days[:, None], lit.shape) * (supply.slot_s / 3600.0))[lit]
    output = shapes.output[lit]
    added = dev[lit] + beta_pct * output
    reach = int(np.ceil(REACH_SD * supply.sigma_pct / step))
    first = (np.floor(added.min() / step) if added.size else 0.0) - reach
    wide = int(np.ceil(added.max() / step) - first if added.size else 0) + reach + 2
    at_output, at_level = output * (OUTPUTS - 1), added / step - first
    row, column = at_output.astype(np.int64), at_level.astype(np.int64)
    upper, further = at_output - row, at_level - column
    counts = np.zeros((OUTPUTS + 1) * wide)
    for up, share in ((0, 1.0 - upper), (1, upper)):
        for on, part in ((0, 1.0 - further), (1, further)):
            place = (row + up) * wide + column + on
            counts += np.bincount(place, weights=weight * share * part, minlength=counts.size)
    by_class = counts.reshape(OUTPUTS + 1, wide)[:OUTPUTS]
    if reach:
        z = np.arange(-reach, reach + 1) * (step / supply.sigma_pct)
        noise = np.exp(-0.5 * z * z)
        by_class = convolve1d(by_class, noise / noise.sum(), axis=1, mode="constant")
    return float(first * step), np.asarray(by_class, dtype=np.float64)


def _figures(
    profile: Profile, off_v: FloatArray, own_pct: float, step: float
) -> tuple[FloatArray, FloatArray | None, FloatArray | None]:
    """Chance to lie over the threshold, chance to cease, and curtailed output, each (outputs, levels) or None."""
    f = np.linspace(0.0, 1.0, OUTPUTS)[:, None]
    v_pct, p = settled(np.broadcast_to(off_v, (OUTPUTS, off_v.size)), np.array(own_pct), f, profile)
    over = 1.0 - share_under(profile.first_pct - v_pct, step)
    ceased = 1.0 - share_under(profile.instant[0].level_pct - v_pct, step) if profile.ceases else None
    if profile.volt_watt is None:
        return over, ceased, None
    return over, ceased, (f - p) * (1.0 if ceased is None else 1.0 - ceased)

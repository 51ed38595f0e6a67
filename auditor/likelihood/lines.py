"""Functions of one evenly spaced axis that span many orders of magnitude: moved, blurred, kept as logarithms."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from auditor.likelihood.arrays import FloatArray

#: Figures below this are kept as this, so that they have a logarithm.
FLOOR = 1e-14
#: Nodes of the trapezoid rule over a normal distribution, and how far they reach [standard deviations].
BLUR_NODES, BLUR_REACH = 41, 5.0


def to_log(values: FloatArray) -> FloatArray:
    """Natural logarithm with a floor."""
    return np.log(np.maximum(values, FLOOR))


def cubic_weights(share: float) -> tuple[float, float, float, float]:
    """Lagrange weights of the points −1, 0, 1, 2 for the place `share` between 0 and 1."""
    t = share
    return (
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    )


def moved(logs: FloatArray, cells: float) -> FloatArray:
    """The values (..., m) at `cells` further along the last axis, by cubic Lagrange interpolation.

    Before the first point the first value holds; beyond the last one the logarithm falls on at its last slope.
    """
    whole = int(np.floor(cells))
    count = logs.shape[-1]
    room = abs(whole) + 3
    before = np.repeat(logs[..., :1], room, axis=-1)
    slope = np.minimum(logs[..., -1:] - logs[..., -2:-1], 0.0)
    beyond = logs[..., -1:] + slope * np.arange(1, room + 1)
    wide = np.concatenate([before, logs, beyond], axis=-1)
    first = room + whole
    weights = cubic_weights(cells - whole)
    return np.asarray(
        sum(weight * wide[..., first + k - 1 : first + k - 1 + count] for k, weight in enumerate(weights)),
        dtype=np.float64,
    )


def blurred(logs: FloatArray, sd_cells: float, value: Callable[[FloatArray], FloatArray] = np.exp) -> FloatArray:
    """Mean of value(logs) over a normal shift along the last axis, of standard deviation sd_cells [cells].

    logs (..., m) are interpolated, `value` turns a logarithm into what is averaged.
    """
    if sd_cells == 0.0:
        return value(logs)
    z = np.linspace(-BLUR_REACH, BLUR_REACH, BLUR_NODES)
    weights = np.exp(-0.5 * z * z)
    weights /= weights.sum()
    total = np.zeros_like(logs)
    for place, weight in zip(z, weights, strict=True):
        total += weight * value(moved(logs, float(place) * sd_cells))
    return total


def chance_of(log_hazard: FloatArray) -> FloatArray:
    """1 − exp(−Λ) for log Λ: the chance of at least one."""
    return np.asarray(-np.expm1(-np.exp(log_hazard)), dtype=np.float64)


def log_hazard_of(chance: FloatArray) -> FloatArray:
    """log(−log(1 − P)), the other way; a certain event is taken as 1 − 1e−12."""
    return to_log(-np.log1p(-np.clip(chance, 0.0, 1.0 - 1e-12)))

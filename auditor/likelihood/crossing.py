"""Exact crossing probabilities of a discrete AR(1) voltage.

Rice's formula counts crossings of a process with a derivative. AR(1) has none, and the count depends on the slot. All
levels here are in standard deviations of the slot's mean.

References
----------
.. [1] D. B. Owen, "Tables for computing bivariate normal probabilities", Ann. Math. Statist. 27, 1075-1090 (1956).
.. [2] J. T. Barnett and B. Kedem, "Zero-crossing rates of functions of Gaussian processes", IEEE Trans. Inf. Theory
   37, 1188-1194 (1991): the orthant arccos(rho)/2π.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, owens_t

from auditor.likelihood.arrays import FloatArray


def both_below(h: npt.ArrayLike, k: npt.ArrayLike, rho: float) -> FloatArray:
    """Φ₂(h, k; ρ), the chance that two standard normals of correlation ρ stay below h and k.

    Owen's equation (2.1) of [1]_: ½Φ(h) + ½Φ(k) − T(h, a_h) − T(k, a_k) − ½[hk < 0, or hk = 0 and h + k < 0].
    Needs −1 < ρ < 1 and finite levels.
    """
    first, second = np.broadcast_arrays(np.asarray(h, dtype=np.float64), np.asarray(k, dtype=np.float64))
    root = np.sqrt(1.0 - rho * rho)
    apart = (first * second < 0.0) | ((first * second == 0.0) & (first + second < 0.0))
    part = _owen_part(first, second, rho, root) + _owen_part(second, first, rho, root)
    return np.asarray(0.5 * (ndtr(first) + ndtr(second)) - part - 0.5 * apart, dtype=np.float64)


def _owen_part(h: FloatArray, k: FloatArray, rho: float, root: float) -> FloatArray:
    """T(h, (k − ρh)/(h·√(1−ρ²))), with its limit at h = 0."""
    slope = (k - rho * h) / (np.where(h == 0.0, 1.0, h) * root)
    # T(0, a) = arctan(a)/2π: a is infinite at h = 0, and √((1−ρ)/(1+ρ)) where both levels are zero
    at_zero = np.where(k == 0.0, np.arctan((1.0 - rho) / root) / (2.0 * np.pi), np.sign(k) * 0.25)
    return np.asarray(np.where(h == 0.0, at_zero, owens_t(h, slope)), dtype=np.float64)


def up_crossing(level: npt.ArrayLike, next_level: npt.ArrayLike, rho: float) -> FloatArray:
    """P(X_t < u_t, X_{t+1} ≥ u_{t+1}) = Φ(u_t) − Φ₂(u_t, u_{t+1}; ρ): one slot below, the next above."""
    return np.asarray(ndtr(np.asarray(level, dtype=np.float64)) - both_below(level, next_level, rho), dtype=np.float64)


def up_crossing_constant(level: npt.ArrayLike, rho: float) -> FloatArray:
    """The same at one level u: 2·T(u, √((1−ρ)/(1+ρ))), T Owen's function [1]_."""
    slope = np.sqrt((1.0 - rho) / (1.0 + rho))
    return np.asarray(2.0 * owens_t(np.asarray(level, dtype=np.float64), slope), dtype=np.float64)


def ten_minute_sd(sigma: float, rho: float) -> float:
    """Standard deviation of the mean of two five-minute slots, σ·√((1+ρ)/2) [unit of σ]."""
    return float(sigma * np.sqrt((1.0 + rho) / 2.0))


def ten_minute_rho(rho: float) -> float:
    """Correlation of a ten-minute mean with the next one, ρ·(1+ρ)/2."""
    return rho * (1.0 + rho) / 2.0

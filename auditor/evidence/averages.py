"""Averages of an AR(1) over blocks of slots: their variance and covariances, which `noise` turns round.

A slot's mean A follows an AR(1) of spread σ and correlation ρ from slot to slot. A reading over n slots holds the mean
of n of them. With q = 1 − ρ,

  Var  = σ²/n² · [n + 2·Σ_{j<n} (n − j)·ρʲ]
  Covₖ = σ²/n² · ρ^{(k−1)n+1} · ((1 − ρⁿ)/q)²,   k ≥ 1 blocks apart

which are the double sums of σ²·ρ^|i−j| over the slots of two blocks. The mean of an AR(1) is an ARMA(1,1) of
autoregressive part ρⁿ ([1]_); for n = 2 it is the blocking step of [2]_, γ'₀ = ½γ₀ + ½γ₁ and γ'ₖ = ¼γ₂ₖ₋₁ + ½γ₂ₖ +
¼γ₂ₖ₊₁.

References
----------
.. [1] T. Amemiya and R. Y. Wu, "The effect of aggregation on prediction in the autoregressive model", J. Am. Stat.
   Assoc. 67, 628-632 (1972).
.. [2] H. Flyvbjerg and H. G. Petersen, "Error estimates on averages of correlated data", J. Chem. Phys. 91, 461-466
   (1989), the blocking transformation.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import FloatArray, IntArray

#: ρ beyond this is taken as this: what hardly fades within a day cannot be told from a day effect.
MOST_RHO = 0.9999


def block_variance(rho: npt.ArrayLike, slots: int) -> FloatArray:
    """Variance of the mean of `slots` slots for each ρ, (...,), as a share of σ²."""
    j = np.arange(1, slots)
    fading = np.asarray(rho, dtype=np.float64)[..., None] ** j
    return np.asarray((slots + 2.0 * np.sum((slots - j) * fading, axis=-1)) / slots**2)


def block_covariances(rho: npt.ArrayLike, slots: int, lags: IntArray) -> FloatArray:
    """Covariances of means of `slots` slots that lie `lags` (k,) blocks apart for each ρ, (..., k), as shares of σ²."""
    each = np.asarray(rho, dtype=np.float64)[..., None]
    lagged = np.maximum(lags, 1)
    geometric = np.sum(each ** np.arange(slots), axis=-1, keepdims=True)
    apart = each ** ((lagged - 1) * slots + 1.0) * (geometric / slots) ** 2
    return np.where(lags == 0, block_variance(rho, slots)[..., None], apart)

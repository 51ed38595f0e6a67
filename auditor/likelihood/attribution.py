"""What the trip-days come from: shares by Shapley values over supply, service and wiring.

Counterfactuals: without *wiring* the rise from the PCC to the unit is zero; without *service* the rise ahead of the PCC
is zero; without *supply* the annual mean of the no-export voltage is at most nominal and the neighbours' sun adds
nothing, with the noise as it is. Plain "without it" effects do not add up, since the parts matter together.

References
----------
.. [1] L. S. Shapley, "A value for n-person games", Contributions to the Theory of Games II, 307-317 (1953).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import combinations
from math import factorial

import numpy as np

from auditor.likelihood.arrays import FloatArray

PARTS = ("supply", "service", "wiring")


def shapley(worth: Mapping[frozenset[str], FloatArray], parts: tuple[str, ...]) -> dict[str, FloatArray]:
    """Shapley value of each part, (n,), from the worth (n,) of every set of parts ([1]_, eq. 12)."""
    values: dict[str, FloatArray] = {}
    count = len(parts)
    for part in parts:
        others = tuple(name for name in parts if name != part)
        total = np.zeros_like(worth[frozenset()])
        for size in range(count):
            weight = factorial(size) * factorial(count - size - 1) / factorial(count)
            for chosen in combinations(others, size):
                total = total + weight * (worth[frozenset((*chosen, part))] - worth[frozenset(chosen)])
        values[part] = total
    return values


def shares(worth_of: Callable[[frozenset[str]], FloatArray]) -> dict[str, FloatArray]:
    """Share of each of PARTS in what all of them add to the trip-days, (n,); they sum to one.

    worth_of gives the trip-days a year with only the named parts present. NaN where the parts add nothing.
    """
    sets = [frozenset(chosen) for size in range(len(PARTS) + 1) for chosen in combinations(PARTS, size)]
    worth = {chosen: worth_of(chosen) for chosen in sets}
    added = worth[frozenset(PARTS)] - worth[frozenset()]
    whole = np.where(added > 0.0, added, np.nan)
    return {part: value / whole for part, value in shapley(worth, PARTS).items()}

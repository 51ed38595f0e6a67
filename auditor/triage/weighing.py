"""Weighing causes: what each predicts of a measurement, how a reading shifts their chances, which reading tells most.

A prediction is a mixture of normal distributions [1]_. An instrument's stated error is a bound: within it every value
is as likely as another, so that a reading tells nothing between causes that differ by less (`density`). What a
measurement is expected to tell is the mutual information of the cause and the reading [2]_, by quadrature.

References
----------
.. [1] JCGM 100:2008 (GUM), 4.3.7: a value known only to lie within bounds is uniform between them.
.. [2] T. M. Cover and J. A. Thomas, Elements of Information Theory, 2nd ed. (2006), eq. 2.28 and 8.54:
   I(X; Y) = Σ p(x) ∫ p(y|x) log (p(y|x) / p(y)) dy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from auditor.likelihood.arrays import FloatArray

#: What may be behind a complaint, in this order wherever figures stand one for each.
CAUSES = ("design", "workmanship", "supply", "service", "settings", "other")
#: How an answer calls them; supply and service are one to act on: the utility's side.
TITLES = {
    "design": "wiring design",
    "workmanship": "workmanship",
    "grid": "service or grid",
    "settings": "settings",
    "other": "not overvoltage",
}
GROUPS = {"design": (0,), "workmanship": (1,), "grid": (2, 3), "settings": (4,), "other": (5,)}
#: Nothing is impossible: with this chance a reading means something else, anything within so many percent.
STRAY, STRAY_PCT = 0.01, 40.0
#: Points and reach of the quadrature [standard deviations].
POINTS, REACH = 1201, 6.0

#: A mixture: weight, mean and standard deviation of each part.
Prediction = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Factor:
    """One piece of evidence: what it is in a sentence, and how likely it is under each of CAUSES, (6,) logarithms."""

    name: str
    sentence: str
    log_likelihood: FloatArray


def density(value: FloatArray, prediction: Prediction, sd: float, bound: float) -> FloatArray:
    """Density of readings (n,) that a cause predicts so, read with a random error `sd` and a bounded error `bound`.

    Convolving a normal with a uniform density over ±a gives (Φ((y + a − m)/s) − Φ((y − a − m)/s)) / 2a.
    """
    total = np.zeros_like(value, dtype=np.float64)
    for weight, mean, spread in prediction:
        s = float(np.hypot(spread, sd))
        z = (value - mean) / s
        if bound > 1e-9 * s:
            part = (ndtr(z + bound / s) - ndtr(z - bound / s)) / (2 * bound)
        else:
            part = np.exp(-0.5 * z * z) / (s * np.sqrt(2 * np.pi))
        total += weight * part
    return np.asarray((1 - STRAY) * total + STRAY / STRAY_PCT, dtype=np.float64)


def weighed(predictions: Sequence[Prediction], value: float, sd: float, bound: float) -> FloatArray:
    """Logarithm of a reading's density under each cause, (6,)."""
    return np.log([float(density(np.array([value]), p, sd, bound)[0]) for p in predictions])


def posterior(prior: FloatArray, factors: Sequence[Factor]) -> FloatArray:
    """Chance of each cause (6,) after the evidence, by Bayes' rule."""
    logs = np.log(prior) + sum((factor.log_likelihood for factor in factors), np.zeros(prior.size))
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def grouped(chances: FloatArray) -> dict[str, float]:
    """The chances (6,) of what can be acted on, by its key in GROUPS."""
    return {key: float(sum(chances[row] for row in rows)) for key, rows in GROUPS.items()}


def speaks_for(factor: Factor, key: str, prior: FloatArray) -> float:
    """Logarithm of how much likelier the evidence is under one answer than under all others together."""
    likelihood = np.exp(factor.log_likelihood - factor.log_likelihood.max())
    mine = np.isin(np.arange(prior.size), GROUPS[key])
    inside = float(np.sum(prior[mine] * likelihood[mine])) / float(prior[mine].sum())
    outside = float(np.sum(prior[~mine] * likelihood[~mine])) / float(prior[~mine].sum())
    return float(np.log(inside) - np.log(outside))


def information(chances: FloatArray, predictions: Sequence[Prediction], sd: float, bound: float) -> float:
    """What a reading is expected to tell of what to act on [bits]: mutual information ([2]_)."""
    parts = [part for prediction in predictions for part in prediction]
    reach = [REACH * float(np.hypot(spread, sd)) + bound for _, _, spread in parts]
    low = min(mean - r for (_, mean, _), r in zip(parts, reach, strict=True))
    high = max(mean + r for (_, mean, _), r in zip(parts, reach, strict=True))
    grid = np.linspace(low, high, POINTS)
    step = grid[1] - grid[0]
    given = np.stack([density(grid, p, sd, bound) for p in predictions])
    given /= given.sum(axis=1, keepdims=True) * step
    return _bits(chances, given * step)


def information_of_kinds(chances: FloatArray, given: FloatArray) -> float:
    """The same of a look that has a few outcomes: `given` (6, outcomes) are their chances under each cause [bits]."""
    return _bits(chances, given)


def _bits(chances: FloatArray, given: FloatArray) -> float:
    groups = list(GROUPS.values())
    weight = np.array([sum(chances[row] for row in rows) for rows in groups])
    joint = np.stack([sum((chances[row] * given[row] for row in rows), np.zeros(given.shape[1])) for rows in groups])
    marginal = joint.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = joint * np.log2(joint / (weight[:, None] * marginal[None, :]))
    return float(np.nansum(np.where(joint > 0, terms, 0.0)))

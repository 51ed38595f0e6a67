"""Weighing causes: what each predicts of a measurement, how a reading shifts their chances, which reading tells most.

What is weighed is one cause, or two at once. A prediction is a mixture of normal distributions. An instrument's stated
error is a bound: within it every value is as likely as another ([1]_), so that a reading tells nothing between causes
that differ by less (`density`). What a measurement is expected to tell is the mutual information of the answer and the
reading ([2]_), by quadrature.

References
----------
.. [1] JCGM 100:2008 (GUM), 4.3.7: a value known only to lie within bounds is uniform between them.
.. [2] T. M. Cover and J. A. Thomas, Elements of Information Theory, 2nd ed. (2006), eq. 2.28 and 8.54:
   I(X; Y) = Σ p(x) ∫ p(y|x) log (p(y|x) / p(y)) dy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.special import ndtr

from auditor.likelihood.arrays import BoolArray, FloatArray

#: What may be behind a complaint; the last one means that it is no overvoltage, and comes alone.
CAUSES = ("design", "workmanship", "supply", "service", "settings", "other")
#: One cause, or two at once, in this order wherever figures stand one for each, (h,).
HYPOTHESES = (*((name,) for name in CAUSES), *combinations(CAUSES[:-1], 2))
#: How an answer calls them; supply and service are one to act on: the utility's side.
TITLES = {
    "design": "wiring design",
    "workmanship": "workmanship",
    "grid": "service or grid",
    "settings": "settings",
    "other": "not overvoltage",
}
GROUPS = {
    "design": ("design",),
    "workmanship": ("workmanship",),
    "grid": ("supply", "service"),
    "settings": ("settings",),
    "other": ("other",),
}
#: Nothing is impossible: with this chance a reading means something else, anything within so many percent.
STRAY, STRAY_PCT = 0.01, 40.0
#: Points and reach of the quadrature [standard deviations].
POINTS, REACH = 1201, 6.0

#: A mixture: weight, mean and standard deviation of each part.
Prediction = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Factor:
    """One piece of evidence: what it is in a sentence, and its chance under each of HYPOTHESES, (h,) logarithms."""

    name: str
    sentence: str
    log_likelihood: FloatArray


def holds(key: str) -> BoolArray:
    """Which of HYPOTHESES hold a cause of that answer, (h,)."""
    return np.array([any(name in GROUPS[key] for name in causes) for causes in HYPOTHESES])


def prior_of(chances: Sequence[float], two: float) -> FloatArray:
    """Chance of each of HYPOTHESES (h,) before anything is known.

    `chances` are those of CAUSES. Where it is overvoltage, two causes are at work with chance `two`, each pair as often
    as its causes by themselves.
    """
    alone = np.array(chances, dtype=np.float64)
    pairs = np.array([a * b for a, b in combinations(alone[:-1], 2)])
    shares = np.full(alone.size, 1.0 - two)
    shares[-1] = 1.0
    return np.concatenate([alone * shares, two * float(alone[:-1].sum()) * pairs / pairs.sum()])


def predicted(common: Prediction, **own: Prediction) -> list[Prediction]:
    """What each of HYPOTHESES predicts: what its cause says, `common` where none says anything.

    Where two causes say something, each adds what sets it apart from `common`, which is of one part.
    """
    return [_together(common, [own[name] for name in causes if name in own]) for causes in HYPOTHESES]


def _together(common: Prediction, own: Sequence[Prediction]) -> Prediction:
    if len(own) < 2:
        return own[0] if own else common
    ((_, mean, sd),) = common
    return tuple(
        (v * w, m + n - mean, float(np.sqrt(s * s + t * t - sd * sd))) for v, m, s in own[0] for w, n, t in own[1]
    )


def chances_of(common: float, **own: float) -> FloatArray:
    """The chance of something under each of HYPOTHESES (h,): what its cause says, `common` where none does."""
    return np.array([next((own[name] for name in causes if name in own), common) for causes in HYPOTHESES])


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
    """Logarithm of a reading's density under each of HYPOTHESES, (h,)."""
    return np.log([float(density(np.array([value]), p, sd, bound)[0]) for p in predictions])


def posterior(prior: FloatArray, factors: Sequence[Factor]) -> FloatArray:
    """Chance of each of HYPOTHESES (h,) after the evidence, by Bayes' rule."""
    logs = np.log(prior) + sum((factor.log_likelihood for factor in factors), np.zeros(prior.size))
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def grouped(chances: FloatArray) -> dict[str, float]:
    """The chance that each answer is behind it, alone or with another, by its key in GROUPS; `chances` is (h,)."""
    return {key: float(chances[holds(key)].sum()) for key in GROUPS}


def speaks_for(factor: Factor, key: str, prior: FloatArray) -> float:
    """Logarithm of how much likelier the evidence is under one answer than under all others together."""
    likelihood = np.exp(factor.log_likelihood - factor.log_likelihood.max())
    mine = holds(key)
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
    """The same of a look that has a few outcomes: `given` (h, outcomes) are their chances [bits]."""
    return _bits(chances, given)


def _bits(chances: FloatArray, given: FloatArray) -> float:
    # What is asked for is the answer: which keys of GROUPS are behind it, be it one or two.
    held = np.stack([holds(key) for key in GROUPS], axis=1)
    answers, of = np.unique(held, axis=0, return_inverse=True)
    weight = np.bincount(of.ravel(), weights=chances)
    joint = np.zeros((len(answers), given.shape[1]))
    np.add.at(joint, of.ravel(), chances[:, None] * given)
    marginal = joint.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = joint * np.log2(joint / (weight[:, None] * marginal[None, :]))
    return float(np.nansum(np.where(joint > 0, terms, 0.0)))

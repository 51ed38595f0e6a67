"""What share of such cases fails, by run lengths, units per branch, service and year: a logistic model of all cases.

Cases that are alike in all of these count together, so a million cases are some thousand cells. The likelihood is
penalised by normal priors on the slopes, so that a term that parts failures from passes completely stays finite (the
reason as in A. Gelman et al., Ann. Appl. Statist. 2:1360-1383, 2008; the prior here is normal); the intercept is free,
so that as many failures are expected over all as there are.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
import scipy  # its parts load when they are first used: they are slow to

from auditor.quality.limits import Floats

#: Standard deviation of the prior of a slope, per standard deviation of its column. Odds that change by more than
#: e^5 = 148 times per standard deviation are held unlikely.
PRIOR_SD = 2.5
#: Inner knots of a numeric term, as quantiles of the cases: between them the log-odds are straight.
KNOTS = (0.25, 0.5, 0.75)
#: The numeric terms: column and name; lengths count by their logarithm.
NUMERIC = (
    ("home_run_m", "home-run length"),
    ("feeder_m", "feeder length"),
    ("units", "units per branch"),
    ("year", "year"),
)
CATEGORIES = (("service", "service"),)
_LOGARITHMIC = ("home_run_m", "feeder_m")
#: Lengths below this count as this long [m].
_SHORTEST_M = 0.5
#: Steps by which lengths are told apart, in natural logarithms: ten percent.
_STEP = 0.1
GROUPS = 10


@dataclass(frozen=True)
class Fit:
    """A fitted model and how well it does.

    `terms`: term, odds_ratio, low, high (95 %), the odds against those of a case one standard deviation lower, or of
    the commonest category. `calibration`: cases in tenths by expected share, with cases, expected, failed. `auc`: the
    chance that a failing case was expected to fail more than a passing one (0.5: no better than a coin).
    """

    terms: pl.DataFrame
    calibration: pl.DataFrame
    auc: float
    cases: int
    failed: int


def adjusted_for(besides: Collection[str] = ()) -> list[str]:
    """The names of what is adjusted for, without some columns."""
    return [name for column, name in (*NUMERIC, *CATEGORIES) if column not in besides]


def expected(cases: pl.DataFrame, besides: Collection[str] = ()) -> tuple[Floats, Fit]:
    """The chance that each case fails, given what it is like, and the fit.

    `cases` has the columns of `NUMERIC` and `CATEGORIES`, and `failed` [bool]. A value that is missing stands at the
    commonest level of its term and has an effect of its own. `besides` leaves columns out.
    """
    keys = [column for column, _ in (*NUMERIC, *CATEGORIES) if column not in besides]
    rounded = cases.select(*(_rounded(column).alias(column) for column in keys), "failed")
    cells = rounded.group_by(keys).agg(pl.len().alias("cases"), pl.col("failed").sum()).sort(keys)
    design, names = _design(cells, keys)
    count, seen = (cells[name].to_numpy().astype(float) for name in ("cases", "failed"))
    slopes, covariance = _fitted(design, count, seen)
    chance = scipy.special.expit(design @ slopes)
    placed = cells.select(*keys, pl.Series("chance", chance))
    each = rounded.join(placed, on=keys, how="left", nulls_equal=True, maintain_order="left")["chance"].to_numpy()
    told = _terms(names, slopes, covariance), _calibration(chance, count, seen), auc(chance, count, seen)
    return each, Fit(*told, int(count.sum()), int(seen.sum()))


def _rounded(column: str) -> pl.Expr:
    """A column as cells tell it apart; what is not finite is missing."""
    if column in _LOGARITHMIC:
        length = pl.col(column).cast(pl.Float64).fill_nan(None)
        return (length.clip(lower_bound=_SHORTEST_M).log() / _STEP).round(0) * _STEP
    return pl.col(column).cast(pl.Float64) if column in dict(NUMERIC) else pl.col(column)


def _design(cells: pl.DataFrame, keys: Sequence[str]) -> tuple[Floats, list[str]]:
    """The model's columns over cells, each of mean 0 and standard deviation 1 over the cases but the first, of ones."""
    weights = cells["cases"].to_numpy().astype(float)
    columns, names = [np.ones(cells.height)], ["all cases"]
    for key, name in (*NUMERIC, *CATEGORIES):
        if key not in keys:
            continue
        made = _numeric(cells[key], weights, name) if (key, name) in NUMERIC else _category(cells[key], weights, name)
        for label, column in made:
            middle = np.average(column, weights=weights)
            spread = np.sqrt(np.average((column - middle) ** 2, weights=weights))
            if spread > 1e-9:
                columns.append((column - middle) / spread)
                names.append(label)
    return np.column_stack(columns), names


def _numeric(values: pl.Series, weights: Floats, name: str) -> list[tuple[str, Floats]]:
    missing = values.is_null().to_numpy()
    held, at = values.to_numpy().astype(float), np.flatnonzero(~missing)
    if not at.size:
        return []
    order = at[np.argsort(held[at], kind="stable")]
    reached = np.cumsum(weights[order]) / weights[order].sum()
    knots = [float(held[order[np.searchsorted(reached, share)]]) for share in KNOTS]
    filled = np.where(missing, knots[1], held)
    beyond = [
        (f"{name}, beyond {_shown(knot, name)}", np.maximum(filled - knot, 0.0))
        for knot in dict.fromkeys(knots)
        if knot > filled.min()
    ]
    return [(name, filled), *beyond, (f"{name} not known", missing.astype(float))]


def _shown(knot: float, name: str) -> str:
    return f"{np.exp(knot):.3g} m" if name.endswith("length") else f"{knot:.0f}"


def _category(values: pl.Series, weights: Floats, name: str) -> list[tuple[str, Floats]]:
    held = values.cast(pl.String).fill_null("not known")
    sums = pl.DataFrame({"value": held, "weight": weights}).group_by("value").agg(pl.col("weight").sum())
    levels = sums.sort("weight", "value", descending=[True, False])["value"].to_list()
    return [(f"{name} {level}", (held == level).to_numpy().astype(float)) for level in levels[1:]]


def _fitted(design: Floats, count: Floats, seen: Floats) -> tuple[Floats, Floats]:
    """The slopes of highest penalised likelihood and their covariance (the inverse of its curvature)."""
    penalty = np.full(design.shape[1], 1 / PRIOR_SD**2)
    penalty[0] = 0.0

    def cost(slopes: Floats) -> tuple[float, Floats]:
        along = design @ slopes
        value = count @ np.logaddexp(0.0, along) - seen @ along + penalty @ slopes**2 / 2
        return float(value), design.T @ (count * scipy.special.expit(along) - seen) + penalty * slopes

    def curvature(slopes: Floats) -> Floats:
        chance = scipy.special.expit(design @ slopes)
        return np.asarray((design * (count * chance * (1 - chance))[:, None]).T @ design + np.diag(penalty))

    start = np.zeros(design.shape[1])
    start[0] = scipy.special.logit(seen.sum() / count.sum())
    found = scipy.optimize.minimize(cost, start, jac=True, hess=curvature, method="trust-exact", options={"gtol": 1e-6})
    return np.asarray(found.x), np.asarray(np.linalg.inv(curvature(found.x)))


def _terms(names: Sequence[str], slopes: Floats, covariance: Floats) -> pl.DataFrame:
    half = scipy.stats.norm.ppf(0.975) * np.sqrt(np.diag(covariance))
    columns = {"odds_ratio": slopes, "low": slopes - half, "high": slopes + half}
    return pl.DataFrame({"term": names} | {name: np.exp(value) for name, value in columns.items()})[1:]


def _calibration(chance: Floats, count: Floats, seen: Floats) -> pl.DataFrame:
    """Cases in tenths by their expected share: what was expected, and what failed. A cell is never parted."""
    order = np.argsort(chance, kind="stable")
    middle = np.cumsum(count[order]) - count[order] / 2
    tenth = np.minimum(middle / count.sum() * GROUPS, GROUPS - 1).astype(int)
    frame = pl.DataFrame({
        "tenth": tenth + 1, "cases": count[order], "expected": (chance * count)[order], "failed": seen[order],
    })  # fmt: skip
    return frame.group_by("tenth").agg(pl.all().sum()).sort("tenth").with_columns(pl.col("cases", "failed").cast(int))


def auc(chance: npt.ArrayLike, count: npt.ArrayLike, seen: npt.ArrayLike) -> float:
    """The chance that a failing case had the larger chance of failing than a passing one, ties by half.

    `count` cases of each chance, of which `seen` failed (Hanley and McNeil, Radiology 143:29-36, 1982). NaN where all
    or none failed.
    """
    frame = pl.DataFrame({"chance": chance, "all": count, "bad": seen}).group_by("chance").agg(pl.all().sum())
    frame = frame.sort("chance").with_columns(good=pl.col("all") - pl.col("bad"))
    bad, good = (frame[name].to_numpy().astype(float) for name in ("bad", "good"))
    if not bad.sum() or not good.sum():
        return float("nan")
    below = np.cumsum(good) - good
    return float(bad @ (below + good / 2) / (bad.sum() * good.sum()))

"""Compares units (designers, crews, offices, ...) by how many cases fail, against what their case mix explains.

A case is a circuit or a system with one verdict. Cases of one system tend to fail together: how much so, over all
systems, widens every limit (the design effect; J. N. K. Rao, A. J. Scott, Biometrics 48:577-585, 1992).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from auditor.quality import case_mix, limits, over_time, shrinkage

#: Share of false alarms that is borne among the units that are told apart.
FALSE_ALARMS = 0.05
#: Failures from which a unit is looked at for a change.
LEAST_FAILURES = 5
MORE, FEWER, NONE = "more than expected", "fewer than expected", "no evidence"
#: The columns of cases; `failed` is null where the verdict is unknown, `value` where the record names no unit.
CASES: dict[str, pl.DataType] = {
    "system_id": pl.String(),
    "value": pl.String(),
    "day": pl.Date(),
    "service": pl.String(),
    "home_run_m": pl.Float64(),
    "feeder_m": pl.Float64(),
    "units": pl.Int64(),
    "year": pl.Int32(),
    "failed": pl.Boolean(),
}


@dataclass(frozen=True)
class Comparison:
    """What a comparison found.

    `units`, one row a unit in the order of size (years in their own): value, systems, judged, unknown, failed, share,
    share_low, share_high (Wilson, 95 %), expected, ratio_low, ratio_high (exact, 95 %; both of as many cases as the
    design effect leaves), shrunken, shrunken_low, shrunken_high, chance_above (that its ratio is above 1), score
    (deviates), false_alarms (share among units at least so far out), enough (whether it would stand out by itself if
    all its cases failed), evidence, unadjusted (evidence by the share alone), changed (the year from which its ratio is
    another, null where there is no evidence), before, after. `years`: value, year, judged, failed, expected. `cases`
    are those that were judged, with their `chance`. `alike` is the design effect, `spread` the whole factor of
    overdispersion.

    The cases of which the records name no unit count in the model and stand in a row without a value; they are nobody's
    work, so nothing is said of them and they tell nobody apart.
    """

    by: str
    units: pl.DataFrame
    years: pl.DataFrame
    cases: pl.DataFrame
    fit: case_mix.Fit | None
    alike: float
    spread: float
    ratios: shrinkage.Spread
    judged_itself: tuple[str, ...] = ()

    @property
    def judged(self) -> int:
        """Cases with a verdict of pass or fail."""
        return self.cases.height

    @property
    def unknown(self) -> int:
        """Cases whose verdict is unknown."""
        return int(self.units["unknown"].sum())

    @property
    def failed(self) -> int:
        """Cases that fail."""
        return int(self.cases["failed"].sum())

    @property
    def share(self) -> float:
        """The share of cases that fails; NaN without any."""
        return self.failed / self.judged if self.judged else float("nan")

    @property
    def named(self) -> int:
        """How many units the records name."""
        return self.units["value"].count()

    @property
    def comparable(self) -> int:
        """How many of them have a case with a verdict."""
        return self.units.filter(pl.col("value").is_not_null() & (pl.col("judged") > 0)).height

    @property
    def told_apart(self) -> pl.DataFrame:
        """The units of which there is evidence that they differ."""
        return self.units.filter(pl.col("evidence") != NONE)


def compare(cases: pl.DataFrame, by: str, judged_itself: tuple[str, ...] = ()) -> Comparison:
    """Compare the units of `cases` (columns as `CASES`); `by` is what the units are.

    `judged_itself` names columns of the case mix that the outcome itself judges: to adjust for them would excuse just
    what is asked about.
    """
    judged = cases.filter(pl.col("failed").is_not_null())
    fit, chance, alike = None, np.full(judged.height, judged["failed"].mean() or 0.0), 1.0
    if 0 < int(judged["failed"].sum()) < judged.height:
        chance, fit = case_mix.expected(judged, (by, *judged_itself))
        alike = design_effect(judged, chance)
    judged = judged.with_columns(pl.Series("chance", chance, dtype=pl.Float64))
    units = _counted(cases, judged, by)
    years = (
        judged.group_by("value", "year")
        .agg(pl.len().alias("judged"), pl.col("failed").sum(), pl.col("chance").sum().alias("expected"))
        .sort("value", "year", nulls_last=True)
    )
    units, spread, ratios = _judged(units, fit is not None, alike)
    units = _changes(units, years, spread) if by != "year" and fit is not None else _unchanged(units)
    return Comparison(by, units, years, judged, fit, alike, spread, ratios, judged_itself)


def design_effect(judged: pl.DataFrame, chance: limits.Floats) -> float:
    """How much more the failures of systems vary than if their cases were independent; 1 at least.

    The sum over systems of squared residuals, against the sum of chance (1 - chance).
    """
    residual = judged["failed"].cast(pl.Float64) - pl.Series(chance)
    sums = pl.DataFrame({"system_id": judged["system_id"], "r": residual}).group_by("system_id").agg(pl.col("r").sum())
    alone = float((chance * (1 - chance)).sum())
    return max(1.0, float((sums["r"] ** 2).sum()) / alone) if alone > 0 else 1.0


def _counted(cases: pl.DataFrame, judged: pl.DataFrame, by: str) -> pl.DataFrame:
    """Count by unit, in the order of size; years in their own."""
    unknown = cases.group_by("value").agg(
        pl.col("failed").is_null().sum().alias("unknown"), pl.col("system_id").n_unique().alias("systems")
    )
    counts = judged.group_by("value").agg(
        pl.len().alias("judged"), pl.col("failed").sum(), pl.col("chance").sum().alias("expected")
    )
    joined = unknown.join(counts, on="value", how="left", nulls_equal=True)
    filled = joined.with_columns(pl.col("judged", "failed").fill_null(0), pl.col("expected").fill_null(0.0))
    if by == "year":
        return filled.sort("value", nulls_last=True)
    return filled.sort("judged", "value", descending=[True, False], nulls_last=True)


def _judged(units: pl.DataFrame, any_fit: bool, alike: float) -> tuple[pl.DataFrame, float, shrinkage.Spread]:
    """Add shares, ratios with their intervals, and the evidence."""
    judged, failed, expected = (units[name].to_numpy().astype(float) for name in ("judged", "failed", "expected"))
    named = units["value"].is_not_null().to_numpy()
    score = limits.exact_scores(failed, expected, judged) / np.sqrt(alike)
    between = limits.widening(score[named & (judged > 0)])
    score /= np.sqrt(between)
    of_all = failed.sum() / judged.sum() if judged.sum() else 0.0
    raw = limits.exact_scores(failed, judged * of_all, judged) / np.sqrt(alike)
    # Cases that fail together tell less: by the design effect, that many fewer of them count.
    seen, mean, cases = failed / alike, expected / alike, judged / alike
    ratios = shrinkage.spread_of(seen[named], mean[named]) if any_fit else shrinkage.Spread(1.0, 0.0)
    drawn, low, high = shrinkage.shrunken(seen, mean, ratios)
    share_low, share_high = limits.wilson(seen, cases)
    exact_low, exact_high = limits.poisson_interval(seen)
    alarms = _false_alarms(score, named)
    with np.errstate(divide="ignore", invalid="ignore"):
        columns = {
            "share": failed / judged, "share_low": share_low, "share_high": share_high,
            "ratio_low": exact_low / mean, "ratio_high": exact_high / mean,
            "shrunken": drawn, "shrunken_low": low, "shrunken_high": high,
            "chance_above": shrinkage.chance_above(seen, mean, ratios),
            "score": score, "false_alarms": alarms,
        }  # fmt: skip
    told = [pl.Series(name, np.where(np.isfinite(v), v, np.nan)).fill_nan(None) for name, v in columns.items()]
    utmost = limits.exact_scores(judged, expected, judged) / np.sqrt(alike * between)
    told.append(pl.Series("enough", limits.two_sided(utmost) <= FALSE_ALARMS))
    evidence, unadjusted = _evidence(score, alarms), _evidence(raw, _false_alarms(raw, named))
    units = units.with_columns(*told, pl.Series("evidence", evidence), pl.Series("unadjusted", unadjusted))
    return units, alike * between, ratios


def _false_alarms(score: limits.Floats, named: npt.NDArray[np.bool_]) -> limits.Floats:
    """The share of false alarms among the named units at least so far out; 1 of what nobody is named for."""
    alarms = np.ones(score.size)
    alarms[named] = limits.false_discovery(limits.two_sided(score[named]))
    return alarms


def _evidence(score: limits.Floats, alarms: limits.Floats) -> list[str]:
    return [
        NONE if alarm > FALSE_ALARMS else MORE if deviates > 0 else FEWER
        for deviates, alarm in zip(score, alarms, strict=True)
    ]


def _changes(units: pl.DataFrame, years: pl.DataFrame, spread: float) -> pl.DataFrame:
    """Add from which year a unit's ratio is another than before, where there is evidence of it."""
    dated = years.filter(pl.col("year").is_not_null())
    if not dated.height:
        return _unchanged(units)
    span = range(dated["year"].min(), dated["year"].max() + 1)  # type: ignore[operator,arg-type]
    place = {value: row for row, value in enumerate(units["value"])}
    rows = np.array([place[value] for value in dated["value"]])
    columns = dated["year"].to_numpy() - span.start
    table = np.zeros((3, units.height, len(span)))
    table[:, rows, columns] = dated.select("failed", "expected", "judged").to_numpy().T
    # A unit with few failures can show no change. Given its failures their times decide, so leaving it out is fair.
    looked_at = (table[0].sum(axis=1) >= LEAST_FAILURES) & units["value"].is_not_null().to_numpy()
    table[:, ~looked_at] = 0.0
    found = over_time.changes(table[0], table[1], table[2], spread)
    alarms = np.ones(units.height)
    alarms[looked_at] = limits.false_discovery(found.chance[looked_at])
    real = alarms <= FALSE_ALARMS
    return units.with_columns(
        pl.Series("changed", np.where(real, found.at + span.start, 0)).replace(0, None).cast(pl.Int32),
        *(
            pl.Series(name, np.where(real, values, np.nan)).fill_nan(None)
            for name, values in (("before", found.before), ("after", found.after))
        ),
    )


def _unchanged(units: pl.DataFrame) -> pl.DataFrame:
    nothing = pl.lit(None, pl.Float64)
    return units.with_columns(pl.lit(None, pl.Int32).alias("changed"), before=nothing, after=nothing)

"""What readings say by themselves: the supply, the rise between two places, the step when the solar goes off.

Each is one figure in percent of nominal at rated output, with its random error, the bound that the instruments set and
how many readings it rests on. Nothing here takes the slope at one meter for a rise: only two places at the same time,
or the same place shortly before and after the solar went off, tell the own rise from the neighbours'.

Two readings of one instrument differ by its error at most, those of two instruments by the sum of both; the offset of
instruments that log at two places for days is found and taken off instead (`_slope`).

References
----------
.. [1] M. S. Bartlett, "On the theoretical specification and sampling properties of autocorrelated time-series",
   Suppl. J. R. Stat. Soc. 8, 27-41 (1946): the variance of a correlation of two series with first correlations r and q
   is enlarged by (1 + r·q) / (1 − r·q).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
import polars as pl

from auditor.likelihood.arrays import FloatArray
from auditor.policy import Policy
from auditor.records.evidence_schema import OTHER_TRIP, PLACES, TRIP
from auditor.triage.legs import nominal_v, to_neutral
from auditor.triage.site import PERCENT, Site

#: Simultaneous logs are fitted from so many pairs on, else pairs are averaged.
FEWEST_PAIRS = 30
#: Random error of a difference read once [%]; a slot of the supply's correlation [s].
ONCE_PCT, SLOT_S = 0.15, 300.0
#: Two places were read at the same output if it differed by no more than this [share of rated].
SAME_OUTPUT = 0.1
#: Share of rated output from which the sun is out.
SUN_OUT = 0.1
MOST_CORRELATED = 0.95


@dataclass(frozen=True)
class Contrast:
    """One figure that readings give, [%] of nominal at rated output.

    kind      "supply", "step" or "difference"; `nearer` and `farther` the places, alike for a step or a supply
    circuit_id   of a difference, None for places that all circuits share
    value_pct, sd_pct, bound_pct   the figure, its random error and the instruments' bound
    count     readings or pairs; `spot` where people took them
    """

    kind: str
    nearer: str
    farther: str
    circuit_id: str | None
    value_pct: float
    sd_pct: float
    bound_pct: float
    count: int
    spot: bool

    @property
    def low_pct(self) -> float:
        """Lower end of the interval: two standard deviations and the bound below."""
        return self.value_pct - 2 * self.sd_pct - self.bound_pct

    @property
    def high_pct(self) -> float:
        """Upper end of the interval."""
        return self.value_pct + 2 * self.sd_pct + self.bound_pct

    @property
    def interval(self) -> str:
        """The interval in words; its ends with two decimals where one would make them alike."""
        decimals = 1 if self.high_pct - self.low_pct >= 0.2 else 2
        return f"{self.low_pct:.{decimals}f} to {self.high_pct:.{decimals}f} %"


def in_percent(readings: pl.DataFrame, site: Site, policy: Policy) -> pl.DataFrame:
    """Readings with `v_pct`, `peak_pct`, `share` (own output of rated), `bound_pct`, `spot` and `across`, in order.

    A reading of a nominal voltage that is not known is left out; `share` is null where the own output is not known.
    """
    stated = pl.any_horizontal(pl.col("error_v", "error_pct").is_not_null())
    rules = policy.triage
    volts = pl.when(stated).then(pl.col("error_v").fill_null(0.0)).otherwise(rules.meter_error_v)
    percent = pl.when(stated).then(pl.col("error_pct").fill_null(0.0)).otherwise(rules.meter_error_pct)
    of_pair = to_neutral() | pl.lit(site.lines > 2)
    across = pl.when(of_pair).then(pl.col("leg").fill_null("")).otherwise(pl.lit(""))
    share = (
        pl.when(pl.col("solar") == "off").then(0.0).otherwise(pl.col("power_kw") / pl.lit(site.rated_kw, pl.Float64))
    )
    return (
        readings.with_columns(nominal_v(site.unit_v, site.leg_v, site.line_v).alias("nominal_v"))
        .filter(pl.col("nominal_v").is_not_null())
        .with_columns(
            (pl.col("mean_v") / pl.col("nominal_v") * PERCENT).alias("v_pct"),
            (pl.coalesce("max_v", "mean_v") / pl.col("nominal_v") * PERCENT).alias("peak_pct"),
            share.alias("share"),
            ((volts + percent / PERCENT * pl.col("mean_v")) / pl.col("nominal_v") * PERCENT).alias("bound_pct"),
            pl.any_horizontal(pl.col("solar", "instrument").is_not_null()).alias("spot"),
            across.alias("across"),
        )
        .with_columns((pl.col("share") * PERCENT / pl.col("v_pct")).alias("load"))
        .sort("start", "place", "circuit_id", "unit", "leg")
    )


def contrasts(rows: pl.DataFrame, trips: pl.DataFrame, site: Site, policy: Policy) -> list[Contrast]:
    """Everything that the rows of `in_percent` tell; `trips` are the events of trips, whose `start` counts."""
    found = [*differences(rows, policy), *steps(rows, trips, policy)]
    level = supply(rows, site)
    return [*found, level] if level else found


def supply(rows: pl.DataFrame, site: Site) -> Contrast | None:
    """The supply without own output while the sun is out, at the meter or the main panel; None without readings."""
    entrance = site.worst.between("service", "main panel") if site.worst else None
    for place in PLACES[:2]:
        rise = site.service_pct if place == "service" else _plus(site.service_pct, entrance)
        off = (pl.col("solar") == "off").fill_null(False)
        lit = (pl.col("share") >= SUN_OUT).fill_null(False) & pl.lit(rise is not None)
        own = pl.when(off).then(0.0).otherwise(pl.col("load") * (rise or 0.0))
        chosen = rows.filter((pl.col("place") == place) & (off | lit))
        if not chosen.height:
            continue
        days = (
            chosen.with_columns((pl.col("v_pct") - own).alias("level"))
            .group_by(pl.col("start").dt.date())
            .agg(pl.col("level").mean(), pl.col("bound_pct").mean())
        )
        bound = float(days["bound_pct"].mean())  # type: ignore[arg-type]
        spread = days["level"].std() if days.height > 2 else None
        sd = 0.5 if spread is None else float(spread) / float(np.sqrt(days.height))  # type: ignore[arg-type]
        value = float(days["level"].mean())  # type: ignore[arg-type]
        return Contrast("supply", place, place, None, value, sd, bound, chosen.height, bool(chosen["spot"].any()))
    return None


def _plus(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one + other


def differences(rows: pl.DataFrame, policy: Policy) -> list[Contrast]:
    """The rise between places next to each other that were read at the same time, for each circuit."""
    found: list[Contrast] = []
    lit = rows.filter(pl.col("share").is_not_null())
    shared = lit.filter(pl.col("place").is_in(PLACES[:2]))
    inner = lit.filter(pl.col("place").is_in(PLACES[2:]))
    for circuit in [None, *inner["circuit_id"].drop_nulls().unique().sort().to_list()]:
        own = inner.filter(pl.col("circuit_id").eq_missing(pl.lit(circuit, pl.String)))
        mine = pl.concat([shared, own])
        seen = [place for place in PLACES if (mine["place"] == place).any()]
        for nearer, farther in pairwise(seen):
            if farther in PLACES[:2] and circuit is not None:
                continue  # all circuits share it: told once, with those that name none
            pairs = _pairs(mine, nearer, farther, policy)
            made = _difference(pairs, nearer, farther, circuit, policy)
            if made is not None:
                found.append(made)
    return found


def _pairs(rows: pl.DataFrame, nearer: str, farther: str, policy: Policy) -> pl.DataFrame:
    """Readings of the farther place beside the nearest one in time of the nearer place, at the same output.

    With the solar off at one place and on at the other, the difference would hold the rise of the service besides.
    """
    columns = ("start", "across", "lit", "v_pct", "load", "bound_pct", "instrument", "spot")
    rows = rows.with_columns((pl.col("load") >= policy.triage.least_output).alias("lit"))
    near = rows.filter(pl.col("place") == nearer).select(*columns, pl.col("start").alias("near_at")).sort("start")
    # Of several units the farthest stands highest.
    far = (
        rows.filter(pl.col("place") == farther)
        .sort("start", "v_pct", descending=[False, True])
        .unique(["start", "across"], keep="first", maintain_order=True)
        .select(columns)
    )
    pairs = far.join_asof(
        near, on="start", by=["across", "lit"], strategy="nearest", tolerance=timedelta(seconds=policy.triage.within_s),
        suffix="_near", check_sortedness=False,
    ).filter((pl.col("load") - pl.col("load_near")).abs() <= SAME_OUTPUT)  # fmt: skip
    one = pl.col("instrument").eq_missing(pl.col("instrument_near"))
    bound = pl.max_horizontal("bound_pct", "bound_pct_near")
    both = pl.col("bound_pct") + pl.col("bound_pct_near")
    return pairs.with_columns(
        (pl.col("v_pct") - pl.col("v_pct_near")).alias("apart_pct"),
        (pl.col("start") - pl.col("near_at")).dt.total_seconds().abs().alias("apart_s"),
        pl.when(one).then(bound).otherwise(both).alias("bound"),
    )


def _difference(pairs: pl.DataFrame, nearer: str, farther: str, circuit: str | None, policy: Policy) -> Contrast | None:
    logged = pairs.filter(~pl.col("spot"), ~pl.col("spot_near"))
    spread = logged["load"].max() or 0.0, logged["load"].min() or 0.0
    if logged.height >= FEWEST_PAIRS and float(spread[0]) - float(spread[1]) >= policy.triage.least_output:  # type: ignore[arg-type]
        slope, se = _slope(logged["load"].to_numpy(), logged["apart_pct"].to_numpy())
        return Contrast("difference", nearer, farther, circuit, slope, se, 0.0, logged.height, False)
    lit = pairs.filter(pl.col("load") >= policy.triage.least_output)
    if not lit.height:
        return None
    # Legs that were read at one moment are one reading of the same rise.
    means = (pl.col("apart_pct", "load", "bound", "apart_s").mean(), pl.col("spot").any())
    lit = lit.group_by("start", maintain_order=True).agg(*means)
    each, load = (lit["apart_pct"] / lit["load"]).to_numpy(), lit["load"].to_numpy()
    error = np.hypot(ONCE_PCT, _drift(lit["apart_s"].to_numpy(), policy) / load)
    scatter = float(each.std(ddof=1)) if each.size > 2 else 0.0
    weight = 1 / np.maximum(error, scatter) ** 2
    value, sd = float(np.sum(weight * each) / weight.sum()), float(1 / np.sqrt(weight.sum()))
    bound = float((lit["bound"] / lit["load"]).mean())  # type: ignore[arg-type]
    return Contrast("difference", nearer, farther, circuit, value, sd, bound, lit.height, bool(lit["spot"].any()))


def drift_pct(apart_s: pl.Expr, policy: Policy) -> pl.Expr:
    """Two standard deviations of what the supply moves by in so many seconds [%], as `_drift`."""
    alike = pl.lit(policy.supply.rho).pow(apart_s / SLOT_S)
    return 2 * policy.supply.sigma_pct * (2 * (1 - alike)).sqrt()


def _drift(apart_s: FloatArray, policy: Policy) -> FloatArray:
    """Standard deviation of what the supply moves by between two moments [%]: σ·√(2(1 − ρᵏ)), k slots apart."""
    rho = policy.supply.rho ** (apart_s / SLOT_S)
    return np.asarray(policy.supply.sigma_pct * np.sqrt(2 * (1 - rho)))


def _slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of y on x with an intercept, which holds the instruments' offsets, and its standard error ([1]_)."""
    dx, dy = x - x.mean(), y - y.mean()
    total = float(np.sum(dx * dx))
    slope = float(np.sum(dx * dy)) / total
    rest = dy - slope * dx
    variance = float(np.sum(rest * rest)) / max(x.size - 2, 1)
    alike = min(max(_first_correlation(rest) * _first_correlation(dx), 0.0), MOST_CORRELATED)
    return slope, float(np.sqrt(variance / total * (1 + alike) / (1 - alike)))


def _first_correlation(values: FloatArray) -> float:
    total = float(np.sum(values * values))
    return float(np.sum(values[1:] * values[:-1])) / total if total > 0 else 0.0


def steps(rows: pl.DataFrame, trips: pl.DataFrame, policy: Policy) -> list[Contrast]:
    """The rise from the source to each place, from the solar going off there: spot readings, and the own trips."""
    found = []
    known = rows.filter(pl.col("share").is_not_null())
    for place, circuit in known.select("place", "circuit_id").unique().sort("place", "circuit_id").iter_rows():
        here = known.filter(pl.col("place") == place, pl.col("circuit_id").eq_missing(pl.lit(circuit, pl.String)))
        for spot in (True, False):
            made = _step(before_and_after(here.filter(pl.col("spot") == spot), trips, spot, policy), policy)
            if made is not None:
                value, sd, bound, count = made
                found.append(Contrast("step", place, place, circuit, value, sd, bound, count, spot))
    return found


def before_and_after(rows: pl.DataFrame, trips: pl.DataFrame, spot: bool, policy: Policy) -> pl.DataFrame:
    """Readings next to each other in time between which the output fell or rose by enough."""
    by = ["across", "unit", "instrument"]
    before = [
        pl.col(name).shift(1).over(by).alias(f"{name}_before") for name in ("start", "v_pct", "load", "bound_pct")
    ]
    pairs = rows.sort("start").with_columns(before).filter(pl.col("start_before").is_not_null())
    apart_s = (pl.col("start") - pl.col("start_before")).dt.total_seconds()
    pairs = pairs.with_columns(apart_s.alias("apart_s")).filter(
        pl.col("apart_s") <= policy.triage.within_s,
        (pl.col("load") - pl.col("load_before")).abs() >= policy.triage.least_output,
    )
    if spot or not pairs.height:
        return pairs
    # Clouds move the neighbours' output too; only an own trip within the two intervals moves the own alone.
    stops = trips.filter(pl.col("kind").is_in([TRIP, OTHER_TRIP])).select(pl.col("start").alias("stop")).sort("stop")
    at = pairs.sort("start").with_columns((pl.col("start") + pl.duration(seconds="duration_s")).alias("end"))
    told = at.join_asof(stops, left_on="end", right_on="stop", strategy="backward", check_sortedness=False)
    fell = pl.col("load") < pl.col("load_before")
    return told.filter(fell & (pl.col("stop") >= pl.col("start_before")).fill_null(False))


def _step(pairs: pl.DataFrame, policy: Policy) -> tuple[float, float, float, int] | None:
    """Value, random error, bound and count of the steps; None without any."""
    if not pairs.height:
        return None
    bound_pct = pairs["bound_pct"] / (pairs["load"] - pairs["load_before"]).abs()
    spot = bool(pairs["spot"].any())
    # Legs and pairs that were read at one moment are one reading of the same step.
    pairs = pairs.group_by("start", maintain_order=True).agg(
        pl.col("v_pct", "v_pct_before", "load", "load_before", "apart_s").mean()
    )
    moved = (pairs["load"] - pairs["load_before"]).to_numpy()
    each = (pairs["v_pct"] - pairs["v_pct_before"]).to_numpy() / moved
    drift = _drift(pairs["apart_s"].to_numpy(), policy) / np.abs(moved)
    weight = 1 / np.maximum(drift, ONCE_PCT) ** 2
    value = float(np.sum(weight * each) / weight.sum())
    bound = float(bound_pct.mean()) if spot else 0.0  # type: ignore[arg-type]
    return value, float(1 / np.sqrt(weight.sum())), bound, pairs.height

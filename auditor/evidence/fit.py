"""A supply from readings: level, mean by month and hour, noise, day effect, peaks and the neighbours' sun.

Pure functions on arrays. Readings of one place and leg, between 60 and 900 s long, tell the voltage there; the own rise
up to that place is known from the records and taken off. Each figure stands by itself: what the readings cannot tell is
NaN, with a reason, and the caller keeps its assumption for it.

In order: `series` leaves readings out, by reason; `slope` takes the sun apart from the time of day; `cells` finds level
and mean by month and hour; `noise` fits the covariances of what is left, undoing the averaging (`averages`), and the
peaks.

What the figures hold. The slope at one meter is the own service as far as the records have it wrong, the neighbours
and the feeder, and whatever else goes with clear days, such as cooling: no sign of a bad connection. The noise is that
of daytime, when systems produce. Without sun (`beta_pct` NaN) the mean by hour holds the neighbours' sun of the days
that were read. The standard error of the level counts days that are alike, months and hours that were not read, and the
slope's; it does not count that another year may differ. Errors of level and slope go opposite ways, so that to take
them as independent is on the safe side.

How much is enough. Hours over a threshold change by a third for each tenth of a percent of nominal, and the mean over a
year of days that are alike for two or three is hardly known better: `tests/published/lv_year` has the figures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from auditor.evidence.cells import Spreads, level_of
from auditor.evidence.noise import Noise, left_over, noise_of, peak_of
from auditor.evidence.series import Readings, blocks_of, usable
from auditor.evidence.slope import sun_slope
from auditor.likelihood.arrays import BoolArray, FloatArray, IntArray
from auditor.likelihood.inputs import Supply

DEFAULT_SPREADS = Spreads()


@dataclass(frozen=True)
class SupplyFit:
    """What readings say of a supply; NaN where they cannot tell, all in % of nominal but rho and the counts.

    level_pct, level_se_pct   annual mean of the voltage without own output and without sun, and its standard error
    dev_pct      (12, 24) mean by month and hour, less the level
    days_seen    (12, 24) days read in each cell; where 0 the shape of dev_pct is the prior's
    sigma_pct, rho   spread and correlation of the mean of a slot of slot_s seconds
    day_pct      spread of the day effect
    peak_pct     scale of the peaks above a slot's mean at a clearing time of 1 s
    beta_pct, beta_se_pct   gain from full sun and its standard error; may come out below zero
    used, left_out   readings used, and left out by reason
    unknown      what is not known, by name, with the reason
    """

    level_pct: float
    level_se_pct: float
    dev_pct: FloatArray
    days_seen: IntArray
    sigma_pct: float
    rho: float
    day_pct: float
    peak_pct: float
    beta_pct: float
    beta_se_pct: float
    slot_s: float
    used: int
    left_out: dict[str, int]
    unknown: dict[str, str]

    @property
    def prior_cells(self) -> BoolArray:
        """Cells of month and hour that keep the prior's shape, (12, 24)."""
        return np.asarray(self.days_seen == 0, dtype=np.bool_)

    def supply(self, prior: Supply) -> Supply:
        """The prior with each figure replaced that the readings tell."""
        told = {name: getattr(self, name) for name in ("sigma_pct", "rho", "day_pct", "peak_pct")}
        told = {name: value for name, value in told.items() if not np.isnan(value)}
        return replace(prior, dev_pct=self.dev_pct, **told)


def fit_supply(
    readings: Readings,
    own_rise_pct: float,
    prior: Supply,
    *,
    max_window_s: float = 1.0,
    spreads: Spreads = DEFAULT_SPREADS,
) -> SupplyFit:
    """Fit a supply to the readings of one place and leg; the slot is the prior's.

    own_rise_pct is the rise from the source to that place at rated output [% of nominal], NaN where unknown.
    max_window_s is over how long the meter takes a maximum [s]: an assumption where its maker does not tell.
    Raises ValueError where columns do not fit together or hold several legs.
    """
    series, left_out = usable(readings, own_rise_pct)
    beta, beta_se = sun_slope(series) if series.has_sun else (np.nan, np.nan)
    level = level_of(series, beta, prior, spreads)
    blocks = blocks_of(series, prior.slot_s)
    noise, peak = Noise(np.nan, np.nan, np.nan), np.nan
    if blocks is not None:
        left = left_over(blocks, level.mean_pct, beta, prior.slot_s)
        noise = noise_of(left, blocks.sun, blocks.slots, prior.slot_s)
        peak = peak_of(blocks, noise, prior.slot_s, max_window_s)
    fit = SupplyFit(
        level_pct=level.level_pct,
        level_se_pct=float(
            np.hypot(level.level_se_pct, 0.0 if np.isnan(beta_se) else beta_se * np.nanmean(series.sun))
        ),
        dev_pct=level.dev_pct,
        days_seen=level.days_seen,
        sigma_pct=noise.sigma_pct,
        rho=noise.rho,
        day_pct=noise.day_pct,
        peak_pct=peak,
        beta_pct=beta,
        beta_se_pct=beta_se,
        slot_s=prior.slot_s,
        used=int(series.second.size),
        left_out=left_out,
        unknown={},
    )
    return replace(fit, unknown=_unknown(fit, readings, blocks is None, series.has_sun))


def _unknown(fit: SupplyFit, readings: Readings, no_blocks: bool, has_sun: bool) -> dict[str, str]:
    """Why each figure that is NaN cannot be told."""
    few = "too few days of daytime readings"
    if no_blocks:
        few = "no readings, or their length and the slot have no common multiple within an hour"
    no_peak = "the readings have no maximum" if readings.max_pct is None else f"too few maxima, or {few}"
    no_sun = "" if has_sun else "neither own output nor sun is known"
    reasons = {
        "level_pct": "no usable readings",
        "sigma_pct": few,
        "rho": few,
        "day_pct": few,
        "peak_pct": no_peak,
        "beta_pct": no_sun or "too few days with sun, or days too much alike",
    }
    return {name: reason for name, reason in reasons.items() if np.isnan(getattr(fit, name))}

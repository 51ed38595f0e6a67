"""What the likelihood is told: a grid profile, a supply's character, a class of day shapes, and the systems."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray, IntArray

#: Averaging time of a ten-minute rule [s].
TEN_MINUTES_S = 600.0
MONTHS, HOURS = 12, 24


@dataclass(frozen=True)
class Threshold:
    """One overvoltage threshold: level_pct [% of nominal], clearing_s [s], and whether a ten-minute mean is judged."""

    level_pct: float
    clearing_s: float
    ten_minute: bool = False


@dataclass(frozen=True)
class VoltWatt:
    """Output falls linearly from all at v1_pct to the share p2 at v2_pct [% of nominal; p2 of rated output]."""

    v1_pct: float
    v2_pct: float
    p2: float

    @property
    def slope(self) -> float:
        """k = (1 − P2)/(V2 − V1) [per % of nominal]."""
        return (1.0 - self.p2) / (self.v2_pct - self.v1_pct)


@dataclass(frozen=True)
class VoltVar:
    """Absorbed reactive power grows linearly from v3_pct to v4_pct and lowers the unit's voltage.

    relief is what full absorption takes off the voltage, as a share of the system's own rise at full output: about
    q_max·X/R of the path. It is an assumption unless the path's reactance is known.
    """

    v3_pct: float
    v4_pct: float
    relief: float


@dataclass(frozen=True)
class Profile:
    """The overvoltage part of a grid profile as it is set in the units.

    thresholds      one or more; the lowest level is the first threshold
    ceases          above the first instant threshold output stops until the voltage falls back ("cease"), else the
                    unit runs on until it is cleared
    return_pct      the voltage without own rise must be under it for the whole delay [% of nominal]
    delay_s, ramp_s delay before a unit returns, and the time over which it then ramps up to rated output [s]
    mean_slides     a ten-minute mean is renewed each slot, else it is taken over fixed intervals
    volt_watt, volt_var   droops, None where off
    """

    thresholds: tuple[Threshold, ...]
    return_pct: float
    delay_s: float
    ramp_s: float
    ceases: bool = False
    mean_slides: bool = False
    volt_watt: VoltWatt | None = None
    volt_var: VoltVar | None = None

    def __post_init__(self) -> None:
        if not self.thresholds:
            raise ValueError("a profile needs a threshold")
        if self.ceases and not self.instant:
            raise ValueError("a profile that ceases needs an instant threshold")

    @property
    def first_pct(self) -> float:
        """The lowest threshold [% of nominal]."""
        return min(threshold.level_pct for threshold in self.thresholds)

    @property
    def instant(self) -> tuple[Threshold, ...]:
        """The thresholds that judge the voltage itself, lowest first."""
        return tuple(sorted((t for t in self.thresholds if not t.ten_minute), key=lambda t: t.level_pct))

    @property
    def ten_minute_pct(self) -> float | None:
        """The lowest threshold on a ten-minute mean [% of nominal], None without."""
        return min((t.level_pct for t in self.thresholds if t.ten_minute), default=None)


@dataclass(frozen=True)
class Supply:
    """The character of a supply, without its level: what many systems share.

    dev_pct      (12, 24) mean by month and hour of day of the no-export voltage, less its annual mean [% of nominal]
    sigma_pct    standard deviation within a day of the slot's mean [% of nominal]
    rho          correlation of one slot's mean with the next
    day_pct      standard deviation of the day effect [% of nominal]
    peak_pct     scale of the peaks above a slot's mean at a clearing time of 1 s [% of nominal]
    slot_s       length of a slot [s]; a ten-minute rule needs 300 s or 600 s
    """

    dev_pct: FloatArray
    sigma_pct: float
    rho: float
    day_pct: float
    peak_pct: float
    slot_s: float = 300.0

    def __post_init__(self) -> None:
        if self.dev_pct.shape != (MONTHS, HOURS):
            raise ValueError("dev_pct must be 12 months by 24 hours")
        if not 0.0 <= self.rho < 1.0:
            raise ValueError("rho must be at least 0 and below 1")
        if min(self.sigma_pct, self.day_pct, self.peak_pct) < 0.0 or self.slot_s <= 0.0:
            raise ValueError("standard deviations, peaks and the slot cannot be negative")


@dataclass(frozen=True)
class DayShapes:
    """A class of output: days that stand for the days of a year.

    output   (n, slots of a day) output as a share of rated output, 0 at night; slot 0 starts at midnight
    month    (n,) month of each day, 0 to 11
    days     (n,) how many days a year each stands for [days]
    """

    output: FloatArray
    month: IntArray
    days: FloatArray

    def month_days(self) -> FloatArray:
        """Days a year in each month that the class holds, (12,) [days]."""
        return np.bincount(self.month, weights=self.days, minlength=MONTHS).astype(np.float64)

    def trip_output(self) -> float:
        """The output fraction at which trips mostly happen, taken as Σf⁴/Σf³ over the year [share of rated]."""
        weight = self.days[:, None]
        cube = float(np.sum(weight * self.output**3))
        return float(np.sum(weight * self.output**4)) / cube if cube > 0.0 else 0.0


@dataclass(frozen=True)
class Systems:
    """The systems of one table, all (n,); NaN where a fact is missing.

    level_pct     annual mean of the no-export voltage at the PCC [% of nominal across the unit]
    site_pct      standard deviation of the uncertainty of that level [% of nominal]
    beta_pct      what the neighbours' sun adds at full sun [% of nominal]
    beta_sd_pct   its standard deviation [% of nominal]
    service_pct   rise ahead of the PCC at rated output, at the trip voltage [% of nominal]
    wiring_pct    rise from the PCC to the worst unit, likewise [% of nominal]
    target_pct    the wiring rise that the target allows [% of nominal]
    units         number of units
    sensing_pct   standard deviation of a unit's lifelong sensing offset [% of nominal]
    rated_kw      rated output of all units [kW]
    """

    level_pct: FloatArray
    site_pct: FloatArray
    beta_pct: FloatArray
    beta_sd_pct: FloatArray
    service_pct: FloatArray
    wiring_pct: FloatArray
    target_pct: FloatArray
    units: FloatArray
    sensing_pct: FloatArray
    rated_kw: FloatArray

    @property
    def size(self) -> int:
        """How many systems."""
        return int(self.level_pct.shape[0])

"""The table of one profile, supply and output class: the machine solved once, and integrated over day and site.

Axes: the margin, which is the first threshold less the annual mean of the no-export voltage and what the sun adds at
full output [% of nominal], of which the volt-watt droop leaves a part at the threshold; what the sun adds without that
droop, the neighbours' sun and the own rise together; the own share of it; and the standard deviation of the site's
level. Along them lie logarithms, since answers run from one trip in a million years to one a day. The margin already
holds most of what the sun does, so that few nodes are enough. A profile that ceases trips on the voltage without own
output: its trips know the neighbours' sun only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.inputs import HOURS, MONTHS, DayShapes, Profile, Supply
from auditor.likelihood.lines import blurred, chance_of, log_hazard_of, moved, to_log
from auditor.likelihood.machine import solve_days
from auditor.likelihood.slot import Points

#: What the sun adds, and the own share of it, where the machine is solved [% of nominal; of one].
SUN_NODES_PCT = (0.0, 0.4, 0.9, 1.6, 2.6, 4.0, 6.0, 9.0, 13.0)
SHARE_NODES = (0.0, 0.25, 0.5, 0.75, 1.0)
#: The finished axes, straight lines between.
SUN_FINE_PCT = (*(k * 0.1 for k in range(10)), *(1.0 + k * 0.25 for k in range(8)), *(3.0 + k * 0.5 for k in range(21)))
SHARE_FINE = tuple(k / 8.0 for k in range(9))
#: Standard deviations of the site's level at which the table is integrated [% of nominal], straight in their square.
SITE_NODES_PCT = (0.0, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0, 1.2, 1.45, 1.7, 2.0, 2.5, 3.0)
#: z of the 10th and 90th percentile of a normal distribution.
Z_80 = 1.2815515655446004

#: Columns along the last axis of the table's two parts.
TRIP_COLUMNS = ("mean", "median", "low", "high", "chance_year", "chance_30d", "trips", "episodes")
LOSS_COLUMNS = ("lost_h", "over_h", "ceased_h")


@dataclass(frozen=True)
class Nodes:
    """Where the machine is solved: sun_pct and share nodes, margin from low_pct on, spacing_pct, count."""

    sun_pct: tuple[float, ...]
    share: tuple[float, ...]
    low_pct: float
    spacing_pct: float
    count: int

    @property
    def margin_pct(self) -> FloatArray:
        """The margins, (m,) [% of nominal]."""
        return np.asarray(self.low_pct + self.spacing_pct * np.arange(self.count), dtype=np.float64)


@dataclass(frozen=True)
class YearLines:
    """A year along the margin, with the day effect in it and the site's level known.

    hazard    (12, u, h, m) log of −log(1 − chance of a trip on a day) in each month
    trip_days, trips, episodes, losses, curtailed   (u, h, m) logs of a year's expectations
    by_hour   (12, 24, u, h, m) log of the expected trips a year by month and hour
    month_days (12,) days a year in each month
    """

    hazard: FloatArray
    trip_days: FloatArray
    trips: FloatArray
    episodes: FloatArray
    losses: tuple[FloatArray, ...]
    curtailed: FloatArray
    by_hour: FloatArray
    month_days: FloatArray


@dataclass(frozen=True)
class Table:
    """What systems interpolate in.

    trip (s, u, h, m, 8), loss (s, u, h, m, 3) and curtailed (s, u, h, m, 1) hold logs, the first two in the order of
    TRIP_COLUMNS and LOSS_COLUMNS; chances as
    log(−log(1 − P)). trips_off tells that the margin of `trip` is without the own rise. site_pct, rise_pct, beta_pct
    and margin_pct are the axes; trip_output is the output fraction at which trips mostly happen, output_dev_pct the
    supply's deviation weighted with output. relieved tells that tripped units stay off for at least a slot.
    """

    first_pct: float
    trips_off: bool
    weight_at_trip: float
    site_pct: FloatArray
    sun_pct: FloatArray
    share: FloatArray
    margin_pct: FloatArray
    trip: FloatArray
    loss: FloatArray
    curtailed: FloatArray
    trip_output: float
    output_dev_pct: float
    relieved: bool
    nodes: Nodes
    lines: YearLines


def nodes_for(profile: Profile, supply: Supply) -> Nodes:
    """Nodes that span from "trips on every bright day" to "less than once in a million years"."""
    spread = float(np.hypot(supply.sigma_pct, supply.day_pct))
    peak = supply.peak_pct if profile.instant else 0.0
    spacing = 0.5 if np.hypot(supply.sigma_pct, peak) >= 0.5 else 0.25
    high = float(supply.dev_pct.max()) + 5.5 * spread + 8.0 * peak + 4.0
    low = min(-3.0, float(supply.dev_pct.min()) - 4.0 * spread)
    low = spacing * np.floor(low / spacing)
    return Nodes(SUN_NODES_PCT, SHARE_NODES, low, spacing, int(np.ceil((high - low) / spacing)) + 1)


def make_table(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    window_days: FloatArray,
    nodes: Nodes | None = None,
    finer: float = 1.0,
) -> Table:
    """Solve the machine and integrate; window_days (12,) are the days of the coming 30 in each month [days].

    nodes and finer replace the table's own grid, for one system or to measure its error; there is then nothing between
    its nodes of sun and share.
    """
    grid = nodes or nodes_for(profile, supply)
    lines = year_lines(profile, supply, shapes, grid, finer)
    trip = np.stack([_trip_columns(lines, site, grid, window_days) for site in SITE_NODES_PCT])
    loss = np.stack([_loss_columns(lines.losses, site, grid) for site in SITE_NODES_PCT])
    curtailed = np.stack([_loss_columns((lines.curtailed,), site, grid) for site in SITE_NODES_PCT])
    sun, share = grid.sun_pct, grid.share
    if nodes is None:
        trip, loss, curtailed = (_between(part, grid) for part in (trip, loss, curtailed))
        sun, share = SUN_FINE_PCT, SHARE_FINE
    return Table(
        first_pct=profile.first_pct,
        trips_off=profile.ceases,
        weight_at_trip=output_at_trip(profile),
        site_pct=np.array(SITE_NODES_PCT),
        sun_pct=np.array(sun),
        share=np.array(share),
        margin_pct=grid.margin_pct,
        trip=np.ascontiguousarray(trip),
        loss=np.ascontiguousarray(loss),
        curtailed=np.ascontiguousarray(curtailed),
        trip_output=shapes.trip_output(),
        output_dev_pct=_dev_at_output(supply, shapes),
        relieved=not profile.ceases and profile.delay_s >= supply.slot_s,
        nodes=grid,
        lines=lines,
    )


def year_lines(profile: Profile, supply: Supply, shapes: DayShapes, nodes: Nodes, finer: float = 1.0) -> YearLines:
    """Solve the machine on the nodes and average over the day effect."""
    solved = _solved(profile, supply, shapes, nodes, finer)
    sd_cells = supply.day_pct / nodes.spacing_pct
    weight = shapes.days[:, None, None, None]

    def average(values: FloatArray) -> FloatArray:
        """Logs of an expectation with the day effect."""
        return to_log(blurred(to_log(values), sd_cells))

    month_days = shapes.month_days()
    chance = _by_month(weight * solved["tripped"], shapes) / np.maximum(month_days, 1e-9)[:, None, None, None]
    hazard = log_hazard_of(blurred(log_hazard_of(chance), sd_cells, chance_of))
    year = {name: average((weight * values).sum(axis=0)) for name, values in solved.items() if name != "by_hour"}
    return YearLines(
        hazard=hazard,
        trip_days=to_log((month_days[:, None, None, None] * chance_of(hazard)).sum(axis=0)),
        trips=year["trips"],
        episodes=year["episodes"],
        losses=tuple(year[name] for name in LOSS_COLUMNS),
        curtailed=_at_full_output(year["curtailed_h"], profile, nodes),
        by_hour=average(solved["by_hour"]),
        month_days=month_days,
    )


def output_at_trip(profile: Profile) -> float:
    """Output that the volt-watt droop leaves at the first threshold: so much of the own rise helps to reach it."""
    droop = profile.volt_watt
    if droop is None:
        return 1.0
    return float(np.clip(1.0 - droop.slope * (profile.first_pct - droop.v1_pct), droop.p2, 1.0))


def _solved(profile: Profile, supply: Supply, shapes: DayShapes, nodes: Nodes, finer: float) -> dict[str, FloatArray]:
    """The machine's results by name, (…, u, h, m). Without sun all own shares are one."""
    shape = (len(nodes.sun_pct), len(nodes.share), nodes.count)
    sun, share, place = (grid.ravel() for grid in np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"))
    sun_pct, own = np.array(nodes.sun_pct)[sun], np.array(nodes.share)[share]
    wanted = (sun_pct > 0.0) | (share == 0)
    level = profile.first_pct - nodes.margin_pct[place] - sun_pct * (1.0 - own + own * output_at_trip(profile))
    points = Points(level[wanted], (sun_pct * own)[wanted], (sun_pct * (1.0 - own))[wanted])
    results = vars(solve_days(profile, supply, shapes, points, finer))
    row = np.cumsum(wanted) - 1
    row = np.where(wanted, row, place)
    return {name: values[..., row].reshape(*values.shape[:-1], *shape) for name, values in results.items()}


def _by_month(values: FloatArray, shapes: DayShapes) -> FloatArray:
    """Sums over the days of each month, (12, …)."""
    total = np.zeros((MONTHS, *values.shape[1:]))
    for day, month in enumerate(shapes.month):
        total[month] += values[day]
    return total


def _trip_columns(lines: YearLines, site_pct: float, nodes: Nodes, window_days: FloatArray) -> FloatArray:
    """TRIP_COLUMNS at one spread of the site's level, (u, h, m, 8)."""
    sd_cells = site_pct / nodes.spacing_pct
    hazard = np.exp(lines.hazard)
    year = to_log((lines.month_days[:, None, None, None] * hazard).sum(axis=0))
    window = to_log((window_days[:, None, None, None] * hazard).sum(axis=0))
    columns = [
        to_log(blurred(lines.trip_days, sd_cells)),
        lines.trip_days,
        moved(lines.trip_days, Z_80 * sd_cells),
        moved(lines.trip_days, -Z_80 * sd_cells),
        log_hazard_of(blurred(year, sd_cells, chance_of)),
        log_hazard_of(blurred(window, sd_cells, chance_of)),
        to_log(blurred(lines.trips, sd_cells)),
        to_log(blurred(lines.episodes, sd_cells)),
    ]
    return np.stack(columns, axis=-1)


def _loss_columns(losses: tuple[FloatArray, ...], site_pct: float, nodes: Nodes) -> FloatArray:
    """Losses at one spread of the site's level, (u, h, m, columns)."""
    sd_cells = site_pct / nodes.spacing_pct
    return np.stack([to_log(blurred(loss, sd_cells)) for loss in losses], axis=-1)


def _at_full_output(logs: FloatArray, profile: Profile, nodes: Nodes) -> FloatArray:
    """Logs (u, h, m) along a margin that holds the own rise at full output, which is what curtailment starts from."""
    own = np.array(nodes.sun_pct)[:, None] * np.array(nodes.share)
    cells = own * (1.0 - output_at_trip(profile)) / nodes.spacing_pct
    return np.stack(
        [[moved(line, float(by)) for line, by in zip(*row, strict=True)] for row in zip(logs, cells, strict=True)]
    )


def _between(logs: FloatArray, nodes: Nodes) -> FloatArray:
    """The finished axes of logs (s, u, h, …): cubic splines along the sun (over log(1 + sun)) and the own share."""
    along_sun = CubicSpline(np.log1p(nodes.sun_pct), logs, axis=1)(np.log1p(SUN_FINE_PCT))
    return np.asarray(CubicSpline(nodes.share, along_sun, axis=2)(SHARE_FINE), dtype=np.float64)


def _dev_at_output(supply: Supply, shapes: DayShapes) -> float:
    """Mean of the supply's deviation weighted with output over the year [% of nominal]."""
    hours = (np.arange(shapes.output.shape[1]) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    weight = shapes.days[:, None] * shapes.output
    total = float(weight.sum())
    return float((weight * supply.dev_pct[shapes.month][:, hours]).sum()) / total if total > 0.0 else 0.0

"""The table of one profile, supply and output class: days solved once, and integrated over day effect and site.

Axes of each block: the spread of the level; own rise and neighbours' sun [% of nominal]; and the margin, which is the
first threshold less the annual mean of the no-export voltage and what the sun adds at full output, of which the
volt-watt droop leaves a part at the threshold. Along them lie logarithms, since answers run from one trip in a million
years to one a day. The margin already holds most of what the sun does, so that few nodes are enough.

The headline needs the never-tripped state alone and is solved on all day shapes; where own rise and neighbours' sun act
alike on a trip, it knows their sum only. What else there is to know about trips are ratios to the headline, and of
losses without a trip to what they would be if the unit never tripped: ratios vary slowly, and come from the whole
machine on some of the days. An expectation does not ask whether a level is uncertain by the day or by the site, so that
its spread holds both.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.block import Block, Logs
from auditor.likelihood.grid import Nodes, nodes_for, own_acts, trip_weight
from auditor.likelihood.inputs import HOURS, DayShapes, Profile, Supply
from auditor.likelihood.ratios import ratio_block
from auditor.likelihood.year import Year, chance_block, curtailed_block, finished, mean_block, over_block, solved_year

#: Columns along the last axis of the blocks of chances, hours and ratios.
CHANCES = ("chance_year", "chance_30d")
OVER = ("over_h", "ceased_h")
RATIOS = ("trips", "episodes", "lost_h", "ceased_h", "curtailed_h")
_BLOCKS = ("mean", "chance", "over", "curtailed", "ratio")
_NUMBERS = (
    "first_pct", "day_pct", "low_pct", "spacing_pct", "count", "trip_output", "output_dev_pct", "relieved",
    "ceases",
)  # fmt: skip


@dataclass(frozen=True)
class Table:
    """What systems interpolate in: numbers and arrays only.

    first_pct      the first threshold [% of nominal]
    day_pct        the supply's day effect, which the spread of all blocks but `chance` holds [% of nominal]
    low_pct, spacing_pct, count   the margins
    trip_output    the output fraction at which trips mostly happen
    output_dev_pct the supply's deviation weighted with output [% of nominal]
    relieved       whether tripped units stay off for at least a slot
    ceases         whether output ceases above the first instant threshold
    mean           trip-days a year
    chance         log(−log(1 − P)) of CHANCES; the spread is the site's alone
    over           hours of OVER, were the unit never to trip
    curtailed      hours at rated output, likewise, None without volt-watt
    ratio          RATIOS: the first three per trip-day (lost_h without cessation), the others to those just named;
                   None in a table of the headline only, as are over and chance
    hazard         (12, u, h, m) and month_days (12,): what `looking_ahead` makes `chance` of anew
    """

    first_pct: float
    day_pct: float
    low_pct: float
    spacing_pct: float
    count: int
    trip_output: float
    output_dev_pct: float
    relieved: bool
    ceases: bool
    mean: Block
    chance: Block | None = None
    over: Block | None = None
    curtailed: Block | None = None
    ratio: Block | None = None
    hazard: Logs | None = None
    month_days: FloatArray | None = None

    def as_arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """The table as arrays by name, for one `.npz`."""
        found: dict[str, npt.NDArray[np.generic]] = {
            "numbers": np.array([float(getattr(self, name)) for name in _NUMBERS])
        }
        for name in _BLOCKS:
            block: Block | None = getattr(self, name)
            if block is not None:
                found |= block.as_arrays(name)
        if self.hazard is not None and self.month_days is not None:
            found |= {"hazard": self.hazard, "month_days": self.month_days}
        return found

    @classmethod
    def from_arrays(cls, arrays: dict[str, npt.NDArray[np.generic]]) -> Table:
        """The table that `as_arrays` gave, equal to the bit."""
        told = dict(zip(_NUMBERS, np.asarray(arrays["numbers"], dtype=np.float64).tolist(), strict=True))
        blocks = {name: Block.from_arrays(arrays, name) for name in _BLOCKS if f"{name}_logs" in arrays}
        flags = {name: bool(told[name]) for name in ("relieved", "ceases")}
        fields: dict[str, Any] = {**told, **flags, "count": int(told["count"]), **blocks}
        fields |= {name: arrays[name] for name in ("hazard", "month_days") if name in arrays}
        return cls(**fields)


def make_table(
    profile: Profile,
    supply: Supply,
    shapes: DayShapes,
    window_days: FloatArray,
    nodes: Nodes | None = None,
    finer: float = 1.0,
    *,
    headline_only: bool = False,
) -> Table:
    """Solve and integrate; window_days (12,) are the days of the coming 30 in each month [days].

    nodes and finer replace the table's own grid, for one system or to measure its error. headline_only leaves all but
    the trip-days a year out, which is what a sensitivity needs.
    """
    grid = nodes or nodes_for(profile, supply)
    year = solved_year(profile, supply, shapes, grid, finer)
    blocks: dict[str, Any] = {"mean": mean_block(year, grid)}
    if not headline_only:
        blocks["chance"] = chance_block(year, grid, window_days)
        blocks |= {"hazard": year.hazard.astype(np.float32), "month_days": year.month_days}
        blocks["over"] = over_block(profile, supply, shapes, grid)
        blocks["curtailed"] = curtailed_block(profile, supply, shapes, grid)
        blocks["ratio"] = ratio_block(profile, supply, shapes, year, grid, finer)
    return Table(
        first_pct=profile.first_pct,
        day_pct=supply.day_pct,
        low_pct=grid.low_pct,
        spacing_pct=grid.spacing_pct,
        count=grid.count,
        trip_output=shapes.trip_output(),
        output_dev_pct=_dev_at_output(supply, shapes),
        relieved=not profile.ceases and profile.delay_s >= supply.slot_s,
        ceases=profile.ceases,
        **blocks,
    )


def looking_ahead(table: Table, profile: Profile, supply: Supply, window_days: FloatArray) -> Table:
    """The table with its chances for other days ahead, window_days (12,) [days]; its nodes must be `nodes_for`."""
    assert table.hazard is not None and table.month_days is not None, "a table of the headline holds no hazards"
    hazard = table.hazard.astype(np.float64)
    acts, weight = own_acts(profile, supply), trip_weight(profile, supply)
    year = Year(hazard, hazard, table.month_days, supply.day_pct, acts, weight)
    return replace(table, chance=chance_block(year, nodes_for(profile, supply), window_days))


def hazard_block(table: Table, profile: Profile, supply: Supply) -> Block:
    """−log of the chance of no trip on a day, with the level known, as a block of 12 columns: the months."""
    assert table.hazard is not None, "a table of the headline holds no hazards"
    nodes = nodes_for(profile, supply)
    logs = np.moveaxis(table.hazard.astype(np.float64), 0, -1)[None]
    axes = ((0.0,), nodes.own_pct, nodes.beta_pct)
    return finished(logs, nodes, axes, own_acts(profile, supply), trip_weight(profile, supply))


def _dev_at_output(supply: Supply, shapes: DayShapes) -> float:
    """Mean of the supply's deviation weighted with output over the year [% of nominal]."""
    hours = (np.arange(shapes.output.shape[1]) * supply.slot_s / 3600.0).astype(np.int64) % HOURS
    weight = shapes.days[:, None] * shapes.output
    total = float(weight.sum())
    return float((weight * supply.dev_pct[shapes.month][:, hours]).sum()) / total if total > 0.0 else 0.0

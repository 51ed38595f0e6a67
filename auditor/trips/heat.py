"""Over how many hours at rated output the wires of each system lose what they lose in a year."""

from __future__ import annotations

import numpy as np
import polars as pl

from auditor.policy import Policy
from auditor.prepare import Prepared
from auditor.prepare.specs import Frames
from auditor.trips.inputs import inputs
from auditor.trips.planes import FACTS, square_hours


def loss_hours(prepared: Prepared, catalog: Frames, policy: Policy) -> pl.DataFrame:
    """One row per system: `system_id` and `loss_hours`, Σ f² h over the year [h], f the share of rated output.

    Wires lose I²R, and I goes with f; so a year's loss is that at rated output times these hours. The year's output is
    the likelihood's: clear, fair and dull days of the system's plane under the policy's clearness, as if it never
    tripped. Null where latitude, plane or ratio are not known.
    """
    found = inputs(prepared, catalog, policy)
    frame = found.frame
    hours = np.full(frame.height, np.nan)
    known = np.asarray(frame.select(pl.all_horizontal(pl.col(FACTS).is_not_null())).to_series().to_numpy())
    supply_number = frame["supply"].to_numpy()
    for number, supply in enumerate(found.supplies):
        rows = np.flatnonzero(known & (supply_number == number))
        if rows.size:
            hours[rows] = square_hours(frame[rows], supply.clearness, policy.trips.kinds_of_day)
    return frame.select("system_id", pl.Series("loss_hours", hours).fill_nan(None))

"""What a system's likelihood waits for, and when its trips fall: by month and hour of day, solved when asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.electrical.arrays import FloatArray
from auditor.findings import fact_label
from auditor.one_system.case import Case


@dataclass(frozen=True)
class ByHour:
    """Expected trips a year of the system's first unit to trip, by month and hour of the day.

    trips       (12, 24), local standard time; the site's uncertainty and the day's are in it
    per_year    the audit's own figure for their sum, from tables that systems share
    plane       the plane whose days were solved: latitude, tilt, azimuth [degrees], module to inverter power
    rests_on    what the policy says that its supply rests on
    """

    trips: FloatArray
    per_year: float
    plane: tuple[float, float, float, float]
    rests_on: str


def by_month_and_hour(case: Case) -> ByHour | None:
    """The trips of a system by month and hour; None where an input of the likelihood is missing.

    The days, the supply and the path are those of the audit's figures, solved afresh without a table.
    """
    # Slow to load; whoever asks for no map does without.
    from auditor.likelihood.direct import month_by_hour
    from auditor.trips.inputs import inputs
    from auditor.trips.outlook import _groups, _systems
    from auditor.trips.planes import shapes_of, sun_factor

    found = inputs(case.prepared, case.frames, case.policy)
    groups = _groups(found, case.policy)
    if not groups:
        return None
    rows, wanted = groups[0]
    part = found.frame[rows]
    factor = sun_factor(part, wanted.plane, wanted.clearness, wanted.kinds)
    shapes = shapes_of(wanted.plane, wanted.clearness, wanted.kinds)
    plane = wanted.plane
    return ByHour(
        trips=np.asarray(
            month_by_hour(wanted.profile, wanted.supply, shapes, _systems(part, factor), 0), dtype=np.float64
        ),
        per_year=float(case.results.system["trips_per_year"][0]),
        plane=(plane.latitude_deg, plane.tilt_deg, plane.azimuth_deg, plane.dc_ac_ratio),
        rests_on=found.supplies[part["supply"][0]].rests_on,
    )


def waits_for(missing: str | None) -> list[str]:
    """The facts, in words, that the trip-days wait for, of the results' `trip_missing`; none where they are known."""
    return [fact_label(name) for name in missing.split("; ")] if missing else []

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

    trips       (12, 24), local standard time; the site's uncertainty and the day's are in it, and what a log changes
                them by over the year
    per_year    the audit's own figure for their sum, from tables that systems share
    plane       the plane whose days were solved: latitude, tilt, azimuth [degrees], module to inverter power
    rests_on    what its supply rests on, in words
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
    from auditor.trips.outlook import groups, systems_of

    found = inputs(case.prepared, case.frames, case.policy, case.evidence)
    alike = groups(found, case.policy)
    if not alike:
        return None
    one = alike[0]
    part, plane, wanted = found.frame[one.rows], one.wanted.plane, one.wanted
    systems = systems_of(part, one.factor(part))
    trips = np.asarray(month_by_hour(wanted.profile, wanted.supply, wanted.shapes(), systems, 0), dtype=np.float64)
    result = case.results.system.row(0, named=True)
    return ByHour(
        trips=trips * (result.get("log_multiplier") or 1.0),
        per_year=float(result["trips_per_year"]),
        plane=(plane.latitude_deg, plane.tilt_deg, plane.azimuth_deg, plane.dc_ac_ratio),
        rests_on=found.supplies[part["supply"][0]].rests_on,
    )


def waits_for(missing: str | None) -> list[str]:
    """The facts, in words, that the trip-days wait for, of the results' `trip_missing`; none where they are known."""
    return [fact_label(name) for name in missing.split("; ")] if missing else []

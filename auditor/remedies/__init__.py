"""What would mend a system: one module a remedy, gathered in `REMEDIES` in the order in which they are tried.

A remedy lays out candidates and alters records; the same audit then judges the altered records, candidates of many
systems as systems of their own in one call. No remedy enlarges a breaker, none is proposed where it breaks another
check, and none that changes a setting counts before neutral and connections are known to be sound.
"""

from auditor.remedies import (
    feed_point,
    feeder_size,
    grid_profile,
    home_run_size,
    panel_connection,
    split_branch,
    supply_request,
    supply_side,
    volt_watt,
)
from auditor.remedies.base import EFFORTS, Remedy

REMEDIES: tuple[Remedy, ...] = (
    feed_point.REMEDY,
    split_branch.REMEDY,
    feeder_size.REMEDY,
    home_run_size.REMEDY,
    panel_connection.REMEDY,
    supply_side.REMEDY,
    grid_profile.REMEDY,
    volt_watt.REMEDY,
    supply_request.REMEDY,
)
BY_NAME = {remedy.name: remedy for remedy in REMEDIES}

__all__ = ["BY_NAME", "EFFORTS", "REMEDIES", "Remedy"]

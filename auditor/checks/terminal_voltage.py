"""Voltage at the worst inverter with the supply at the top of its range.

What
    With the supply at the upper end of the range it is allowed, and every inverter at full output, compares the voltage
    at the worst inverter's terminals with the lowest overvoltage threshold of its grid profile.

Why
    It separates wiring from grid. If this fails, the system's own wires can take the inverters over the threshold while
    the utility keeps its promise, and mending them is the owner's business. If it passes and the inverters trip, the
    supply is above its range or a connection is bad.

Formula
    Exact AC solution with constant-power units from the point of common coupling outwards, the supply there at
    the policy's top of range (1.05 of nominal in the US, 1.10 in the 230 V world), compared across the unit.
    Does not apply where the threshold lies at or below the top of the range: then no wiring can be good enough, and the
    headroom is the figure to look at.

Reference
    ANSI C84.1 Range A, +5 %; EN 50160, +10 %. IEEE 1547-2018 Tables 11 to 13: OV1 1.10 by default, range 1.10 to 1.20;
    IEEE 1547-2003 Table 1: 110 %.

Causes
    As in voltage-rise, and a grid profile with a low threshold.

What mends it
    The wiring, as in voltage-rise. The profile changes only with the utility's consent, and never before neutral and
    connections are cleared.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import TOLERANCE, Check, Judgement
from auditor.checks.facts import bits
from auditor.checks.terms import number
from auditor.policy import Policy


def judge(_policy: Policy) -> Judgement:
    """The terminal voltage against the threshold, where the threshold is above the service range."""
    threshold, top = number("terminal_limit_v"), number("service_top_v")
    entrance = bits("service_entrance_length_m", "service_entrance_size", "service_entrance_material")
    return Judgement(
        value=number("terminal_v"),
        limit=threshold,
        applies=threshold - top > TOLERANCE * top,
        needs=pl.col("rise_needs") | entrance | bits("service", "grid_profile", "other_circuits"),
    )


CHECK = Check(
    name="terminal-voltage",
    version=1,
    title="Terminal voltage at the top of the service range",
    level="circuit",
    severity="performance",
    unit="V",
    passes="With the supply at the top of its range the worst inverter sees {value} V; it trips at {limit} V.",
    fails="With the supply at the top of its range the worst inverter sees {value} V and trips at {limit} V.",
    unknown="The voltage at the inverters with the supply at the top of its range is not known; missing: {missing}.",
    judge=judge,
)

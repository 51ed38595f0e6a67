"""What is a call at once: a neutral that may be open, a leg far off, a connection that may be hot.

A slope at one meter never counts: it holds the neighbours and the feeder. A connection is suspected only from two
places read at the same time, or from the solar going off (`contrasts`), and a neutral only from legs that were read
at one moment (`legs`), or from one that stands far off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.policy import Policy
from auditor.triage.contrasts import Contrast
from auditor.triage.legs import POINT, neutral_shifts, to_neutral
from auditor.triage.site import PERCENT, Site

#: Legs move apart by more than this share of their nominal voltage: the neutral is suspected. A leg further off its
#: nominal voltage is a call at once.
APART_PCT, OFF_PCT = 3.0, 10.0
#: Nominal voltage of legs that are a call by themselves [V]; another leg so far off may be a supply that is as high.
LEG_V = 120.0
#: Legs that all stand below the first, or one that stands below the second, are an outage [% of nominal].
OUT_PCT, DEAD_PCT = 70.0, 10.0
#: Readings of the legs further apart in time than this are not compared [s].
MOVED_WITHIN_S = 3_600

CALL = (
    "Stop. Keep the solar off, take no further readings, and call the utility or a licensed electrician at once. Never"
    " raise a trip level or time: the trip may be the only symptom."
)


@dataclass(frozen=True)
class Alarm:
    """A suspicion that ends the triage: "neutral" or "hot connection", and what it rests on."""

    kind: str
    sentence: str


def alarms(rows: pl.DataFrame, found: Sequence[Contrast], site: Site, policy: Policy) -> list[Alarm]:
    """Every suspicion in the rows of `contrasts.in_percent` and the contrasts that were found in them."""
    legs = _fed(rows.filter(to_neutral())) if site.lines > 1 else rows.clear()
    shifts = neutral_shifts(legs, max(site.lines, 2))
    told = [*far_off(legs, shifts), *moved_apart(legs, shifts)]
    return told + [alarm for each in found if (alarm := hot(each, site, policy)) is not None]


def _fed(legs: pl.DataFrame) -> pl.DataFrame:
    """The legs without the moments of an outage, in which all that were read stood far too low for a supply.

    A leg that was read by itself is left out only where it can be no supply at all.
    """
    highest, count = pl.col("v_pct").max().over(*POINT, "start"), pl.len().over(*POINT, "start")
    return legs.filter(highest >= pl.when(count > 1).then(OUT_PCT).otherwise(DEAD_PCT))


def far_off(legs: pl.DataFrame, shifts: pl.DataFrame) -> list[Alarm]:
    """A leg more than a tenth off its nominal voltage, whatever the meter's error; the worst of them is named.

    Legs of 120 V: above 132 V or below 108 V. On other services a leg may stand so high with all the others, which is
    the supply's: there the neutral must stand off the middle besides (`neutral_shifts`).
    """
    apart = legs.join(shifts.select(*POINT, "start", "off_v"), on=(*POINT, "start"), how="left", nulls_equal=True)
    off = (pl.col("mean_v") / pl.col("nominal_v") - 1).abs() * PERCENT
    shifted = (pl.col("off_v") > pl.col("nominal_v") * APART_PCT / PERCENT).fill_null(False)
    out = apart.filter(off > OFF_PCT + 1e-9, (pl.col("nominal_v") == LEG_V) | shifted)
    if not out.height:
        return []
    row = out.sort(off, descending=True).row(0, named=True)
    low, high = (row["nominal_v"] * (1 + sign * OFF_PCT / PERCENT) for sign in (-1, 1))
    at = f"{row['start']:%Y-%m-%d %H:%M} UTC"
    return [
        Alarm(
            "neutral",
            f"Leg {row['leg']} at the {row['place']} read {row['mean_v']:.1f} V on {at}, outside {low:g} to"
            f" {high:g} V.",
        )
    ]


def moved_apart(legs: pl.DataFrame, shifts: pl.DataFrame) -> list[Alarm]:
    """Legs that moved in opposite directions, between readings within an hour, and with them the neutral by more than
    the rule's limit. The instrument's error counts besides.
    """
    if not legs.height:
        return []
    limit_v = float(legs["nominal_v"][0]) * APART_PCT / PERCENT
    far = shifts.filter(
        pl.col("apart_s") <= MOVED_WITHIN_S,
        pl.col("opposite"),
        pl.col("moved_v") > pl.max_horizontal(pl.lit(limit_v), "error_v"),
    )
    if not far.height:
        return []
    row = far.sort("moved_v", descending=True).row(0, named=True)
    return [
        Alarm(
            "neutral",
            f"The legs at the {row['place']} moved in opposite directions, and the neutral by {row['moved_v']:.1f} V,"
            f" within {row['apart_s'] / 60:.0f} minutes (limit {limit_v:.1f} V), up to"
            f" {row['start']:%Y-%m-%d %H:%M} UTC.",
        )
    ]


def computed_of(found: Contrast, site: Site) -> tuple[float | None, float | None]:
    """The computed rise that a contrast is held against [%], and the current through it at rated output [A].

    A step holds everything from the source on, and counts only where all of the service is recorded.
    """
    circuit = site.circuit(found.circuit_id)
    if circuit is None:
        return None, None
    currents = [c.current_a for c in site.circuits]
    total = None if any(a is None for a in currents) else float(sum(a or 0.0 for a in currents))
    shared = found.farther in ("service", "main panel")
    current = total if shared else circuit.current_a
    if found.kind == "difference":
        return circuit.between(found.nearer, found.farther), current
    inside = circuit.between("service", found.farther)
    whole = site.service_whole and site.service_pct is not None and inside is not None
    return (site.service_pct + inside if whole else None), current  # type: ignore[operator]


def hot(found: Contrast, site: Site, policy: Policy) -> Alarm | None:
    """A connection that may be hot, where the whole interval lies above the computed rise by enough."""
    if found.kind == "supply" or site.unit_v is None:
        return None
    computed, current = computed_of(found, site)
    if computed is None or current is None:
        return None
    rules = policy.triage
    allowed = max(computed * rules.hot_ratio, computed * (1 + 2 * rules.computed_share))
    heat_w = (found.low_pct - computed) / PERCENT * site.unit_v * current
    if found.low_pct <= allowed or heat_w < rules.hot_w:
        return None
    between = f"between {found.nearer} and {found.farther}"
    where = between if found.kind == "difference" else f"ahead of the {found.farther}"
    return Alarm(
        "hot connection",
        f"The rise {where} is {found.interval} of nominal at rated output, where"
        f" {computed:.1f} % is computed: at least {heat_w:,.0f} W of heat that no wire accounts for.",
    )

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
from auditor.triage.contrasts import Contrast, drift_pct
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

#: What is suspected.
NEUTRAL, HOT, HIGH_SUPPLY, WORDS = "neutral", "hot connection", "high supply", "danger in the customer's words"

CALL = (
    "Stop. Keep the solar off, take no further readings, and call the utility or a licensed electrician at once. Never"
    " raise a trip level or time: the trip may be the only symptom."
)


@dataclass(frozen=True)
class Alarm:
    """A suspicion that ends the triage: its kind, what it rests on, and whether it lies behind the meter, where it is
    an electrician's and no utility's.
    """

    kind: str
    sentence: str
    behind_meter: bool = False


@dataclass(frozen=True)
class Unexplained:
    """Heat that no wire accounts for [W], surely at least so much if it sits where all of the current flows; between
    which places, and of which circuit, None where all share them or none is named.
    """

    circuit_id: str | None
    where: str
    heat_w: float


def alarms(rows: pl.DataFrame, found: Sequence[Contrast], site: Site, policy: Policy) -> list[Alarm]:
    """Every suspicion in the rows of `contrasts.in_percent` and the contrasts that were found in them."""
    legs = _fed(rows.filter(to_neutral())) if site.lines > 1 else rows.clear()
    shifts = neutral_shifts(legs, max(site.lines, 2), lambda apart_s: drift_pct(apart_s, policy))
    told = [*far_off(legs, shifts), *stands_off(legs, shifts, policy), *moved_apart(legs, shifts)]
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
    the supply's: there the neutral must stand off the middle besides (`neutral_shifts`). Legs of 120 V that all stand
    so high and alike are a call to the utility.
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
    alike = row["off_v"] is not None and row["off_v"] <= row["nominal_v"] * APART_PCT / PERCENT
    return [
        Alarm(
            HIGH_SUPPLY if alike and row["mean_v"] > high else NEUTRAL,
            f"Leg {row['leg']} at the {row['place']} read {row['mean_v']:.1f} V on {at}, outside {low:g} to"
            f" {high:g} V{', and the others alike' if alike else ''}.",
        )
    ]


def stands_off(legs: pl.DataFrame, shifts: pl.DataFrame, policy: Policy) -> list[Alarm]:
    """A neutral that stands off the middle of the legs by more than the policy's limit and the instrument's error, at
    one moment: loads that differ draw it off by a percent or two, an open one by as much as they differ.
    """
    if not legs.height:
        return []
    nominal_v = float(legs["nominal_v"].max())  # type: ignore[arg-type]
    limit_v = nominal_v * policy.triage.neutral_off_pct / PERCENT
    far = shifts.filter(pl.col("off_v") > pl.max_horizontal(pl.lit(limit_v), "error_v"))
    if not far.height:
        return []
    row = far.sort("off_v", descending=True).row(0, named=True)
    return [
        Alarm(
            NEUTRAL,
            f"The neutral at the {row['place']} stood {row['off_v']:.1f} V off the middle of the legs on"
            f" {row['start']:%Y-%m-%d %H:%M} UTC, {row['off_v'] / nominal_v * PERCENT:.1f} % of {nominal_v:g} V"
            f" (limit {limit_v:.1f} V).",
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
        pl.col("moved_v") > pl.max_horizontal(pl.lit(limit_v), "error_moved_v"),
    )
    if not far.height:
        return []
    row = far.sort("moved_v", descending=True).row(0, named=True)
    return [
        Alarm(
            NEUTRAL,
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


def excess_w(found: Contrast, site: Site) -> tuple[float, float] | None:
    """What is surely above the computed rise, and what may be, as heat at rated current [W]; None where unknown."""
    computed, current = computed_of(found, site)
    if found.kind == "supply" or computed is None or current is None or site.unit_v is None:
        return None
    low, high = ((pct - computed) / PERCENT * site.unit_v * current for pct in (found.low_pct, found.high_pct))
    return low, high


def hot(found: Contrast, site: Site, policy: Policy) -> Alarm | None:
    """A connection that may be hot, where the whole interval lies above the computed rise by enough."""
    heat_w = excess_w(found, site)
    if heat_w is None:
        return _beyond_any_service(found, site, policy)
    computed, rules = computed_of(found, site)[0] or 0.0, policy.triage
    allowed = max(computed * rules.hot_ratio, computed * (1 + 2 * rules.computed_share))
    if found.low_pct <= allowed or heat_w[0] < rules.hot_w:
        return None
    return Alarm(
        HOT,
        f"The rise {_where(found)} is {found.interval} of nominal at rated output, where"
        f" {computed:.1f} % is computed: up to {heat_w[1]:,.0f} W of heat that no wire accounts for, depending on"
        " where it sits.",
        behind_meter=found.kind == "difference",
    )


def _where(found: Contrast) -> str:
    if found.kind == "difference":
        return f"between {found.nearer} and {found.farther}"
    return f"ahead of the {found.farther}"


def _beyond_any_service(found: Contrast, site: Site, policy: Policy) -> Alarm | None:
    """A step that is more than the largest plausible service explains, where the service is not recorded."""
    circuit, rules = site.circuit(found.circuit_id), policy.triage
    inside = circuit.between("service", found.farther) if circuit is not None else None
    if found.kind != "step" or inside is None:
        return None
    allowed = rules.service_most_pct + inside * rules.hot_ratio
    if found.low_pct <= allowed:
        return None
    return Alarm(
        HOT,
        f"The rise {_where(found)} is {found.interval} of nominal at rated output: more than the {allowed:.1f} % of the"
        " largest plausible service, which is assumed since this one is not recorded.",
    )


def unexplained(found: Sequence[Contrast], site: Site, policy: Policy) -> tuple[Unexplained, ...]:
    """What differences of two places leave unexplained, where it is no call and heats by `hot_w` or more."""
    heats = [(each, excess_w(each, site)) for each in found if each.kind == "difference"]
    return tuple(
        Unexplained(each.circuit_id, _where(each), heat_w[0])
        for each, heat_w in heats
        if heat_w is not None and heat_w[0] >= policy.triage.hot_w
    )

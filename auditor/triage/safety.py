"""What is a call at once: a neutral that may be open, a leg far off, a connection that may be hot.

A slope at one meter never counts: it holds the neighbours and the feeder. A connection is suspected only from two
places read at the same time, or from the solar going off (`contrasts`), and a neutral only from both legs at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from auditor.policy import Policy
from auditor.triage.contrasts import Contrast
from auditor.triage.site import PERCENT, Site

#: Legs of a nominal 120 V [V]. They move apart by more than this share of it, or by this multiple of the neutral's own
#: computed drop: the neutral is suspected. A leg outside the two limits is a call at once.
LEG_V, APART_PCT, DROP_TIMES, LOW_V, HIGH_V = 120.0, 3.0, 2.0, 108.0, 132.0
#: Readings of both legs further apart in time than this are not compared [s].
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


def alarms(
    rows: pl.DataFrame, found: Sequence[Contrast], site: Site, policy: Policy, neutral_drop_v: float | None = None
) -> list[Alarm]:
    """Every suspicion in the rows of `contrasts.in_percent` and the contrasts that were found in them.

    neutral_drop_v is the neutral's own computed drop [V]; None where the load's unbalance is not known.
    """
    legs = rows.filter(pl.col("nominal_v") == LEG_V)
    told = [*far_off(legs), *moved_apart(legs, neutral_drop_v)]
    return told + [alarm for each in found if (alarm := hot(each, site, policy)) is not None]


def far_off(legs: pl.DataFrame) -> list[Alarm]:
    """A leg above 132 V or below 108 V, whatever the meter's error; the worst of them is named."""
    out = legs.filter((pl.col("mean_v") > HIGH_V) | (pl.col("mean_v") < LOW_V))
    if not out.height:
        return []
    row = out.sort((pl.col("mean_v") - LEG_V).abs(), descending=True).row(0, named=True)
    at = f"{row['start']:%Y-%m-%d %H:%M} UTC"
    return [
        Alarm(
            "neutral",
            f"Leg {row['leg']} at the {row['place']} read {row['mean_v']:.1f} V on {at}, outside {LOW_V:g} to"
            f" {HIGH_V:g} V.",
        )
    ]


def moved_apart(legs: pl.DataFrame, neutral_drop_v: float | None = None) -> list[Alarm]:
    """Legs that moved in opposite directions, between readings of both within an hour, by more than the rule's limit.

    Of legs a and b, (a − b)/2 is how far the neutral stands off the middle. The instrument's error counts besides.
    """
    limit_v = LEG_V * APART_PCT / PERCENT
    if neutral_drop_v is not None:
        limit_v = min(limit_v, DROP_TIMES * neutral_drop_v)
    sides = legs.with_columns(pl.col("leg").str.to_uppercase().str.slice(0, 2).alias("side"))
    one, two = (
        sides.filter(pl.col("side").is_in(names)).select("place", "start", "mean_v", "bound_pct")
        for names in (["L1", "A-", "AN"], ["L2", "B-", "BN"])
    )
    both = one.join(two, on=("place", "start"), suffix="_b").sort("place", "start")
    seen = both.select(
        "place", "start",
        ((pl.col("mean_v") - pl.col("mean_v_b")) / 2).alias("off_v"),
        ((pl.col("mean_v") + pl.col("mean_v_b")) / 2).alias("middle_v"),
        (pl.max_horizontal("bound_pct", "bound_pct_b") / PERCENT * LEG_V).alias("error_v"),
    )  # fmt: skip
    moved = seen.with_columns(
        pl.col("start").diff().over("place").dt.total_seconds().alias("apart_s"),
        pl.col("off_v").diff().over("place").abs().alias("moved_v"),
        pl.col("middle_v").diff().over("place").abs().alias("together_v"),
    )
    opposite = pl.col("together_v") < pl.col("moved_v")
    far = moved.filter(
        pl.col("apart_s") <= MOVED_WITHIN_S,
        opposite,
        pl.col("moved_v") > pl.max_horizontal(pl.lit(limit_v), "error_v"),
    )
    if not far.height:
        return []
    row = far.sort("moved_v", descending=True).row(0, named=True)
    return [
        Alarm(
            "neutral",
            f"The legs at the {row['place']} moved {row['moved_v']:.1f} V in opposite directions within"
            f" {row['apart_s'] / 60:.0f} minutes (limit {limit_v:.1f} V), up to {row['start']:%Y-%m-%d %H:%M} UTC.",
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

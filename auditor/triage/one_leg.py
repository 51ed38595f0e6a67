"""One leg's step alone: when the solar goes off, both legs of a split winding fall by what their conductors drop.

Units across both legs drive the same current through each of them. What one leg falls by more than the other is its own
conductor's, of whatever length: P = ΔV·I at that joint (Ohm's law). The other leg's rise does not count for it, since
that is the neutral's or a load's.
"""

from __future__ import annotations

from itertools import permutations

import polars as pl

from auditor.policy import Policy
from auditor.triage.contrasts import before_and_after, drift_pct
from auditor.triage.legs import POINT, to_neutral
from auditor.triage.safety import HOT, Alarm
from auditor.triage.site import PERCENT, Site

SPLIT_LEGS = 2


def one_leg(rows: pl.DataFrame, trips: pl.DataFrame, site: Site, policy: Policy) -> list[Alarm]:
    """The leg that steps by more than the other: by more than the instrument's error and what the supply may move by,
    and with at least `hot_w` of heat at rated current. `rows` are those of `contrasts.in_percent`.
    """
    # Where units sit on one leg, or three phases carry unlike ones, steps differ by design.
    if site.lines != SPLIT_LEGS or site.unit_v != site.line_v or site.unit_v is None or site.leg_v is None:
        return []
    if site.rated_kw is None:
        return []
    # Both legs carry what the voltage across them drives.
    across_pct = pl.col("v_pct").mean().over(*POINT, "share")
    legs = rows.filter(to_neutral(), pl.col("share").is_not_null()).with_columns(
        (pl.col("share") * PERCENT / across_pct).alias("load")
    )
    found = []
    for key, here in legs.group_by(*POINT, "spot", maintain_order=True):
        steps = _steps(before_and_after(here, trips, bool(key[-1]), policy), policy)
        for one, other in permutations(steps, 2):
            excess_pct = one[1] - max(other[1], 0.0) - max(one[2], other[2])
            heat_w = excess_pct / PERCENT * site.leg_v * site.rated_kw * 1_000 / site.unit_v
            if excess_pct > 0 and heat_w >= policy.triage.hot_w:
                found.append((heat_w, _told(str(key[0]), one, other, site)))
    return [max(found, key=lambda each: each[0])[1]] if found else []


def _steps(pairs: pl.DataFrame, policy: Policy) -> list[tuple[str, float, float]]:
    """Each leg with its mean step and how far that may be off [% of nominal at rated output]."""
    if not pairs.height:
        return []
    moved = pl.col("load") - pl.col("load_before")
    made = pairs.group_by("leg").agg(
        ((pl.col("v_pct") - pl.col("v_pct_before")) / moved).mean().alias("step_pct"),
        ((pl.col("bound_pct") + drift_pct(pl.col("apart_s"), policy)) / moved.abs()).mean().alias("error_pct"),
    )
    return [(str(leg), float(step), float(error)) for leg, step, error in made.sort("leg").iter_rows()]


def _told(place: str, one: tuple[str, float, float], other: tuple[str, float, float], site: Site) -> Alarm:
    step_v, other_v = (each[1] / PERCENT * (site.leg_v or 0.0) for each in (one, other))
    current_a = (site.rated_kw or 0.0) * 1_000 / (site.unit_v or 1.0)
    heat_w = (step_v - max(other_v, 0.0)) * current_a
    return Alarm(
        HOT,
        f"When the solar goes off, leg {one[0]} at the {place} falls by {step_v:.1f} V at rated output and leg"
        f" {other[0]} by {other_v:.1f} V: {heat_w:,.0f} W at {current_a:.1f} A in a joint of that leg.",
    )

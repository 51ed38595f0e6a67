"""Where a table is solved: margins, own rise, neighbours' sun and spreads of the level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from auditor.likelihood.arrays import FloatArray
from auditor.likelihood.crossing import ten_minute_sd
from auditor.likelihood.inputs import TEN_MINUTES_S, Profile, Supply
from auditor.likelihood.slot import chain_for

#: How the own rise acts on what is looked up: like the neighbours' sun, not at all, or in a way of its own.
ALIKE, NOT, APART = 0, 1, 2
#: Nodes of the sun where own rise and neighbours' sun act alike or only the latter acts [% of nominal].
SUN_NODES_PCT = (0.0, 0.4, 0.9, 1.6, 2.6, 4.0, 6.0, 9.0, 13.0)
#: Nodes of the own rise and of the neighbours' sun where they act apart [% of nominal].
OWN_NODES_PCT = (0.0, 0.8, 2.0, 3.6, 5.6, 8.6, 13.0)
BETA_NODES_PCT = (0.0, 0.6, 1.8, 3.6, 6.0)
#: Nodes of the ratios: own rise, also as it lies around the distance from the return ceiling to the first threshold,
#: where trips a day jump from one to many, and the neighbours' sun [% of nominal].
AROUND_CEILING_PCT = (-1.0, -0.3, 0.1, 0.5, 1.1, 2.2)
RATIO_OWN_NODES_PCT = (0.0, 1.5, 3.5, 6.0, 8.5, 13.0)
RATIO_OWN_WITHOUT_JUMP_PCT = (0.0, 1.5, 2.8, 4.0, 5.0, 6.2, 7.4, 13.0)
RATIO_BETA_NODES_PCT = (0.0, 1.0, 3.5)
#: Own rise from here on is held [% of nominal].
MOST_OWN_PCT = 13.0
#: An own rise below this is none; other nodes of the ratios are no closer than this to those around the ceiling [%].
LEAST_OWN_PCT, CLOSE_PCT = 0.05, 1.0
#: Standard deviations of the level at which the table is integrated [% of nominal].
SPREADS_PCT = (0.0, 0.12, 0.2, 0.28, 0.36, 0.44, 0.52, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.45, 1.7, 2.0, 2.5, 3.0)
CHANCE_SPREADS_PCT = (0.0, 0.2, 0.36, 0.52, 0.7, 0.9, 1.2, 1.7, 2.3, 3.0)
RATIO_SPREADS_PCT = (0.0, 0.36, 0.7, 1.0, 1.45, 2.0, 3.0)
#: Day shapes on which the ratios are solved, and how far apart their margins are, about [% of nominal].
RATIO_DAYS, RATIO_SPACING_PCT = 7, 1.0
#: How far margins are apart, about [% of nominal]; no further than this share of what blurs the threshold, which counts
#: as no less than a least.
SPACING_PCT, SPACING_SHARE, LEAST_BLUR_PCT = 0.5, 0.9, 0.17


@dataclass(frozen=True)
class Nodes:
    """Where a table is solved.

    own_pct, beta_pct   own rise and neighbours' sun of the headline; one own rise where it does not act apart
    ratio_own_pct, ratio_beta_pct   the same for the ratios
    spreads_pct, chance_spreads_pct, ratio_spreads_pct   standard deviations of the level, of the site alone for chances
    soft_pct2 blocks are straight in −1/(spread² + this) [(% of nominal)²]
    days      day shapes on which the ratios are solved, 0 for all
    low_pct, spacing_pct, cells, count   margins from low_pct on, `cells` voltage nodes apart
    ratio_step   ratios are solved on each so many margins
    between   whether the axes are filled up between the nodes
    """

    own_pct: tuple[float, ...]
    beta_pct: tuple[float, ...]
    ratio_own_pct: tuple[float, ...]
    ratio_beta_pct: tuple[float, ...]
    spreads_pct: tuple[float, ...]
    chance_spreads_pct: tuple[float, ...]
    ratio_spreads_pct: tuple[float, ...]
    soft_pct2: float
    days: int
    low_pct: float
    spacing_pct: float
    cells: int
    count: int
    ratio_step: int
    between: bool

    @property
    def margin_pct(self) -> FloatArray:
        """The margins, (m,) [% of nominal]."""
        return np.asarray(self.low_pct + self.spacing_pct * np.arange(self.count), dtype=np.float64)

    def static_axes(self, acts: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Nodes of own rise and neighbours' sun for figures without a chain [% of nominal]."""
        if self.between:
            return (OWN_NODES_PCT, BETA_NODES_PCT) if acts == APART else ((0.0,), SUN_NODES_PCT)
        if acts == APART:
            return self.ratio_own_pct, self.ratio_beta_pct
        sums = {own + beta for own in self.ratio_own_pct for beta in self.ratio_beta_pct}
        return (0.0,), tuple(sorted(sums))


def own_acts(profile: Profile, supply: Supply) -> int:
    """How the own rise acts on trips: one of ALIKE, NOT, APART."""
    if profile.ceases:
        return APART if has_mean(profile, supply) else NOT
    return APART if has_droop(profile) else ALIKE


def has_mean(profile: Profile, supply: Supply) -> bool:
    """Whether a mean of two slots is judged."""
    return profile.ten_minute_pct is not None and supply.slot_s < TEN_MINUTES_S


def has_droop(profile: Profile) -> bool:
    """Whether the output or the voltage depends on a droop."""
    return profile.volt_watt is not None or profile.volt_var is not None


def output_at_trip(profile: Profile) -> float:
    """Output that the volt-watt droop leaves at the first threshold: so much of the own rise helps to reach it."""
    droop = profile.volt_watt
    if droop is None:
        return 1.0
    return float(np.clip(1.0 - droop.slope * (profile.first_pct - droop.v1_pct), droop.p2, 1.0))


def around_jump(profile: Profile, offsets_pct: tuple[float, ...]) -> tuple[float, ...]:
    """Own rises around the one from which a unit that trips comes back at once, and so trips many times a day.

    A trip happens near the first threshold and takes the own rise away, or what the droop left of it; the voltage then
    lies over or under the return ceiling. None where output ceases: the voltage that trips is then the one without it.
    Offsets are of the voltage [% of nominal].
    """
    if profile.ceases:
        return ()
    output = output_at_trip(profile)
    return tuple((profile.first_pct - profile.return_pct + offset) / output for offset in offsets_pct if output > 0.0)


def trip_weight(profile: Profile, supply: Supply) -> float:
    """The own rise's weight in the margin of trips."""
    return 0.0 if own_acts(profile, supply) == NOT else output_at_trip(profile)


def softness(profile: Profile, supply: Supply) -> float:
    """What is added to the variance of the level, so that logs are straight in −1/(variance + it) [(% of nominal)²].

    A mean over a normal level of a chance that falls like a normal one of variance c goes with 1/(variance + c). Fitted
    to six supplies: errors between the nodes then stay under 1 % to a spread of 3 %, where the variance itself gives
    15 %.
    """
    peak = supply.peak_pct if profile.ten_minute_pct is None else 0.0
    droop = 1.4 if has_droop(profile) else 1.0
    return droop * (0.75 * supply.sigma_pct**2 + 4.0 * peak**2 + 0.01)


def nodes_for(profile: Profile, supply: Supply) -> Nodes:
    """Nodes that span from "trips on every bright day" to "less than once in a million years"."""
    apart = own_acts(profile, supply) == APART
    low, spacing, cells, count = _margins(profile, supply, 1.0)
    around = {own for own in around_jump(profile, AROUND_CEILING_PCT) if LEAST_OWN_PCT < own < MOST_OWN_PCT}
    others = RATIO_OWN_NODES_PCT if around else RATIO_OWN_WITHOUT_JUMP_PCT
    spare = {own for own in others if all(abs(own - other) > CLOSE_PCT for other in around)}
    return Nodes(
        own_pct=OWN_NODES_PCT if apart else (0.0,),
        beta_pct=BETA_NODES_PCT if apart else SUN_NODES_PCT,
        ratio_own_pct=tuple(sorted({0.0, MOST_OWN_PCT, *around, *spare})),
        ratio_beta_pct=RATIO_BETA_NODES_PCT,
        spreads_pct=tuple(sorted({*SPREADS_PCT, supply.day_pct})),
        chance_spreads_pct=CHANCE_SPREADS_PCT,
        ratio_spreads_pct=RATIO_SPREADS_PCT,
        soft_pct2=softness(profile, supply),
        days=RATIO_DAYS,
        low_pct=low,
        spacing_pct=spacing,
        cells=cells,
        count=count,
        ratio_step=max(1, round(RATIO_SPACING_PCT / spacing)),
        between=True,
    )


def nodes_at(
    profile: Profile,
    supply: Supply,
    own_pct: tuple[float, ...],
    beta_pct: tuple[float, ...],
    spreads_pct: tuple[float, ...],
    losses_at: tuple[tuple[float, ...], tuple[float, ...]],
    finer: float = 1.0,
    ratio_step: int = 1,
) -> Nodes:
    """Nodes at given places themselves, all day shapes, for one system or to measure a table's error.

    losses_at are own rises and neighbours' suns at which the ratios are needed, on each ratio_step-th margin; finer
    divides all spacings.
    """
    acts = own_acts(profile, supply)
    low, spacing, cells, count = _margins(profile, supply, finer)
    if acts == ALIKE:
        beta_pct = tuple(own + beta for own in own_pct for beta in beta_pct)
    return Nodes(
        own_pct=tuple(sorted(set(own_pct))) if acts == APART else (0.0,),
        beta_pct=tuple(sorted(set(beta_pct))),
        ratio_own_pct=tuple(sorted(set(losses_at[0]))),
        ratio_beta_pct=tuple(sorted(set(losses_at[1]))),
        spreads_pct=tuple(sorted({*spreads_pct, supply.day_pct})),
        chance_spreads_pct=tuple(sorted(set(spreads_pct))),
        ratio_spreads_pct=tuple(sorted(set(spreads_pct))),
        soft_pct2=softness(profile, supply),
        days=0,
        low_pct=low,
        spacing_pct=spacing,
        cells=cells,
        count=count,
        ratio_step=ratio_step,
        between=False,
    )


def _furthest(profile: Profile, supply: Supply) -> float:
    """How far margins may be apart [% of nominal].

    Cubics between logarithms of a normal tail ask for a spacing well under its spread: with 1.2 times the spread the
    trip-days of a site that is known were 14 % off.
    """
    blur = ten_minute_sd(supply.sigma_pct, supply.rho) if has_mean(profile, supply) else supply.sigma_pct
    peak = 0.0 if profile.ten_minute_pct is not None else supply.peak_pct
    return SPACING_SHARE * max(float(np.hypot(blur, peak)), LEAST_BLUR_PCT)


def _margins(profile: Profile, supply: Supply, finer: float) -> tuple[float, float, int, int]:
    """Lowest margin, spacing [% of nominal], voltage nodes from one to the next, and how many."""
    spread = float(np.hypot(supply.sigma_pct, supply.day_pct))
    peak = supply.peak_pct if profile.instant else 0.0
    node_pct = chain_for(profile, supply, finer).spacing_pct
    wanted, most = SPACING_PCT / finer, _furthest(profile, supply) / finer
    cells = max(1, min(round(wanted / node_pct), int(most / node_pct))) if node_pct > 0.0 else 1
    spacing = cells * node_pct if node_pct > 0.0 else min(wanted, most)
    high = float(supply.dev_pct.max()) + 5.5 * spread + 8.0 * peak + 4.0
    low = min(-3.0, float(supply.dev_pct.min()) - 4.0 * spread)
    low = float(spacing * np.floor(low / spacing))
    return low, spacing, cells, int(np.ceil((high - low) / spacing)) + 1

"""The panel's busbar against the solar system and the device that protects it.

What
    Tries the options that the NEC gives for sources connected on the load side, and passes where any is met.

Why
    A busbar fed from two ends can carry more than either breaker lets through, and nothing trips.

Formula
    S is 1.25 times the rated output current of the sources (2014 and later), or the ratings of their breakers (before
    2014). M is the device that protects the busbar, B the busbar's rating.
    Sum: S + M <= B, anywhere on the busbar.
    120 %: S + M <= 1.2 B, sources at the end opposite the main; from 2014 also at either end of a centre-fed panel.
    All breakers: the sum of all breakers on the busbar, load and supply, without the main, <= B (2014 and later).
    Value and limit are those of the option with the lowest utilisation, among those that apply. A
    missing position matters only where the sum fails and 120 % would pass; a missing edition only where 125 % of the
    current and the breakers' ratings disagree. A panel that fails the first two fails for good only where the sum of
    its breakers is known to be over B, too; otherwise that sum is what to read on site. It is at least S.
    A main larger than the busbar's rating fails under every option: the busbar is not protected.
    Does not apply to a supply-side connection, nor under other codes. Before 2014 the back-fed breaker counts: that of
    a lone circuit, else something between the next standard size above the current and the sum of the branch breakers;
    where these disagree the verdict is unknown. Other sources then count as 1.25 times their current for want of their
    breakers. A sum of all breakers below what the solar alone needs was counted without it and is taken as missing.
    Not judged: the labels that the 120 % and the sum of all breakers require, that centre-fed panels are in dwellings,
    a combiner's own busbar, and, on the supply side, 705.11; the main does not isolate a supply-side connection.

Reference
    NEC 408.36 (the device that protects a panelboard, from memory). NEC 705.12(B)(3) in 2020, 705.12(B)(2)(3) in 2017,
    705.12(D)(2)(3) in 2014, 705.12(D)(2) and (7) in 2011, 690.64(B)
    in 2008. The editions before 2017, and centre-fed panels in 2014 (by amendment), from memory. Examples: 200 A busbar
    and main, opposite end, at most 40 A of back-feed; with 30 A of load and 60 A of solar the sum of breakers passes at
    90 of 200 A where 120 % fails at 260 of 240 A.

Causes
    A system enlarged on the same breaker; a battery added; a sub-panel whose feeder breaker was forgotten.

What mends it
    The breaker at the opposite end, a smaller main where the load allows, a larger panel, or a supply-side connection.

Versions
    1: first version.
"""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Check, Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import at_most, code_facts, current_facts, is_nec, needed, number, over
from auditor.electrical.ampacity import CONTINUOUS_FACTOR
from auditor.policy import Policy

#: Share of the busbar's rating allowed with the sources at the far end.
FAR_END = 1.2

#: First edition that counts 125 % of the inverters' current, and that knows the sum of all breakers.
BY_CURRENT_FROM = 2014


class _Panel:
    """A panel's quantities as expressions; where the edition is missing, `source` is the stricter breakers' form."""

    def __init__(self) -> None:
        year = pl.col("code_edition").str.extract(r"(\d{4})").cast(pl.Int64)
        units = pl.col("solar_units_known").fill_null(False)
        solar = pl.when(units).then(number("solar_current_a"))
        breakers = pl.when(units).then(number("solar_breakers_a"))
        other = number("other_sources_a")
        by_current = CONTINUOUS_FACTOR * (solar + other)
        most_breakers = pl.when(units).then(number("solar_breakers_high_a"))
        by_breakers = most_breakers + CONTINUOUS_FACTOR * other
        self.edition_known = year.is_not_null()
        self.old = (year < BY_CURRENT_FROM).fill_null(False)
        self.bus = number("busbar_a")
        self.main = number("main_breaker_a")
        self.solar = solar
        self.total = pl.when(year >= BY_CURRENT_FROM).then(by_current).otherwise(by_breakers) + self.main
        least_current = CONTINUOUS_FACTOR * (solar + other.fill_null(0.0))
        least_breakers = breakers + CONTINUOUS_FACTOR * other.fill_null(0.0)
        self.least = pl.when(self.old).then(least_breakers).otherwise(least_current) + self.main
        position = pl.col("backfeed_position")
        self.placed = position.is_not_null()
        centre = (position == "centre-fed end") & self.old.not_()
        self.opposite = (position == "opposite end").fill_null(False)
        self.far = self.opposite | centre.fill_null(False)
        self.breakers = pl.when((year >= BY_CURRENT_FROM).fill_null(False)).then(number("busbar_breakers_a"))
        # No option holds on a busbar that its own main does not protect.
        self.unprotected = over(self.main, self.bus)

    def allowance(self) -> pl.Expr:
        """What the sources and the main may add up to; a missing position earns nothing."""
        return pl.when(self.far).then(FAR_END * self.bus).otherwise(self.bus)

    def best_allowance(self) -> pl.Expr:
        """The same with a missing position taken for the best."""
        return pl.when(self.far | self.placed.not_()).then(FAR_END * self.bus).otherwise(self.bus)

    def between(self) -> pl.Expr:
        """True where, before 2014, the smallest breaker that can feed the busbar fits and the sum of them not."""
        fits = over(self.least, self.best_allowance()).not_()
        return self.old & over(self.total, self.best_allowance()) & fits & self.unprotected.not_()

    def breakers_fail(self) -> pl.Expr:
        """True where the option of all breakers is closed for certain; they are at least the sources' own."""
        least = CONTINUOUS_FACTOR * self.solar
        return self.old | over(number("busbar_breakers_a"), self.bus) | over(least, self.bus)


def _applies() -> pl.Expr:
    side, family = pl.col("connection_side"), pl.col("code_family")
    outside = (side == "supply").fill_null(False) | (family == "IEC").fill_null(False)
    return pl.when(outside).then(pl.lit(False)).otherwise((side == "load") & is_nec())


def _needs(panel: _Panel, added: pl.Expr, all_breakers: pl.Expr) -> pl.Expr:
    """What the verdict of a row rests on: less where an option passes that needs less."""
    solar = current_facts(panel.solar) | bits("main_breaker_a", "other_sources_a")
    # The stricter form holds in every edition, but a centre-fed end earns its 120 % only in the newer ones.
    in_every = at_most(panel.total, panel.bus) | (added & panel.opposite)
    by_edition = needed(panel.edition_known | in_every.not_(), "code_edition")
    at_far_end = needed(at_most(panel.total, panel.bus).not_(), "backfeed_position")
    position = needed(over(panel.least, FAR_END * panel.bus).not_(), "backfeed_position")
    breakers = needed(panel.old.not_(), "busbar_breakers_a")
    return (
        bits("busbar_a", "connection_side")
        | code_facts()
        | pl.when(added)
        .then(solar | by_edition | at_far_end)
        .when(all_breakers)
        .then(bits("busbar_breakers_a", "code_edition"))
        .otherwise(solar | bits("code_edition") | position | breakers | needed(panel.between(), "backfed_breaker"))
    )


def judge(_policy: Policy) -> Judgement:
    """The most favourable option; the policy has no say in it."""
    panel = _Panel()
    allowance = panel.allowance()
    added = at_most(panel.total, allowance) & panel.unprotected.not_()
    all_breakers = at_most(panel.breakers, panel.bus) & panel.unprotected.not_()
    added_fails = over(panel.least, panel.best_allowance())
    surely = _applies().fill_null(False) & ((added_fails & panel.breakers_fail()) | panel.unprotected)
    between = panel.between()
    complete = known(panel.total) & panel.placed & panel.edition_known & (panel.old | known(panel.breakers))
    complete &= between.not_()
    shares = (panel.breakers / panel.bus, panel.total / allowance)
    by_breakers = (shares[0] < shares[1]).fill_null(all_breakers & added.not_())
    decided = added | all_breakers | complete
    best_value = pl.when(by_breakers).then(panel.breakers).otherwise(panel.total)
    best_limit = pl.when(by_breakers).then(panel.bus).otherwise(allowance)
    bounded = pl.when(surely & decided.not_())
    unread = number("busbar_breakers_a").is_null() & panel.old.not_() & added_fails
    return Judgement(
        value=pl.when(panel.unprotected)
        .then(pl.coalesce(panel.least, panel.main))
        .otherwise(bounded.then(panel.least).when(decided).then(best_value)),
        limit=pl.when(panel.unprotected)
        .then(panel.bus)
        .otherwise(bounded.then(panel.best_allowance()).when(decided).then(best_limit)),
        applies=_applies(),
        needs=_needs(panel, added, all_breakers),
        surely_fails=surely,
        fails_at=pl.when(unread & surely.not_()).then(panel.bus),
    )


CHECK = Check(
    name="busbar",
    version=1,
    title="Busbar of the panel",
    level="system",
    severity="safety",
    unit="A",
    passes="Sources and breakers add up to {value} A on the busbar; {limit} A is allowed.",
    fails="Sources and breakers add up to {value} A on the busbar, more than the {limit} A allowed.",
    unknown="Whether the busbar is overloaded is not known; missing: {missing}.",
    judge=judge,
    fails_at_fact="busbar_breakers_a",
    beyond="It fails where all breakers on the busbar, without the main, add up to more than {fails_at} A.",
)

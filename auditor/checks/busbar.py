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


def _given() -> dict[str, pl.Expr]:
    """The panel's quantities [A] and where its sources sit; without known units there is no solar figure."""
    units, position = pl.col("solar_units_known").fill_null(False), pl.col("backfeed_position")
    year = pl.col("code_edition").str.extract(r"(\d{4})").cast(pl.Int64)
    return {
        "_edition_known": year.is_not_null(),
        "_old": (year < BY_CURRENT_FROM).fill_null(False),
        "_new": (year >= BY_CURRENT_FROM).fill_null(False),
        "_bus": number("busbar_a"),
        "_main": number("main_breaker_a"),
        "_solar": pl.when(units).then(number("solar_current_a")),
        "_low_breakers": pl.when(units).then(number("solar_breakers_a")),
        "_high_breakers": pl.when(units).then(number("solar_breakers_high_a")),
        "_other": number("other_sources_a"),
        "_sum": number("busbar_breakers_a"),
        "_placed": position.is_not_null(),
        "_opposite": (position == "opposite end").fill_null(False),
        "_centre": (position == "centre-fed end").fill_null(False),
        # One of the two that is known to be otherwise settles it, though the other be missing.
        "_judged": (pl.col("connection_side") == "load") & is_nec(),
    }


def _sums() -> dict[str, pl.Expr]:
    """What counts under each option; where the edition is missing, `_total` is the stricter breakers' form."""
    col = pl.col
    by_current = CONTINUOUS_FACTOR * (col("_solar") + col("_other"))
    by_breakers = col("_high_breakers") + CONTINUOUS_FACTOR * col("_other")
    known_other = col("_other").fill_null(0.0)
    least_current = CONTINUOUS_FACTOR * (col("_solar") + known_other)
    least_breakers = col("_low_breakers") + CONTINUOUS_FACTOR * known_other
    return {
        "_total": pl.when("_new").then(by_current).otherwise(by_breakers) + col("_main"),
        "_least": pl.when("_old").then(least_breakers).otherwise(least_current) + col("_main"),
        "_breakers": pl.when("_new").then("_sum"),
        "_far": col("_opposite") | (col("_centre") & col("_old").not_()),
        "_far_end_a": FAR_END * col("_bus"),
        # No option holds on a busbar that its own main does not protect.
        "_unprotected": over(col("_main"), col("_bus")),
    }


def _allowances() -> dict[str, pl.Expr]:
    """What sources and main may add up to: a missing position earns nothing, or is taken for the best."""
    far = pl.col("_far")
    return {
        "_allowance": pl.when(far).then("_far_end_a").otherwise("_bus"),
        "_best": pl.when(far | pl.col("_placed").not_()).then("_far_end_a").otherwise("_bus"),
    }


def _options() -> dict[str, pl.Expr]:
    """Which options pass, and which are closed for certain; all breakers are at least the sources' own."""
    col = pl.col
    protected = col("_unprotected").not_()
    least = CONTINUOUS_FACTOR * col("_solar")
    return {
        "_in_sum": at_most(col("_total"), col("_bus")),
        "_added": at_most(col("_total"), col("_allowance")) & protected,
        "_all_breakers": at_most(col("_breakers"), col("_bus")) & protected,
        "_added_over": over(col("_total"), col("_best")),
        "_added_fails": over(col("_least"), col("_best")),
        "_breakers_fail": col("_old") | over(col("_sum"), col("_bus")) | over(least, col("_bus")),
    }


def _outcomes() -> dict[str, pl.Expr]:
    """Whether the row fails for good, whether it is decided, and by which option it is shown.

    `_between` is true where, before 2014, the smallest breaker that can feed the busbar fits and the sum of them not.
    """
    col = pl.col
    fails = (col("_added_fails") & col("_breakers_fail")) | col("_unprotected")
    between = col("_old") & col("_added_over") & col("_added_fails").not_() & col("_unprotected").not_()
    complete = known(col("_total")) & col("_placed") & (col("_old") | known(col("_breakers")))
    shares = (col("_breakers") / col("_bus"), col("_total") / col("_allowance"))
    return {
        "_surely_fails": col("_judged").fill_null(False) & fails,
        "_between": between,
        "_decided": col("_added") | col("_all_breakers") | (complete & between.not_()),
        "_by_breakers": (shares[0] < shares[1]).fill_null(col("_all_breakers") & col("_added").not_()),
    }


def _needs() -> pl.Expr:
    """What the verdict of a row rests on: less where an option passes that needs less."""
    col = pl.col
    solar = current_facts(col("_solar")) | bits("main_breaker_a", "other_sources_a")
    # The stricter form holds in every edition, but a centre-fed end earns its 120 % only in the newer ones.
    in_every = col("_in_sum") | (col("_added") & col("_opposite"))
    by_edition = needed(col("_edition_known") | in_every.not_(), "code_edition")
    at_far_end = needed(col("_in_sum").not_(), "backfeed_position")
    position = needed(over(col("_least"), col("_far_end_a")).not_(), "backfeed_position")
    breakers = needed(col("_old").not_(), "busbar_breakers_a")
    return (
        bits("busbar_a", "connection_side")
        | code_facts()
        | pl.when("_added")
        .then(solar | by_edition | at_far_end)
        .when("_all_breakers")
        .then(bits("busbar_breakers_a", "code_edition"))
        .otherwise(solar | bits("code_edition") | position | breakers | needed(col("_between"), "backfed_breaker"))
    )


def judge(_policy: Policy) -> Judgement:
    """The most favourable option; the policy has no say in it."""
    col = pl.col
    best_value = pl.when("_by_breakers").then("_breakers").otherwise("_total")
    best_limit = pl.when("_by_breakers").then("_bus").otherwise("_allowance")
    bounded = col("_surely_fails") & col("_decided").not_()
    unread = col("_sum").is_null() & col("_old").not_() & col("_added_fails")
    value = pl.when("_unprotected").then(pl.coalesce("_least", "_main")).when(bounded).then("_least")
    limit = pl.when("_unprotected").then("_bus").when(bounded).then("_best")
    return Judgement(
        value=value.when("_decided").then(best_value),
        limit=limit.when("_decided").then(best_limit),
        applies=col("_judged"),
        needs=_needs(),
        steps=(_given(), _sums(), _allowances(), _options(), _outcomes()),
        surely_fails=col("_surely_fails"),
        fails_at=pl.when(unread & col("_surely_fails").not_()).then("_bus"),
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

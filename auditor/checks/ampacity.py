"""The NEC's ampacity conditions for a run, shared by the home run and the feeder."""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import NONE, at_most, code_facts, is_nec, number, over, within_rounding
from auditor.electrical.ampacity import BREAKER_SIZES_A, CONTINUOUS_FACTOR, HIGHEST_AMBIENT_C, ampacity_exceeds_a

#: Lowest and highest conductor and terminal rating that the ampacity table has a column for [°C].
LOWEST_C, HIGHEST_C = 60.0, 90.0

#: Circuits above this count as marked for 75 °C unless told otherwise, NEC 110.14(C)(1)(b) [A].
LARGE_CIRCUIT_A = 100.0

#: What the ampacity must exceed, by device; other devices are not judged here.
MUST_EXCEED_A = {device: ampacity_exceeds_a(device) for device in BREAKER_SIZES_A}


def _ampacity(prefix: str, rating: int) -> pl.Expr:
    return number(f"{prefix}_ampacity_{rating}_a")


def _ambient_factor(rating: int) -> pl.Expr:
    """The ambient factor; zero where the table ends, since the conductor may not be used there at all."""
    too_hot = number("ambient_c") > HIGHEST_AMBIENT_C[rating]
    return pl.when(too_hot).then(0.0).otherwise(number(f"ambient_factor_{rating}"))


def _before(prefix: str, terminal: pl.Expr, insulation: pl.Expr) -> pl.Expr:
    """Ampacity before factors in the column of the lower rating of terminal and insulation, NEC 110.14(C)."""
    at_90 = pl.when((terminal >= 90) & (insulation >= 90)).then(_ampacity(prefix, 90))
    at_75 = at_90.when((terminal >= 75) & (insulation >= 75)).then(_ampacity(prefix, 75))
    return at_75.when((terminal >= 60) & (insulation >= 60)).then(_ampacity(prefix, 60))


def _by_insulation(insulation: pl.Expr, columns: dict[int, pl.Expr]) -> pl.Expr:
    """The column of the highest printed rating not above the insulation's; null below 60 °C."""
    first = pl.when(insulation >= 90).then(columns[90])
    return first.when(insulation >= 75).then(columns[75]).when(insulation >= 60).then(columns[60])


def _after(prefix: str, insulation: pl.Expr) -> pl.Expr:
    """Ampacity after ambient and fill factors in the insulation's column."""
    columns = {rating: _ampacity(prefix, rating) * _ambient_factor(rating) for rating in HIGHEST_AMBIENT_C}
    return _by_insulation(insulation, columns) * number("fill_factor")


def _terminal(prefix: str, current: pl.Expr) -> pl.Expr:
    """The terminal rating; one assumed for circuits up to 100 A gives way to 75 °C above that."""
    rating = number(f"{prefix}_terminal_rating_c")
    assumed = (pl.col("assumed_bits") & bits(f"{prefix}_terminal_rating_c")) != 0
    large = CONTINUOUS_FACTOR * current > LARGE_CIRCUIT_A
    return pl.when(assumed & large & (rating < 75)).then(75.0).otherwise(rating)


def _hottest(prefix: str, insulation: pl.Expr, current: pl.Expr) -> pl.Expr:
    """The ambient [°C], as the upper end of a 5 °C row, beyond which the corrected ampacity is below the current.

    NEC 310.15(B)(1), Equation 310.15(B)(1): factor = sqrt((Tc - Ta') / (Tc - 30)), solved for Ta' at the factor
    I / (ampacity times fill). The printed factors are this equation at the upper end of each row, rounded.
    """
    ampacity = _by_insulation(insulation, {rating: _ampacity(prefix, rating) for rating in HIGHEST_AMBIENT_C})
    printed = _by_insulation(insulation, {rating: pl.lit(float(rating)) for rating in HIGHEST_AMBIENT_C})
    factor = current / (ampacity * number("fill_factor"))
    ambient = ((printed - factor**2 * (printed - 30)) / 5).floor() * 5
    return pl.when(ambient >= 10).then(ambient)


def judge_run(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None, facts: pl.Expr) -> Judgement:
    """Judge a run of this prefix ("home_run", "feeder") that carries `current` [A], known to within `slack` [A].

    `device` is the overcurrent device [A] whose size is held against the ampacity, None for none. `facts` are what
    the current and the device rest on. A missing rating is bounded: a row that passes at 60 °C passes whatever the
    rating, and one that fails at 90 °C before any factor fails whatever it is.
    """
    terminal, insulation = _terminal(prefix, current), number(f"{prefix}_conductor_rating_c")
    rated = known(terminal) & known(insulation)
    lowest = insulation.fill_null(LOWEST_C)
    before, after = _before(prefix, terminal.fill_null(LOWEST_C), lowest), _after(prefix, lowest)
    best = _before(prefix, terminal.fill_null(HIGHEST_C), insulation.fill_null(HIGHEST_C))
    continuous = CONTINUOUS_FACTOR * current
    at_terminals = within_rounding(continuous, CONTINUOUS_FACTOR * slack, before)
    along = within_rounding(current, slack, after)
    both_fit = at_most(at_terminals, before) & at_most(along, after)
    passes, unprotected = both_fit, pl.lit(False)
    if device is not None:
        must_exceed = device.replace_strict(MUST_EXCEED_A, default=0.0, return_dtype=pl.Float64)
        unprotected = at_most(pl.min_horizontal(before, after), must_exceed)
        passes = both_fit & unprotected.not_() & known(device)
    too_small = over(at_terminals, before) | over(along, after)
    by_best = over(continuous - CONTINUOUS_FACTOR * slack, best)
    surely = is_nec() & (by_best | (rated & (too_small | unprotected)))
    hot = along / after > at_terminals / before
    for_device = unprotected & too_small.not_()
    ratings = [(terminal, f"{prefix}_terminal_rating_c"), (insulation, f"{prefix}_insulation")]
    needs = facts | code_facts() | bits(f"{prefix}_size", f"{prefix}_material", "ambient_c", "raceway_conductors")
    for rating, fact in ratings:
        needs |= pl.when(passes & known(rating).not_()).then(NONE).otherwise(bits(fact))
    length, ambient_known = number(f"{prefix}_length_m"), known(number("ambient_c"))
    shown = pl.when((passes | surely).not_()).then(None).when((rated | passes).not_())
    value = shown.then(continuous).when(hot).then(along).otherwise(at_terminals)
    limit = shown.then(best).when(hot).then(after).otherwise(before)
    if device is not None:
        value = pl.when(for_device & rated).then(device).otherwise(value)
        limit = pl.when(for_device & rated).then(pl.min_horizontal(before, after)).otherwise(limit)
    return Judgement(
        value=value,
        limit=limit,
        # No wire, nothing to judge: a run of zero length.
        applies=pl.when((length == 0).fill_null(False)).then(pl.lit(False)).otherwise(is_nec()),
        needs=needs,
        surely_fails=surely,
        fails_at=pl.when((ambient_known | surely).not_()).then(_hottest(prefix, insulation, current)),
    )

"""The NEC's ampacity conditions for a run, shared by the home run and the feeder."""

from __future__ import annotations

import polars as pl

from auditor.checks.base import Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import (
    NONE,
    Governing,
    code_facts,
    governing,
    is_nec,
    largest_device,
    number,
    smaller,
    within_rounding,
)
from auditor.electrical.ampacity import CONTINUOUS_FACTOR, HIGHEST_AMBIENT_C

#: Lowest and highest conductor and terminal rating that the ampacity table has a column for [°C].
LOWEST_C, HIGHEST_C = 60.0, 90.0

#: Circuits above this count as marked for 75 °C unless told otherwise, NEC 110.14(C)(1)(b) [A].
LARGE_CIRCUIT_A = 100.0


def _by_rating(rating: pl.Expr, columns: dict[int, pl.Expr]) -> pl.Expr:
    """The column of the highest printed rating not above this one; null below 60 °C."""
    return (
        pl.when(rating >= 90)
        .then(columns[90])
        .when(rating >= 75)
        .then(columns[75])
        .when(rating >= 60)
        .then(columns[60])
    )


def _ambient_factor(rating: int) -> pl.Expr:
    """The ambient factor; zero where the table ends, since the conductor may not be used there at all."""
    too_hot = number("ambient_c") > HIGHEST_AMBIENT_C[rating]
    return pl.when(too_hot).then(0.0).otherwise(number(f"ambient_factor_{rating}"))


def _before(prefix: str, terminal: pl.Expr, insulation: pl.Expr) -> pl.Expr:
    """Ampacity before factors at the lowest rating of terminal and insulation, NEC 110.14(C)."""
    columns = {rating: number(f"{prefix}_ampacity_{rating}_a") for rating in HIGHEST_AMBIENT_C}
    return _by_rating(smaller(terminal, insulation), columns)


def _after(prefix: str, insulation: pl.Expr, before: pl.Expr) -> pl.Expr:
    """Ampacity after ambient and fill factors in the insulation's column, never above the terminal column."""
    columns = {r: number(f"{prefix}_ampacity_{r}_a") * _ambient_factor(r) for r in HIGHEST_AMBIENT_C}
    return smaller(_by_rating(insulation, columns) * number("fill_factor"), before)


def _conditions(
    prefix: str, terminal: pl.Expr, insulation: pl.Expr, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None
) -> Governing:
    """The governing of: 1.25 I before factors, I after factors, the device on the ampacity after factors."""
    before = _before(prefix, terminal, insulation)
    after = _after(prefix, insulation, before)
    continuous = within_rounding(CONTINUOUS_FACTOR * current, CONTINUOUS_FACTOR * slack, before)
    shown = [(continuous, before), (within_rounding(current, slack, after), after)]
    return governing(shown, [] if device is None else [(device, largest_device(after))])


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
    columns = {rating: number(f"{prefix}_ampacity_{rating}_a") for rating in HIGHEST_AMBIENT_C}
    ampacity = _by_rating(insulation, columns) * number("fill_factor")
    printed = _by_rating(insulation, {rating: pl.lit(float(rating)) for rating in HIGHEST_AMBIENT_C})
    share = current / ampacity
    ambient = ((printed - share * share * (printed - 30)) / 5).floor() * 5
    return pl.when(ambient >= 10).then(ambient)


def judge_run(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None, facts: pl.Expr) -> Judgement:
    """Judge a run of this prefix ("home_run", "feeder") that carries `current` [A], known to within `slack` [A].

    `device` is the overcurrent device [A] whose size is held against the ampacity, None for none. `facts` are what
    the current and the device rest on. A missing rating is bounded: a row that passes at 60 °C passes whatever the
    rating, and one that fails at 90 °C fails whatever it is.
    """
    terminal, insulation = _terminal(prefix, current), number(f"{prefix}_conductor_rating_c")
    low = _conditions(prefix, terminal.fill_null(LOWEST_C), insulation.fill_null(LOWEST_C), current, slack, device)
    high = _conditions(prefix, terminal.fill_null(HIGHEST_C), insulation.fill_null(HIGHEST_C), current, slack, device)
    rated = known(terminal) & known(insulation)
    settled = rated | low.passes
    fails = is_nec() & high.fails
    length = number(f"{prefix}_length_m")
    ratings = pl.when(low.passes & known(terminal).not_()).then(NONE).otherwise(bits(f"{prefix}_terminal_rating_c"))
    ratings |= pl.when(low.passes & known(insulation).not_()).then(NONE).otherwise(bits(f"{prefix}_insulation"))
    wires = bits(f"{prefix}_size", f"{prefix}_material", "ambient_c", "raceway_conductors")
    unmeasured = known(number("ambient_c")).not_() & high.fails.not_()
    return Judgement(
        value=pl.when(settled).then(low.value).when(fails).then(high.value),
        limit=pl.when(settled).then(low.limit).when(fails).then(high.limit),
        # No wire, nothing to judge: a run of zero length.
        applies=pl.when((length == 0).fill_null(False)).then(pl.lit(False)).otherwise(is_nec()),
        needs=facts | code_facts() | wires | ratings,
        surely_fails=fails,
        fails_at=pl.when(unmeasured).then(_hottest(prefix, insulation, current)),
    )

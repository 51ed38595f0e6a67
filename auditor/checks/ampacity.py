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


def _ambient_factor(rating: int) -> pl.Expr:
    """The ambient factor; zero where the table ends, since the conductor may not be used there at all."""
    factor = pl.when(number("ambient_c") > HIGHEST_AMBIENT_C[rating]).then(0.0)
    return factor.when(known(pl.col("ambient_c"))).then(number(f"ambient_factor_{rating}"))


def _before(terminal: pl.Expr, insulation: pl.Expr) -> pl.Expr:
    """Ampacity before factors in the column of the lower rating of terminal and insulation, NEC 110.14(C)."""
    at_90 = pl.when((terminal >= 90) & (insulation >= 90)).then(pl.field("ampacity_90"))
    at_75 = at_90.when((terminal >= 75) & (insulation >= 75)).then(pl.field("ampacity_75"))
    return at_75.when((terminal >= 60) & (insulation >= 60)).then(pl.field("ampacity_60"))


def _by_insulation(insulation: pl.Expr, name: str) -> pl.Expr:
    """The field of the highest printed rating not above the insulation's; null below 60 °C."""
    at_90 = pl.when(insulation >= 90).then(pl.field(f"{name}_90"))
    return at_90.when(insulation >= 75).then(pl.field(f"{name}_75")).when(insulation >= 60).then(pl.field(f"{name}_60"))


def _terminal(prefix: str, current: pl.Expr) -> pl.Expr:
    """The terminal rating; one assumed for circuits up to 100 A gives way to 75 °C above that."""
    rating = number(f"{prefix}_terminal_rating_c")
    assumed = (pl.col("assumed_bits") & bits(f"{prefix}_terminal_rating_c")) != 0
    large = CONTINUOUS_FACTOR * current > LARGE_CIRCUIT_A
    return pl.when(assumed & large & (rating < 75)).then(75.0).otherwise(rating)


def _hottest() -> pl.Expr:
    """The ambient [°C], as the upper end of a 5 °C row, beyond which the corrected ampacity is below the current.

    NEC 310.15(B)(1), Equation 310.15(B)(1): factor = sqrt((Tc - Ta') / (Tc - 30)), solved for Ta' at the factor
    I / (ampacity times fill). The printed factors are this equation at the upper end of each row, rounded.
    """
    printed = pl.when(pl.field("insulation") >= 90).then(90.0)
    printed_c = printed.when(pl.field("insulation") >= 75).then(75.0).when(pl.field("insulation") >= 60).then(60.0)
    factor = pl.field("current") / (_by_insulation(pl.field("insulation"), "ampacity") * pl.field("fill"))
    ambient = ((printed_c - factor**2 * (printed_c - 30)) / 5).floor() * 5
    return pl.when((ambient >= 10) & pl.field("ambient").is_null()).then(ambient)


def _run(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None) -> pl.Expr:
    """The quantities of a run as one struct, each step from the fields before it."""
    field = pl.field
    run = pl.struct(
        current.alias("current"),
        slack.alias("slack"),
        (pl.lit(None, pl.Float64) if device is None else device).alias("device"),
        _terminal(prefix, current).alias("terminal"),
        number(f"{prefix}_conductor_rating_c").alias("insulation"),
        *(number(f"{prefix}_ampacity_{rating}_a").alias(f"ampacity_{rating}") for rating in HIGHEST_AMBIENT_C),
        *(_ambient_factor(rating).alias(f"factor_{rating}") for rating in HIGHEST_AMBIENT_C),
        number("fill_factor").alias("fill"),
        number("ambient_c").alias("ambient"),
    )
    lowest, highest = field("insulation").fill_null(LOWEST_C), field("insulation").fill_null(HIGHEST_C)
    run = run.struct.with_fields(
        before=_before(field("terminal").fill_null(LOWEST_C), lowest),
        best=_before(field("terminal").fill_null(HIGHEST_C), highest),
        after=_by_insulation(lowest, "ampacity") * _by_insulation(lowest, "factor") * field("fill"),
        continuous=CONTINUOUS_FACTOR * field("current"),
        rated=field("terminal").is_not_null() & field("insulation").is_not_null(),
        must_exceed=field("device").replace_strict(MUST_EXCEED_A, default=0.0, return_dtype=pl.Float64),
    )
    spare = CONTINUOUS_FACTOR * field("slack")
    run = run.struct.with_fields(
        at_terminals=within_rounding(field("continuous"), spare, field("before")),
        along=within_rounding(field("current"), field("slack"), field("after")),
        unprotected=at_most(pl.min_horizontal(field("before"), field("after")), field("must_exceed")),
        worst=over(field("continuous") - spare, field("best")),
    )
    if device is None:
        run = run.struct.with_fields(unprotected=pl.lit(False), protected=pl.lit(True))
    else:
        run = run.struct.with_fields(protected=field("device").is_not_null() & field("unprotected").not_())
    run = run.struct.with_fields(
        fits=at_most(field("at_terminals"), field("before")) & at_most(field("along"), field("after")),
        too_small=over(field("at_terminals"), field("before")) | over(field("along"), field("after")),
    )
    return run.struct.with_fields(
        passes=field("fits") & field("protected"),
        fails=field("worst") | (field("rated") & (field("too_small") | field("unprotected"))),
        hot=field("along") / field("after") > field("at_terminals") / field("before"),
    )


def _shown(run: pl.Expr) -> pl.Expr:
    """The run with the value and limit of the condition that governs; null where nothing is decided."""
    field = pl.field
    shown = pl.when((field("passes") | field("fails")).not_()).then(None)
    bounded = shown.when((field("rated") | field("passes")).not_())
    by_device = field("unprotected") & field("too_small").not_()
    value = bounded.then(field("continuous")).when(by_device).then(field("device")).when(field("hot"))
    limit = bounded.then(field("best")).when(by_device).then(pl.min_horizontal(field("before"), field("after")))
    return run.struct.with_fields(
        value=value.then(field("along")).otherwise(field("at_terminals")),
        limit=limit.when(field("hot")).then(field("after")).otherwise(field("before")),
        fails_at=pl.when(field("fails").not_()).then(_hottest()),
    )


def judge_run(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None, facts: pl.Expr) -> Judgement:
    """Judge a run of this prefix ("home_run", "feeder") that carries `current` [A], known to within `slack` [A].

    `device` is the overcurrent device [A] whose size is held against the ampacity, None for none. `facts` are what
    the current and the device rest on. A missing rating is bounded: a row that passes at 60 °C passes whatever the
    rating, and one that fails at 90 °C before any factor fails whatever it is.
    """
    run = _shown(_run(prefix, current, slack, device))
    passes = run.struct.field("passes")
    needs = facts | code_facts() | bits(f"{prefix}_size", f"{prefix}_material", "ambient_c", "raceway_conductors")
    for column, fact in (
        (f"{prefix}_terminal_rating_c", "terminal_rating_c"),
        (f"{prefix}_conductor_rating_c", "insulation"),
    ):
        spared = passes & known(pl.col(column)).not_()
        needs |= pl.when(spared).then(NONE).otherwise(bits(f"{prefix}_{fact}"))
    # No wire, nothing to judge: a run of zero length.
    no_wire = (number(f"{prefix}_length_m") == 0).fill_null(False)
    return Judgement(
        value=run.struct.field("value"),
        limit=run.struct.field("limit"),
        applies=pl.when(no_wire).then(pl.lit(False)).otherwise(is_nec()),
        needs=needs,
        surely_fails=is_nec() & run.struct.field("fails"),
        fails_at=run.struct.field("fails_at"),
    )

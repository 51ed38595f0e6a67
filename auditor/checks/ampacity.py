"""The NEC's ampacity conditions for a run, shared by the home run and the feeder."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from auditor.checks.base import Judgement, known
from auditor.checks.facts import bits
from auditor.checks.terms import NONE, at_most, code_facts, is_nec, number, over, within_rounding
from auditor.electrical.ampacity import BREAKER_SIZES_A, CONTINUOUS_FACTOR, HIGHEST_AMBIENT_C, ampacity_exceeds_a

#: Lowest and highest conductor and terminal rating that the ampacity table has a column for [°C].
LOWEST_C, HIGHEST_C = 60.0, 90.0

#: Circuits above this count as marked for 75 °C unless told otherwise, NEC 110.14(C)(1)(b) [A].
LARGE_CIRCUIT_A = 100.0

#: Half of the last digit of a printed ambient factor.
HALF_PRINTED_DIGIT = 0.005

#: What the ampacity must exceed, by device; other devices are not judged here.
MUST_EXCEED_A = {device: ampacity_exceeds_a(device) for device in BREAKER_SIZES_A}


def _ambient_factor(rating: int) -> pl.Expr:
    """The ambient factor; zero where the table ends, since the conductor may not be used there at all."""
    factor = pl.when(number("ambient_c") > HIGHEST_AMBIENT_C[rating]).then(0.0)
    return factor.when(known(pl.col("ambient_c"))).then(number(f"ambient_factor_{rating}"))


def _before(prefix: str, terminal: str, insulation: str) -> pl.Expr:
    """Ampacity before factors in the column of the lower rating of terminal and insulation, NEC 110.14(C)."""
    lower = pl.min_horizontal(terminal, insulation)
    at_90 = pl.when(lower >= 90).then(number(f"{prefix}_ampacity_90_a"))
    at_75 = at_90.when(lower >= 75).then(number(f"{prefix}_ampacity_75_a"))
    return at_75.when(lower >= 60).then(number(f"{prefix}_ampacity_60_a"))


def _by_insulation(column: Callable[[int], pl.Expr]) -> pl.Expr:
    """The column of the highest printed rating not above the insulation's; null below 60 °C."""
    at_90 = pl.when(pl.col("_insulation") >= 90).then(column(90))
    return at_90.when(pl.col("_insulation") >= 75).then(column(75)).when(pl.col("_insulation") >= 60).then(column(60))


def _terminal(prefix: str, current: pl.Expr) -> pl.Expr:
    """The terminal rating; one assumed for circuits up to 100 A gives way to 75 °C above that."""
    rating = number(f"{prefix}_terminal_rating_c")
    assumed = (pl.col("assumed_bits") & bits(f"{prefix}_terminal_rating_c")) != 0
    large = CONTINUOUS_FACTOR * current > LARGE_CIRCUIT_A
    return pl.when(assumed & large & (rating < 75)).then(75.0).otherwise(rating)


def _hottest() -> pl.Expr:
    """The ambient [°C], as the upper end of a 5 °C row, beyond which the corrected ampacity is below the current.

    NEC 310.15(B)(1), Equation 310.15(B)(1): factor = sqrt((Tc - Ta') / (Tc - 30)), solved for Ta' at the factor
    I / (ampacity times fill). The printed factors are this equation at the upper end of each row, to two decimals.
    """
    factor = pl.col("_current") / (pl.col("_table") * number("fill_factor")) - HALF_PRINTED_DIGIT
    ambient = ((pl.col("_printed_c") - factor**2 * (pl.col("_printed_c") - 30)) / 5).floor() * 5
    unstated = (pl.col("missing_bits") & bits("ambient_c")) != 0
    return pl.when((ambient >= 10) & unstated & pl.col("_rated")).then(ambient)


def _steps(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None) -> list[dict[str, pl.Expr]]:
    """The quantities of a run, each set from the ones before it."""
    col = pl.col
    terminal, insulation = _terminal(prefix, current), number(f"{prefix}_conductor_rating_c")
    given = {
        "_current": current,
        "_slack": slack,
        "_device": pl.lit(None, pl.Float64) if device is None else device,
        "_terminal": terminal.fill_null(LOWEST_C),
        "_insulation": insulation.fill_null(LOWEST_C),
        "_best_terminal": terminal.fill_null(HIGHEST_C),
        "_best_insulation": insulation.fill_null(HIGHEST_C),
        "_rated": terminal.is_not_null() & insulation.is_not_null(),
    }
    columns = {
        "_before": _before(prefix, "_terminal", "_insulation"),
        "_best": _before(prefix, "_best_terminal", "_best_insulation"),
        "_table": _by_insulation(lambda rating: number(f"{prefix}_ampacity_{rating}_a")),
        "_factor": _by_insulation(_ambient_factor),
        "_printed_c": _by_insulation(lambda rating: pl.lit(float(rating))),
        "_must_exceed": col("_device").replace_strict(MUST_EXCEED_A, default=0.0, return_dtype=pl.Float64),
    }
    after = {"_after": col("_table") * col("_factor") * number("fill_factor")}
    continuous, spare = CONTINUOUS_FACTOR * col("_current"), CONTINUOUS_FACTOR * col("_slack")
    needed = {
        "_at_terminals": within_rounding(continuous, spare, col("_before")),
        "_along": within_rounding(col("_current"), col("_slack"), col("_after")),
        "_worst": over(continuous - spare, col("_best")),
        "_final": pl.min_horizontal("_before", "_after"),
    }
    unprotected = pl.lit(False) if device is None else at_most(col("_final"), col("_must_exceed"))
    protected = pl.lit(True) if device is None else known(col("_device")) & unprotected.not_()
    conditions = {
        "_fits": at_most(col("_at_terminals"), col("_before")) & at_most(col("_along"), col("_after")) & protected,
        "_too_small": over(col("_at_terminals"), col("_before")) | over(col("_along"), col("_after")),
        "_unprotected": unprotected,
        "_hot": col("_along") / col("_after") > col("_at_terminals") / col("_before"),
    }
    fails = {"_fails": col("_worst") | (col("_rated") & (col("_too_small") | col("_unprotected")))}
    return [given, columns, after, needed, conditions, fails]


def judge_run(prefix: str, current: pl.Expr, slack: pl.Expr, device: pl.Expr | None, facts: pl.Expr) -> Judgement:
    """Judge a run of this prefix ("home_run", "feeder") that carries `current` [A], known to within `slack` [A].

    `device` is the overcurrent device [A] whose size is held against the ampacity, None for none. `facts` are what
    the current and the device rest on. A missing rating is bounded: a row that passes at 60 °C passes whatever the
    rating, and one that fails at 90 °C before any factor fails whatever it is.
    """
    col = pl.col
    wires = bits(f"{prefix}_size", f"{prefix}_material", "ambient_c", "raceway_conductors", "ampacity_table")
    # The edition decides what a sunlit roof adds; where nothing lies above a roof it is not asked for.
    above = NONE if prefix != "home_run" else bits("roof_clearance_mm")
    roof = pl.when(number("roof_clearance_mm").is_null()).then(above).otherwise(bits("code_edition"))
    needs = facts | code_facts() | wires | roof
    for column, fact in (("terminal_rating_c", "terminal_rating_c"), ("conductor_rating_c", "insulation")):
        spared = col("_fits") & known(col(f"{prefix}_{column}")).not_()
        needs |= pl.when(spared).then(NONE).otherwise(bits(f"{prefix}_{fact}"))
    # Undecided rows show nothing; rows that fail even at 90 °C show that; a device only where nothing else fails.
    undecided, bounded = (col("_fits") | col("_fails")).not_(), (col("_rated") | col("_fits")).not_()
    by_device = col("_unprotected") & col("_too_small").not_()
    shown = pl.when(undecided).then(None).when(bounded)
    value = shown.then(CONTINUOUS_FACTOR * col("_current")).when(by_device).then(col("_device"))
    limit = shown.then(col("_best")).when(by_device).then(col("_final"))
    # No wire, nothing to judge: a run of zero length.
    no_wire = (number(f"{prefix}_length_m") == 0).fill_null(False)
    return Judgement(
        value=value.when(col("_hot")).then(col("_along")).otherwise(col("_at_terminals")),
        limit=limit.when(col("_hot")).then(col("_after")).otherwise(col("_before")),
        applies=pl.when(no_wire).then(pl.lit(False)).otherwise(is_nec()),
        needs=needs,
        steps=tuple(_steps(prefix, current, slack, device)),
        surely_fails=is_nec() & col("_fails"),
        fails_at=pl.when(col("_fails").not_()).then(_hottest()),
    )

"""The workings of the NEC's ampacity conditions of home runs and feeders."""

from __future__ import annotations

from auditor.electrical.ampacity import CONTINUOUS_FACTOR
from auditor.one_system.case import Case
from auditor.one_system.sums import Row, Worked, compare, fig, known, times, within_rounding


def home_run(_case: Case, row: Row) -> Worked:
    """The home run's conditions, the branch breaker among them."""
    return _run(row, "home_run")


def feeder(_case: Case, row: Row) -> Worked:
    """The feeder's conditions by the family of its code; its breaker is not in the records."""
    if row.text("code_family") != "IEC":
        return _run(row, "feeder")
    value, limit = row.number("feeder_line_current_a"), row.number("feeder_rated_a")
    return Worked((f"Current on the rating as installed: {compare(value, limit, 'A')}",), value, limit)


def _run(row: Row, prefix: str) -> Worked:
    current, slack = row.number("_current"), row.number("_slack")
    before, after, device = row.number("_before"), row.number("_after"), row.number("_device")
    table, factor, fill = row.number("_table"), row.number("_factor"), row.number("fill_factor")
    continuous = times(CONTINUOUS_FACTOR, current)
    corrected = times(table, factor, fill)
    at_terminals = within_rounding(continuous, times(CONTINUOUS_FACTOR, slack), before)
    along = within_rounding(current, slack, corrected)
    wire = " ".join(x for x in (row.text(f"{prefix}_size"), row.text(f"{prefix}_material")) if x) or "no wire recorded"
    lines = [
        f"{wire}; terminals {_rating(row, f'{prefix}_terminal_rating_c')}, insulation"
        f" {_rating(row, f'{prefix}_conductor_rating_c')}",
        f"At the terminals, before factors: {fig(CONTINUOUS_FACTOR)} × {fig(current, 'A')} = {fig(continuous, 'A')};"
        f" {compare(at_terminals, before, 'A')}",
        f"Along the run: {fig(table, 'A')} × {fig(factor)} for {fig(row.number('ambient_c'), '°C')} × {fig(fill)} for"
        f" {fig(row.number('raceway_conductors'))} conductors = {fig(corrected, 'A')};"
        f" {compare(along, corrected, 'A')}",
    ]
    final, exceed = row.number("_final"), row.number("_must_exceed")
    if device is not None:
        lines.append(
            f"Breaker: a {fig(device, 'A')} device asks for an ampacity above {fig(exceed, 'A')};"
            f" the run has {fig(final, 'A')}"
        )
    value, limit = _shown(row, at_terminals, before, along, after)
    return Worked(tuple(lines), value, limit)


def _rating(row: Row, column: str) -> str:
    value = row.number(column)
    return "not recorded (bounded by 60 and 90 °C)" if value is None else fig(value, "°C")


def _shown(
    row: Row, at_terminals: float | None, before: float | None, along: float | None, after: float | None
) -> tuple[float | None, float | None]:
    """The condition that the finding shows: the hottest, or that of 90 °C, or the device's."""
    settled = row.flag("_fits") or row.flag("_fails")
    if not settled:
        return None, None
    if not (row.flag("_rated") or row.flag("_fits")):
        return times(CONTINUOUS_FACTOR, row.number("_current")), known(row.number("_best"))
    if row.flag("_unprotected") and not row.flag("_too_small"):
        return row.number("_device"), row.number("_final")
    if row.flag("_hot"):
        return along, after
    return at_terminals, before

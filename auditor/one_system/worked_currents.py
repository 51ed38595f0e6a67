"""The workings of the checks of counts, breakers and currents on a branch circuit."""

from __future__ import annotations

import math
from typing import cast

from auditor.electrical.ampacity import BREAKER_SIZES_A, FUSE_SIZES_A
from auditor.electrical.currents import Kind, line_factor, units_within
from auditor.one_system.case import Case
from auditor.one_system.sums import Row, Worked, at_most, compare, fig, over, smallest, times, within_rounding


def line_current(case: Case, row: Row) -> str:
    """How the circuit's worst line current comes about."""
    count, each, total = row.number("inverter_count"), row.number("unit_current_a"), row.number("line_current_a")
    wiring = row.text("wiring")
    if row.flag("units_listed") and row.flag("mixed_units"):
        return f"Line current: {fig(count)} units of several models, {fig(total, 'A')} together"
    if wiring == "single":
        return f"Line current: {fig(count)} × {fig(each, 'A')} = {fig(total, 'A')}"
    if wiring in ("pairs", "neutral") and count is not None:
        factor = float(line_factor(cast(Kind, wiring), int(count)))
        how = "phasor sum over the pairs" if wiring == "pairs" else "fullest phase"
        return f"Line current: {fig(count)} units, {how} {fig(factor)} × {fig(each, 'A')} = {fig(total, 'A')}"
    return f"Line current: {fig(count)} units of {fig(each, 'A')}: {fig(total, 'A')}"


def _rounding(row: Row) -> str | None:
    slack = row.number("line_current_tolerance_a")
    if not slack:
        return None
    return (
        f"Half the last printed digit of the unit's current, {fig(row.number('unit_half_digit_a'), 'A')},"
        f" is {fig(slack, 'A')} over all units"
    )


def _lines(*lines: str | None) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def _device(row: Row) -> float | None:
    """The branch device that counts: never more than trunk cable and small conductors may have."""
    breaker = row.number("breaker_a")
    most = row.number("trunk_max_breaker_a"), row.number("home_run_small_conductor_breaker_a")
    return None if breaker is None else smallest(breaker, *most)


def _unit_limit(case: Case, row: Row) -> tuple[float | None, tuple[str | None, ...]]:
    """The governing limit on the count, and how it is found."""
    fraction, breaker, device = case.policy.branch.continuous_fraction, row.number("breaker_a"), _device(row)
    allowed, count = times(fraction, device), row.number("inverter_count")
    why = "" if device == breaker else f", the most that trunk cable and conductor may have behind {fig(breaker, 'A')}"
    share = f"Allowed on the breaker: {fig(fraction)} × {fig(device, 'A')}{why} = {fig(allowed, 'A')}"
    if row.flag("mixed_units"):
        total = within_rounding(row.number("line_current_a"), row.number("line_current_tolerance_a"), allowed)
        limit = None
        if count is not None and allowed is not None and total:
            limit = float(math.floor(count * allowed / total * (1 + 1e-9)))
        how = f"Units of this average current that fit: {fig(count)} × {fig(allowed, 'A')} / {fig(total, 'A')}"
        return limit, (line_current(case, row), share, f"{how}, whole units: {fig(limit)}")
    stated = row.number("stated_unit_limit")
    if stated is not None:
        spec = f"{row.text('inverter_model')} revision {fig(row.number('inverter_revision'))}"
        wires = "two conductors" if row.text("wiring") == "single" else "three phases"
        where = f"{row.text('service')}, {wires}, {fig(breaker, 'A')} breaker"
        return stated, (f"The spec of {spec} states {fig(stated)} units for {where}",)
    other = "The spec states limits for other breakers only; the computed one governs"
    limit = _computed(row, allowed)
    return limit, (
        other if row.flag("stated_limit_for_other_breaker") else None,
        share,
        *_computed_lines(row, limit, allowed),
    )


def _computed(row: Row, allowed: float | None) -> float | None:
    each, half, wiring = row.number("unit_current_a"), row.number("unit_half_digit_a"), row.text("wiring")
    if each is None or half is None or allowed is None or wiring is None:
        return None
    return float(units_within(cast(Kind, wiring), each, allowed, half))


def _computed_lines(row: Row, limit: float | None, allowed: float | None) -> tuple[str, ...]:
    each, half, wiring = row.number("unit_current_a"), row.number("unit_half_digit_a"), row.text("wiring")
    if limit is None or each is None or half is None or wiring is None:
        return (f"Line current of n units of {fig(each, 'A')} ≤ {fig(allowed, 'A')}",)
    lines = []
    for n in (int(limit), int(limit) + 1):
        factor = float(line_factor(cast(Kind, wiring), n))
        verb = "make" if n == limit else "would make"
        least = f"{fig(factor)} × ({fig(each)} − {fig(half)}) A = {fig(factor * (each - half), 'A')} at least"
        lines.append(f"{n} units {verb} {least}; {fig(allowed, 'A')} is allowed")
    return tuple(lines)


def branch_unit_limit(case: Case, row: Row) -> Worked:
    """The count against the stated or computed limit."""
    count = row.number("inverter_count")
    limit, how = _unit_limit(case, row)
    return Worked(_lines(*how, f"Units: {compare(count, limit)}"), count, limit)


def _standard(current: float | None) -> float | None:
    if current is None:
        return None
    return next((size for size in BREAKER_SIZES_A if at_most(current, size)), None)


def _no_wire(row: Row) -> bool:
    return row.number("home_run_length_m") == 0


def _over_unit_limit(case: Case, row: Row) -> bool:
    """Whether the branch-unit-limit check fails the circuit, which then is not failed again for a small breaker."""
    governs = row.number("stated_unit_limit") is not None and not row.flag("mixed_units")
    if not governs and row.text("code_family") != "NEC":
        return False
    return over(row.number("inverter_count"), _unit_limit(case, row)[0])


def breaker_size(case: Case, row: Row) -> Worked:
    """The breaker against the smallest and the largest that fit."""
    fraction, breaker = case.policy.branch.continuous_fraction, row.number("breaker_a")
    current, slack = row.number("line_current_a"), row.number("line_current_tolerance_a")
    trunk, small = row.number("trunk_max_breaker_a"), row.number("home_run_small_conductor_breaker_a")
    least = None if current is None else current / fraction
    wanted = within_rounding(least, None if slack is None else slack / fraction, breaker)
    largest = smallest(trunk, small)
    lines = _lines(
        line_current(case, row),
        _rounding(row) if wanted != least else None,
        f"At least: {fig(current, 'A')} / {fig(fraction)} = {fig(least, 'A')}",
        f"At most: {fig(trunk, 'A')} by the trunk cable,"
        f" {fig(small, 'A') if small is not None else 'no small-conductor limit'} by the home run's"
        f" {row.text('home_run_size') or 'unrecorded size'} {row.text('home_run_material') or ''}".rstrip(),
        f"Breaker: {fig(breaker, 'A')}",
    )
    return Worked(lines, breaker, _breaker_limit(case, row, wanted, largest))


def _breaker_limit(case: Case, row: Row, wanted: float | None, largest: float | None) -> float | None:
    breaker, current = row.number("breaker_a"), row.number("line_current_a")
    trunk, small = row.number("trunk_max_breaker_a"), row.number("home_run_small_conductor_breaker_a")
    if over(breaker, largest):
        return largest
    least = None if current is None else current / case.policy.branch.continuous_fraction
    if over(wanted, breaker) and not _over_unit_limit(case, row):
        return None if over(_standard(least), largest) else _standard(least)
    if breaker is not None and breaker not in (*BREAKER_SIZES_A, *FUSE_SIZES_A):
        return _standard(breaker)
    if current is None:
        return None
    sized = row.text("home_run_size") is not None and row.text("home_run_material") is not None
    if small is None:
        return trunk if sized or _no_wire(row) else None
    return None if trunk is None else min(trunk, small)


def trunk_current(case: Case, row: Row) -> Worked:
    """The most loaded arm's current against the cable's listed current."""
    rated, arm, circuit = row.number("trunk_rated_a"), row.number("trunk_largest_arm_a"), row.number("line_current_a")
    slack = row.number("line_current_tolerance_a")
    counts = row.counts("arms")
    arms = "How the units lie on the arms is not known"
    if row.flag("laid_out") and len(counts) == 1:
        arms = f"All {fig(row.number('inverter_count'))} units on one arm: {fig(arm, 'A')}"
    elif row.flag("laid_out"):
        arms = f"Most loaded of {len(counts)} arms ({'+'.join(map(str, counts))} units): {fig(arm, 'A')}"
    whole = within_rounding(circuit, slack, rated)
    value = whole if at_most(whole, rated) else None
    if arm is not None:
        of_arm = None if slack is None or not circuit else slack * arm / circuit
        value = within_rounding(arm, of_arm, rated)
    return Worked(_lines(line_current(case, row), arms, f"Listed current: {compare(value, rated, 'A')}"), value, rated)


def current_coordination(case: Case, row: Row) -> Worked:
    """Design current, device and conductor in order."""
    device, trunk = row.number("breaker_a"), row.number("trunk_max_breaker_a")
    current, slack = row.number("line_current_a"), row.number("line_current_tolerance_a")
    design = within_rounding(current, slack, device)
    rated = trunk if _no_wire(row) else row.number("home_run_rated_a")
    least = smallest(rated, trunk)
    overloaded, unprotected = over(design, device), over(device, least)
    lines = _lines(
        line_current(case, row),
        _rounding(row) if design != current else None,
        f"Current on device: {compare(design, device, 'A')}",
        f"Device on conductor: {compare(device, least, 'A')}"
        f" (home run {fig(rated, 'A')} as installed, trunk cable {fig(trunk, 'A')})",
    )
    complete = None not in (design, device, rated, trunk)
    if not (overloaded or unprotected or complete):
        return Worked(lines, None, None)
    if unprotected and not overloaded:
        return Worked(lines, device, least)
    return Worked(lines, design, device)

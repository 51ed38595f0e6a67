"""The workings of the checks of the panel and the phases."""

from __future__ import annotations

import re

import numpy as np

from auditor.checks.busbar import BY_CURRENT_FROM, FAR_END
from auditor.electrical.ampacity import CONTINUOUS_FACTOR
from auditor.one_system.case import Case
from auditor.one_system.sums import Row, Worked, add, at_most, compare, fig, over, times


class _Panel:
    """The panel's quantities, named as in the check."""

    def __init__(self, row: Row) -> None:
        year = re.search(r"(\d{4})", row.text("code_edition") or "")
        self.year = int(year[1]) if year else None
        self.old = self.year is not None and self.year < BY_CURRENT_FROM
        self.by_current = self.year is not None and not self.old
        units = row.flag("solar_units_known")
        self.solar = row.number("solar_current_a") if units else None
        self.breaker = row.number("solar_breakers_a") if units else None
        self.most = row.number("solar_breakers_high_a") if units else None
        self.other = row.number("other_sources_a")
        self.bus, self.main = row.number("busbar_a"), row.number("main_breaker_a")
        self.total = add(self.sources(self.by_current, self.most, self.other), self.main)
        self.least = add(self.sources(not self.old, self.breaker, self.other or 0.0), self.main)
        self.unprotected = over(self.main, self.bus)
        position = row.text("backfeed_position")
        self.placed = position is not None
        self.opposite = position == "opposite end"
        self.far = self.opposite or (position == "centre-fed end" and not self.old)
        self.all_breakers = row.number("busbar_breakers_a")
        self.breakers = self.all_breakers if self.by_current else None
        self.load_side = row.text("connection_side") == "load" and row.text("code_family") == "NEC"

    def sources(self, by_current: bool, breaker: float | None, other: float | None) -> float | None:
        """What the sources count for: 125 % of their current, or their breaker before 2014."""
        if by_current:
            return times(CONTINUOUS_FACTOR, add(self.solar, other))
        return add(breaker, times(CONTINUOUS_FACTOR, other))

    def share(self, far: bool) -> float | None:
        """What the sources and the main may add up to."""
        return times(FAR_END, self.bus) if far else self.bus

    def surely_fails(self) -> bool:
        """Whether no missing fact can save the panel."""
        breakers_fail = self.old or over(self.all_breakers, self.bus)
        breakers_fail = breakers_fail or over(times(CONTINUOUS_FACTOR, self.solar), self.bus)
        added_fails = over(self.least, self.share(self.far or not self.placed))
        return self.load_side and (self.unprotected or (added_fails and breakers_fail))

    def between(self) -> bool:
        """Whether, before 2014, the smallest breaker that can feed the busbar fits and the sum of them does not."""
        best = self.share(self.far or not self.placed)
        return self.old and over(self.total, best) and not over(self.least, best) and not self.unprotected


def busbar(_case: Case, row: Row) -> Worked:
    """The panel's options, and the one with the lowest utilisation."""
    panel = _Panel(row)
    if panel.by_current:
        sources = f"S = {fig(CONTINUOUS_FACTOR)} × ({fig(panel.solar, 'A')} solar + {fig(panel.other, 'A')} other)"
    else:
        solar = fig(panel.most, "A")
        if panel.breaker != panel.most:
            solar = f"between {fig(panel.breaker, 'A')} and {solar}"
        sources = f"S = breakers of the solar, {solar} + {fig(CONTINUOUS_FACTOR)} × {fig(panel.other, 'A')} other"
    sources = f"{sources} = {fig(panel.sources(panel.by_current, panel.most, panel.other), 'A')}"
    allowance = panel.share(panel.far)
    where = row.text("backfeed_position") or "place on the busbar not recorded"
    lines = [
        sources,
        f"Anywhere, S + main {fig(panel.main, 'A')}: {compare(panel.total, panel.bus, 'A')}",
        f"At the far end ({where}), against {fig(FAR_END)} × {fig(panel.bus, 'A')}:"
        f" {compare(panel.total, times(FAR_END, panel.bus), 'A')}{'' if panel.far else ', but it is not there'}",
    ]
    if panel.unprotected:
        main, bus = fig(panel.main, "A"), fig(panel.bus, "A")
        lines.append(f"The main of {main} is larger than the busbar's {bus}: the busbar is not protected")
    if not panel.old:
        lines.append(f"Sum of all breakers without the main: {compare(panel.all_breakers, panel.bus, 'A')}")
    return Worked(tuple(lines), *_shown(panel, allowance))


def _shown(panel: _Panel, allowance: float | None) -> tuple[float | None, float | None]:
    """Value and limit of the option that the finding shows; none while it is undecided."""
    if panel.unprotected:
        return (panel.main if panel.least is None else panel.least), panel.bus
    added, by_sum = at_most(panel.total, allowance), at_most(panel.breakers, panel.bus)
    complete = panel.total is not None and panel.placed and panel.year is not None and not panel.between()
    decided = added or by_sum or (complete and (panel.old or panel.breakers is not None))
    if not decided:
        return (panel.least, panel.share(panel.far or not panel.placed)) if panel.surely_fails() else (None, None)
    by_breakers = by_sum and not added
    if panel.breakers is not None and panel.bus and panel.total is not None and allowance:
        by_breakers = panel.breakers / panel.bus < panel.total / allowance
    return (panel.breakers, panel.bus) if by_breakers else (panel.total, allowance)


def phase_imbalance(case: Case, row: Row) -> Worked:
    """The fullest phase less the emptiest."""
    high, low = row.number("phase_kva_max"), row.number("phase_kva_min")
    value = None if high is None or low is None else high - low
    code = row.text("installation_code")
    limit = next((e.limit_kva for e in case.policy.imbalance if e.installation_code == code), None)
    phases = ", ".join(f"{p} {fig(kva, 'kVA')}" for p, kva in zip("ABC", phase_kva(case), strict=True))
    lines = (
        f"Apparent power: {phases}; a unit between two phases counts half on each",
        f"Fullest less emptiest: {fig(high)} − {fig(low)} = {compare(value, limit, 'kVA')}",
    )
    return Worked(lines, value, limit)


def phase_kva(case: Case) -> list[float]:
    """Apparent power on each phase [kVA], unit by unit."""
    sums = [0.0, 0.0, 0.0]
    if not case.turns or not case.turns[0].network.three_phase:
        return [float("nan")] * 3
    network = case.turns[0].network
    volts = case.prepared.circuit["unit_voltage_v"].fill_null(float("nan")).to_numpy()[network.unit_circuit]
    kva = network.unit_current_a * np.asarray(volts) / 1000
    for pair, each in zip(network.unit_pair, kva, strict=True):
        if pair >= 3:
            sums[pair - 3] += float(each)
        else:
            sums[pair] += 0.5 * float(each)
            sums[(pair + 1) % 3] += 0.5 * float(each)
    return sums
